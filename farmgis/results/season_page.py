"""The season drawn: each source's supply against demand, each block's water, and the years behind them.

One HTML file without scripts that opens with no network. It is made when a plan is made: its days are not
in the layers.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path

from farmgis.records import Plan
from farmgis.results.hand_over import check_files
from farmgis.results.season_chart import block_chart, crop_years_chart, source_chart, source_years_chart
from farmgis.results.whole_file import remove, write_whole

SEASON_FILE = "season.html"

POLICY = "default-src 'none'; style-src 'unsafe-inline'"
STYLE = (
    "body{font:15px/1.5 sans-serif;color:#2b2b2b;max-width:62rem;margin:1.5rem auto;padding:0 1rem}"
    "svg{max-width:100%;height:auto}h1,h2{line-height:1.2;break-after:avoid}"
    "figure{margin:0 0 1.5rem;break-inside:avoid}"
    "@media screen and (max-width:44rem){figure{overflow-x:auto}svg{width:44rem;max-width:none}}"
)
"""On a phone a chart keeps a size in which it can be read, and is moved sideways."""


def season_page(plan: Plan) -> str | None:
    """The page, or None where no season was computed for the place."""
    series = plan.series
    if not series.blocks:
        return None
    parts = [
        _part("Sources", [source_chart(s) for s in series.sources]),
        _part("Blocks", [block_chart(b) for b in series.blocks]),
        _part(
            "Years",
            [
                *(crop_years_chart(y) for y in series.crop_years),
                *(source_years_chart(y) for y in series.source_years),
            ],
        ),
    ]
    name = escape(plan.name)
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        f"<title>{name}: the season</title><style>{STYLE}</style></head>\n"
        f"<body><h1>{name}: the season</h1>"
        "<p>Days are those of the design year, or of this year where its weather was given. The soil on "
        "the day decides, not the calendar: look at the field first.</p>\n"
        + "".join(parts)
        + "</body></html>\n"
    )


def _part(title: str, charts: Sequence[str]) -> str:
    if not charts:
        return ""
    return f"<h2>{title}</h2>\n" + "".join(f'<figure tabindex="0">{chart}</figure>\n' for chart in charts)


def check_season(folder: Path, overwrite: bool) -> None:
    """Refuse, with an OutputError, a folder in which the season's page may not be written."""
    check_files(folder, (SEASON_FILE,), overwrite)


def write_season(plan: Plan, folder: Path, overwrite: bool = False) -> Path | None:
    """Write the page, whole or not at all; None where there is none, and then none is left there."""
    check_season(folder, overwrite)
    page = season_page(plan)
    if page is None:
        remove(folder / SEASON_FILE)
        return None
    return write_whole(folder / SEASON_FILE, page.encode("utf-8"), overwrite)
