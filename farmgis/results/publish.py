"""A plan's file put in its place whole: what stands at the path is the old plan or the new one.

The new file is built beside the target under a hidden name, checked, synced, and renamed over it.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import shutil
import socket
import sqlite3
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from pyogrio.errors import DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError

from ..errors import FarmgisError, OutputError
from ..layers import LAYERS
from .geopackage import Frames, write_layers

SIDE_FILES = ("-journal", "-wal", "-shm")  # what SQLite may leave beside a file
LITTLE_SPACE = 5_000_000  # bytes; less than an empty plan and its journal need in comfort
HOST = hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]
WRITE_ERRORS = (
    OSError, sqlite3.Error, DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError
)  # fmt: skip


def publish(
    path: Path | str,
    frames: Frames,
    crs: object,
    overwrite: bool = False,
    about: Mapping[str, Any] | None = None,
) -> Path:
    """Write a plan to `path`, whole or not at all, and return where it stands.

    `about` is what the plan tells beside its layers; it goes into the file's metadata.

    OutputError when the target is there and `overwrite` is not given, when another program has it open,
    or when the new file cannot be written and checked; the message says what became of the old file.
    """
    target = Path(path).resolve()
    check_target(target, overwrite)
    partial = target.with_name(_partial_name(target, os.getpid(), secrets.token_hex(4)))
    try:
        _remove_dead_partials(target)
        write_layers(partial, frames, crs, about)
        _check(partial, target, {name: len(frames[name]) if name in frames else 0 for name in LAYERS})
        _sync(partial)
        check_target(target, overwrite)  # again: the writing took its time
        os.replace(partial, target)
    except FarmgisError:
        raise
    except WRITE_ERRORS as problem:
        why = _why(target.parent)
        raise OutputError(
            f"{target}: the plan could not be written: {problem}{why}. {_old(target)}"
        ) from problem
    finally:
        _remove(partial)
    _sync_folder(target)
    return target


def check_target(path: Path | str, overwrite: bool = False) -> None:
    """Refuse, with an OutputError, a target that a plan cannot or must not be written to.

    Call it before a long computation: it says early what `publish` would say late.
    """
    target = Path(path).resolve()
    if target.suffix != ".gpkg":
        raise OutputError(f"{target}: a plan's file must be named .gpkg")
    if not target.parent.is_dir():
        raise OutputError(f"{target}: there is no folder {target.parent}; make it, or name another")
    if not target.exists():
        _refuse_leftover_journal(target)
        return
    if not target.is_file():
        raise OutputError(f"{target}: this is no file; give the plan another name")
    if not overwrite:
        raise OutputError(f"{target}: it is there already; add --overwrite to replace it, or name another")
    _refuse_leftover_journal(target)
    _refuse_locked(target)


# ---- a target in use -------------------------------------------------------------------------------


def _refuse_leftover_journal(target: Path) -> None:
    """A journal beside the target would be played into the new file by the next program that opens it."""
    for ending in SIDE_FILES[:2]:
        journal = target.with_name(target.name + ending)
        if journal.exists():
            raise OutputError(
                f"{target}: {journal.name} stands beside it: another program has the file open, or "
                f"died in it. Close it there, or open and close it once in a GIS viewer. {_old(target)}"
            )


def _refuse_locked(target: Path) -> None:
    """A program that is writing to the old file would leave its journal beside the new one."""
    try:
        connection = sqlite3.connect(
            f"{target.as_uri()}?mode=rw", uri=True, timeout=0.0, isolation_level=None
        )
        try:
            connection.execute("BEGIN IMMEDIATE")
            connection.execute("ROLLBACK")
        finally:
            connection.close()
    except sqlite3.Error as problem:
        if getattr(problem, "sqlite_errorname", "").startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            raise OutputError(
                f"{target}: another program is writing to it; close it there and try again. {_old(target)}"
            ) from problem
        # anything else, such as a file that is no database, does not stand in the way of replacing it


def _why(folder: Path) -> str:
    """What the folder tells about a failure; the libraries below often do not."""
    if not os.access(folder, os.W_OK):
        return f" (the folder {folder} cannot be written to)"
    with suppress(OSError):
        left = shutil.disk_usage(folder).free
        if left < LITTLE_SPACE:
            return f" (the disk is full: {left / 1e6:.1f} MB left)"
    return ""


def _old(target: Path) -> str:
    if target.exists():
        return "The file that was there is whole and as it was."
    return "No file is left there."


# ---- the new file ----------------------------------------------------------------------------------


def _check(partial: Path, target: Path, expected: Mapping[str, int]) -> None:
    """Read the new file back: sound, every layer there, every row in it, every shape in its index."""
    connection = sqlite3.connect(partial)
    try:
        (verdict,) = connection.execute("PRAGMA integrity_check").fetchone()
        if verdict != "ok" or connection.execute("PRAGMA foreign_key_check").fetchone():
            raise OutputError(f"{target}: the new file came out damaged ({verdict}). {_old(target)}")
        written = {name for (name,) in connection.execute("SELECT table_name FROM gpkg_contents")}
        for name, rows in expected.items():
            if name not in written or _count(connection, f'"{name}"') != rows:
                raise OutputError(f"{target}: layer {name!r} lost some of its {rows} rows. {_old(target)}")
            if LAYERS[name].geometry:
                shapes = _count(connection, f'"{name}" WHERE geom IS NOT NULL')
                if _count(connection, f'"rtree_{name}_geom"') != shapes:
                    raise OutputError(f"{target}: layer {name!r} lost some of its shapes. {_old(target)}")
    finally:
        connection.close()


def _count(connection: sqlite3.Connection, what: str) -> int:
    # `what` is made of the contract's own layer names, never of data
    (count,) = connection.execute(f"SELECT count(*) FROM {what}").fetchone()
    return int(count)


def _sync(partial: Path) -> None:
    with partial.open("r+b") as file:
        os.fsync(file.fileno())


def _sync_folder(target: Path) -> None:
    if os.name != "posix":  # folders cannot be opened elsewhere
        return
    try:
        folder = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as problem:
        raise OutputError(
            f"{target}: the new plan is in its place, but the disk did not confirm it: {problem}"
        ) from problem


# ---- hidden names ----------------------------------------------------------------------------------


def _stem(target: Path) -> str:
    """The target's stem, or a stand-in where the hidden name would be too long for a file system."""
    stem = target.stem
    return stem if len(stem.encode()) <= 150 else hashlib.sha256(stem.encode()).hexdigest()[:32]


def _partial_name(target: Path, pid: int, token: str) -> str:
    return f".{_stem(target)}.partial-{HOST}-{pid}-{token}.gpkg"


def _remove_dead_partials(target: Path) -> None:
    """Remove what earlier runs for this target, on this machine and dead by now, left behind."""
    name = re.compile(
        rf"\.{re.escape(_stem(target))}\.partial-{HOST}-(\d+)-[0-9a-f]{{8}}\.gpkg(?:-journal|-wal|-shm)?"
    )
    for file in target.parent.iterdir():
        match = name.fullmatch(file.name)
        if match and file.is_file() and not _lives(int(match[1])):
            with suppress(OSError):  # a leftover harms nobody
                file.unlink()


def _lives(pid: int) -> bool:
    if os.name != "posix":  # elsewhere one cannot ask without harm: take it for alive
        return True
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True


def _remove(partial: Path) -> None:
    for file in (partial, *(partial.with_name(partial.name + ending) for ending in SIDE_FILES)):
        with suppress(OSError):  # where nothing can be written, nothing was
            file.unlink()
