"""Map sheets as files: one PDF with all of them, and a PNG each, to a true scale and reproducible."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from farmgis.records import Plan
from farmgis.results.map_page import drawing
from farmgis.results.map_sheets import plan_sheets
from farmgis.results.plan_rows import plan_rows

PNG_DPI = 150
NO_DATES = {"Creator": "farmgis", "Producer": None, "CreationDate": None}


def write_sheets(plan: Plan, pdf: Path, pngs: Path, step: Callable[[int, int], None] | None = None) -> int:
    """Write a plan's sheets to new files: all to `pdf`, the maps to `sheet-01.png` and so on in `pngs`.

    Returns how many sheets there are.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_pdf import PdfPages

    sheets = plan_sheets(plan.name, plan.crs, plan_rows(plan))
    with drawing(), PdfPages(pdf, metadata=NO_DATES) as book:
        for k, sheet in enumerate(sheets, start=1):
            if step is not None:
                step(k, len(sheets))
            page = sheet.draw(f"{k} of {len(sheets)}")
            FigureCanvasAgg(page.figure)
            book.savefig(page.figure)
            if not sheet.is_map:
                continue  # a table is read in the PDF, or in the layers
            page.figure.savefig(
                pngs / f"sheet-{k:02d}.png",
                dpi=PNG_DPI,
                metadata={"Software": None},
                pil_kwargs={"compress_level": 3},
            )
    return len(sheets)
