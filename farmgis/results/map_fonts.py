"""The letters of the map sheets: DejaVu, which stands in the package, and what writes other scripts."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any

REGULAR, BOLD = "farmgis-sans", "farmgis-sans-bold"
OUR_FILES = {REGULAR: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}

# a name may be in any script: these are taken where the system has them
SYSTEM_FILES = (
    "NotoSansDevanagari-Regular.ttf", "NotoSansBengali-Regular.ttf", "NotoSansTamil-Regular.ttf",
    "NotoSansThai-Regular.ttf", "NotoSansEthiopic-Regular.ttf", "NotoSans-Regular.ttf", "Nirmala.ttf",
    "Nirmala.ttc", "Arial Unicode.ttf", "ArialUni.ttf", "wqy-zenhei.ttc", "msyh.ttc", "malgun.ttf",
)  # fmt: skip
SYSTEM_FOLDERS = ("/usr/share/fonts", "~/.local/share/fonts", "/Library/Fonts", "/System/Library/Fonts")

# fonts that a reader of PDF has of its own, each for the letters from .. to
EASTERN = (
    ("HeiseiKakuGo-W5", 0x3040, 0x30FF), ("HYGothic-Medium", 0xAC00, 0xD7A3),
    ("STSong-Light", 0x2E80, 0x9FFF), ("STSong-Light", 0xFF00, 0xFFEF),
)  # fmt: skip
RIGHT_TO_LEFT = (0x0590, 0x08FF)
JOINING = (0x0590, 0x1FFF)


@cache
def our_font(name: str) -> Any:
    """One of our fonts, made known to the writer of PDF."""
    return _registered(name, Path(__file__).parent / "fonts" / OUR_FILES[name])


def runs(text: str, bold: bool) -> list[tuple[str, str]]:
    """Text in runs, each with the name of the font that has its letters.

    >>> runs("Long Reach 1", bold=False)
    [('farmgis-sans', 'Long Reach 1')]
    """
    ours = BOLD if bold else REGULAR
    known = our_font(ours).face.charToGlyph
    if text.isascii() or all(ord(c) in known for c in text):
        return [(ours, text)] if text.isascii() else [(ours, part) for part in _by_direction(text)]
    made: list[tuple[str, str]] = []
    for font, letters in groupby(text, lambda c: ours if ord(c) in known else _other(ord(c)) or ours):
        made += [(font, part) for part in _by_direction("".join(letters))]
    return made


def text_width_pt(text: str, size_pt: float, bold: bool = False) -> float:
    """Width of a line of text. [pt]"""
    return sum(run_width_pt(shaped(part, font, size_pt), font, size_pt) for font, part in runs(text, bold))


def run_width_pt(run: str, font: str, size_pt: float) -> float:
    """Width of a run, as `shaped` gives it. [pt]"""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    put = getattr(run, "__shapeData__", None)
    thousandths = sum(float(letter.x_advance) for letter in put) if put else stringWidth(run, font, 1000.0)
    return float(thousandths) * size_pt / 1000.0


def shaped(text: str, font: str, size_pt: float) -> str:
    """A run as it is drawn: letters that join are joined, and stand to the left where they run so."""
    from reportlab.pdfbase.ttfonts import shapeStr

    if not any(JOINING[0] <= ord(c) <= JOINING[1] for c in text):
        return text
    made: str = shapeStr(text, font, size_pt)
    return made


def _by_direction(text: str) -> Iterator[str]:
    """Text cut where its direction turns."""
    words = text.split(" ")
    for _, group in groupby(words, _leftward):
        part = list(group)
        yield " ".join(part) + (" " if part[-1] is not words[-1] else "")


def _leftward(word: str) -> bool:
    return any(RIGHT_TO_LEFT[0] <= ord(c) <= RIGHT_TO_LEFT[1] for c in word)


@cache
def _other(letter: int) -> str | None:
    """The name of a font beside ours that has a letter; None where there is none."""
    from reportlab.pdfbase.cidfonts import UnicodeCIDFont
    from reportlab.pdfbase.pdfmetrics import registerFont

    for name, known in _system_fonts().items():
        if letter in known:
            return name
    for name, first, last in EASTERN:
        if first <= letter <= last:
            registerFont(UnicodeCIDFont(name))
            return name
    return None


@cache
def _system_fonts() -> dict[str, Any]:
    """The fonts of the system that are of use, each with the letters that it has."""
    from reportlab.pdfbase.ttfonts import TTFError

    folders = [Path(f).expanduser() for f in SYSTEM_FOLDERS]
    folders += [Path(os.environ["WINDIR"]) / "Fonts"] if "WINDIR" in os.environ else []
    files: dict[str, Path] = {}
    for folder in folders:
        for path in sorted(folder.rglob("*.tt[fc]")):
            files.setdefault(path.name.lower(), path)
    made = {}
    for name in SYSTEM_FILES:
        file = files.get(name.lower())
        if file is not None:
            with suppress(TTFError, OSError):
                made[file.stem] = _registered(file.stem, file).face.charToGlyph
    return made


def _registered(name: str, path: Path) -> Any:
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    made = TTFont(name, str(path))
    registerFont(made)
    return made
