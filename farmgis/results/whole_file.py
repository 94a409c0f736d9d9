"""Plain files beside a plan, each written whole or not at all."""

from __future__ import annotations

import os
import secrets
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from farmgis.errors import OutputError


def check_file(path: Path | str, overwrite: bool = False) -> None:
    """Refuse, with an OutputError, a file that cannot or must not be written."""
    target = Path(path)
    if not target.parent.is_dir():
        raise OutputError(f"{target}: there is no folder {target.parent}; make it, or name another")
    if target.is_dir():
        raise OutputError(f"{target}: this is a folder; name a file")
    if target.exists() and not overwrite:
        raise OutputError(f"{target}: it is there already; add --overwrite to replace it, or name another")


def write_whole(path: Path | str, content: bytes, overwrite: bool = False) -> Path:
    """Put a file in its place: what stands there is the old one or the whole new one."""
    target = Path(path)
    check_file(target, overwrite)
    partial = target.with_name(f".{target.stem[:80]}.partial-{os.getpid()}-{secrets.token_hex(4)}")
    try:
        with partial.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(partial, target)
    except OSError as problem:
        raise OutputError(f"{target}: it could not be written: {problem}") from problem
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
    return target


def remove(path: Path) -> None:
    """Take away the file of an older plan that has no successor. Raises OutputError."""
    try:
        path.unlink(missing_ok=True)
    except OSError as problem:
        raise OutputError(f"{path}: it could not be removed: {problem}") from problem


def csv_text(columns: Sequence[str], rows: Sequence[Sequence[object]]) -> bytes:
    """Rows as CSV (RFC 4180), UTF-8; text that a spreadsheet takes for a formula gets a blank before it."""
    import csv
    import io

    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows([[plain_cell(v) for v in row] for row in rows])
    return text.getvalue().encode("utf-8")


def plain_cell(value: object) -> object:
    """A cell that no spreadsheet runs: None as nothing, text that begins like a formula behind a blank.

    >>> plain_cell("=1+1"), plain_cell(-2.5), plain_cell(None)
    (' =1+1', -2.5, '')
    """
    if value is None or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return f" {value}"
    return value
