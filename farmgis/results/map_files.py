"""Map sheets as files: one PDF with all of them, and a PNG each, to a true scale and reproducible."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Lock

from farmgis.records import Plan
from farmgis.results.map_page import POINTS_PER_MM
from farmgis.results.map_pen import Pen
from farmgis.results.map_sheets import SheetPlan, plan_sheets
from farmgis.results.plan_rows import plan_rows

PNG_DPI = 150
DATE = re.compile(rb"/(CreationDate|ModDate) \([^)]*\)")

Step = Callable[[int, int], None]


def write_sheets(plan: Plan, pdf: Path, pngs: Path, step: Step | None = None) -> int:
    """Write a plan's sheets to new files: all to `pdf`, the maps to `sheet-01.png` and so on in `pngs`.

    A PNG is its page of the PDF, as pixels. A table is in the PDF alone. Returns how many sheets there are.
    """
    sheets = plan_sheets(plan.name, plan.crs, plan_rows(plan))
    pdf.write_bytes(book(f"{plan.name}: map sheets", sheets, step))
    _write_pixels(pdf, pngs, [k for k, sheet in enumerate(sheets) if sheet.is_map])
    return len(sheets)


def book(title: str, sheets: Sequence[SheetPlan], step: Step | None = None) -> bytes:
    """All sheets as a PDF, each named in its outline, with no date, so that a plan gives the same bytes."""
    from reportlab import rl_config
    from reportlab.pdfgen.canvas import Canvas

    rl_config.useA85 = 0  # bytes, not letters: a quarter less
    canvas = Canvas("maps.pdf", invariant=1)
    canvas.setTitle(title)
    canvas.setAuthor("")
    canvas.setSubject("")
    canvas.setCreator("farmgis")
    for k, sheet in enumerate(sheets, start=1):
        if step is not None:
            step(k, len(sheets))
        page = sheet.draw(f"{k} of {len(sheets)}")
        canvas.setPageSize((page.paper.width_mm * POINTS_PER_MM, page.paper.height_mm * POINTS_PER_MM))
        canvas.bookmarkPage(str(k))
        canvas.addOutlineEntry(sheet.title, str(k))
        page.draw(Pen(canvas))
        canvas.showPage()
    return DATE.sub(lambda found: b" " * len(found[0]), canvas.getpdfdata())


def _write_pixels(pdf: Path, folder: Path, pages: Sequence[int]) -> None:
    """Pages of a PDF, counted from 0, as PNG: one is drawn while another is packed."""
    from pypdfium2 import PdfDocument

    document, one_at_a_time = PdfDocument(pdf), Lock()  # the drawing library is not made for threads

    def write(k: int) -> None:
        with one_at_a_time:
            image = document[k].render(scale=PNG_DPI / 72.0).to_pil()
        image.save(folder / f"sheet-{k + 1:02d}.png", dpi=(PNG_DPI, PNG_DPI), compress_level=3)

    try:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(write, pages))
    finally:
        document.close()
