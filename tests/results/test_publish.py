"""Publishing: whatever fails, the path holds the whole old file or the whole new one, and nothing else."""

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import fiona
import geopandas
import pyogrio
import pyogrio.raw
import pytest
from pyogrio.errors import DataSourceError

from farmgis.errors import OutputError
from farmgis.layers import LAYERS
from farmgis.results import publish as room
from farmgis.results.publish import publish


def fail_at(monkeypatch, owner, name, nth, problem):
    """Let the nth call fail, and count the calls."""
    real, calls = getattr(owner, name), []

    def failing(*args, **kwargs):
        calls.append(args)
        if len(calls) == nth:
            raise problem
        return real(*args, **kwargs)

    monkeypatch.setattr(owner, name, failing)
    return calls


@pytest.fixture(scope="session")
def old_bytes(tmp_path_factory, plan):
    """An older plan, with one block less."""
    path = tmp_path_factory.mktemp("old") / "plan.gpkg"
    frames = {"blocks": geopandas.read_file(plan, layer="blocks").iloc[:1]}
    return publish(path, frames, "EPSG:32633").read_bytes()


@pytest.fixture
def old(tmp_path, old_bytes):
    """The older plan in a folder of its own, beside a file that is none of our business."""
    (tmp_path / ".plan.partial-notes.txt").write_text("mine")
    (tmp_path / "plan.gpkg").write_bytes(old_bytes)
    return tmp_path / "plan.gpkg"


def blocks_in(path):
    with fiona.open(path, layer="blocks") as source:
        return len(source)


def names_in(folder):
    return sorted(file.name for file in folder.iterdir())


LEFT = [".plan.partial-notes.txt", "plan.gpkg"]


def test_publish_new_file(tmp_path, frames, crs):
    assert publish(tmp_path / "plan.gpkg", frames, crs) == tmp_path / "plan.gpkg"
    assert names_in(tmp_path) == ["plan.gpkg"]
    assert blocks_in(tmp_path / "plan.gpkg") == 2


def test_publish_existing_refused(old, frames, crs):
    before = old.read_bytes()
    with pytest.raises(OutputError, match="--overwrite"):
        publish(old, frames, crs)
    assert old.read_bytes() == before
    assert names_in(old.parent) == LEFT


def test_publish_existing_replaced(old, frames, crs):
    publish(old, frames, crs, overwrite=True)
    assert blocks_in(old) == 2
    assert names_in(old.parent) == LEFT


def test_publish_again_same_bytes(tmp_path, frames, crs):
    first = publish(tmp_path / "plan.gpkg", frames, crs).read_bytes()
    assert publish(tmp_path / "plan.gpkg", frames, crs, overwrite=True).read_bytes() == first


@pytest.mark.parametrize("nth", [1, 2, 11, len(LAYERS)])
def test_publish_writer_fails_old_whole(monkeypatch, old, frames, crs, nth):
    before = old.read_bytes()
    fail_at(monkeypatch, pyogrio.raw, "write", nth, DataSourceError("disk full"))
    with pytest.raises(OutputError, match=r"disk full.*whole and as it was"):
        publish(old, frames, crs, overwrite=True)
    assert old.read_bytes() == before
    assert names_in(old.parent) == LEFT


@pytest.mark.parametrize(
    ("name", "problem"),
    [("fsync", OSError(28, "No space left on device")), ("replace", PermissionError(13, "in use"))],
)
def test_publish_system_fails_old_whole(monkeypatch, old, frames, crs, name, problem):
    before = old.read_bytes()
    calls = fail_at(monkeypatch, os, name, 1, problem)
    with pytest.raises(OutputError, match="whole and as it was"):
        publish(old, frames, crs, overwrite=True)
    assert len(calls) == 1
    assert old.read_bytes() == before
    assert names_in(old.parent) == LEFT


@pytest.mark.skipif(os.name != "posix", reason="folders cannot be synced elsewhere")
def test_publish_folder_sync_fails_new_whole_and_said(monkeypatch, old, frames, crs):
    fail_at(monkeypatch, os, "fsync", 2, OSError(5, "Input/output error"))
    with pytest.raises(OutputError, match="new plan is in its place"):
        publish(old, frames, crs, overwrite=True)
    assert blocks_in(old) == 2
    assert names_in(old.parent) == LEFT


def test_publish_interrupted_old_whole(monkeypatch, old, frames, crs):
    before = old.read_bytes()
    fail_at(monkeypatch, pyogrio.raw, "write", 5, KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt):
        publish(old, frames, crs, overwrite=True)
    assert old.read_bytes() == before
    assert names_in(old.parent) == LEFT


def test_publish_row_lost_is_seen(monkeypatch, old, frames, crs):
    before, real = old.read_bytes(), room.write_layers

    def losing(path, frames, crs, about):
        real(path, {**frames, "quantities": frames["quantities"].iloc[:1]}, crs)

    monkeypatch.setattr(room, "write_layers", losing)
    with pytest.raises(OutputError, match="'quantities' lost some of its 2 rows"):
        publish(old, frames, crs, overwrite=True)
    assert old.read_bytes() == before


def test_publish_damage_is_seen(monkeypatch, old, frames, crs):
    before, real = old.read_bytes(), room.write_layers

    def damaging(path, frames, crs, about):
        real(path, frames, crs)
        with open(path, "r+b") as file:
            file.seek(4096 * 12)
            file.write(b"\xff" * 4096 * 8)

    monkeypatch.setattr(room, "write_layers", damaging)
    with pytest.raises(OutputError, match="whole and as it was"):
        publish(old, frames, crs, overwrite=True)
    assert old.read_bytes() == before
    assert names_in(old.parent) == LEFT


KILLED = """
import os, signal, sys
import pyogrio.raw
from farmgis.results.publish import publish
real, calls = pyogrio.raw.write, []
def dying(*args, **kwargs):
    calls.append(1)
    if len(calls) == 4:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(*args, **kwargs)
pyogrio.raw.write = dying
publish(sys.argv[1], {}, "EPSG:32633", overwrite=True)
"""


@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
def test_publish_killed_old_whole_and_swept_up_next_time(old, frames, crs):
    before = old.read_bytes()
    done = subprocess.run([sys.executable, "-c", KILLED, str(old)], capture_output=True, check=False)
    assert done.returncode == -9
    assert old.read_bytes() == before
    assert len(names_in(old.parent)) == 3  # the dead run's partial
    publish(old, frames, crs, overwrite=True)
    assert names_in(old.parent) == LEFT


def test_publish_partial_of_a_living_run_left_alone(tmp_path, frames, crs):
    living = tmp_path / room._partial_name(tmp_path / "plan.gpkg", os.getppid(), "0123abcd")
    living.write_bytes(b"at work")
    publish(tmp_path / "plan.gpkg", frames, crs)
    assert living.read_bytes() == b"at work"


@pytest.mark.parametrize("lock", ["IMMEDIATE", "EXCLUSIVE"])
def test_publish_target_being_written_refused(old, frames, crs, lock):
    before = old.read_bytes()
    other = sqlite3.connect(old, isolation_level=None)
    try:
        other.execute(f"BEGIN {lock}")
        with pytest.raises(OutputError, match="another program"):
            publish(old, frames, crs, overwrite=True)
    finally:
        other.close()
    assert old.read_bytes() == before
    assert names_in(old.parent) == LEFT


@pytest.mark.parametrize("ending", ["-journal", "-wal"])
def test_publish_target_with_journal_refused(old, frames, crs, ending):
    # the next program to open the new file would play the old file's journal into it
    old.with_name(old.name + ending).write_bytes(b"pages")
    with pytest.raises(OutputError, match=r"stands beside it.*whole and as it was"):
        publish(old, frames, crs, overwrite=True)
    assert blocks_in_copy(old) == 1


def blocks_in_copy(path: Path):
    copy = path.with_name("copy.gpkg")
    copy.write_bytes(path.read_bytes())
    return blocks_in(copy)


def test_publish_target_no_database_replaced(tmp_path, frames, crs):
    (tmp_path / "plan.gpkg").write_bytes(b"half a download")
    publish(tmp_path / "plan.gpkg", frames, crs, overwrite=True)
    assert blocks_in(tmp_path / "plan.gpkg") == 2


@pytest.mark.parametrize(
    ("name", "words"),
    [("plan.shp", "named .gpkg"), ("nowhere/plan.gpkg", "no folder"), ("folder.gpkg", "no file")],
)
def test_publish_target_of_no_use_refused(tmp_path, frames, crs, name, words):
    (tmp_path / "folder.gpkg").mkdir()
    with pytest.raises(OutputError, match=words):
        publish(tmp_path / name, frames, crs, overwrite=True)
    assert names_in(tmp_path) == ["folder.gpkg"]


def test_publish_long_and_foreign_name(tmp_path, frames, crs):
    path = tmp_path / ("ø" * 120 + ".gpkg")  # 245 bytes: the hidden name must stay under 255
    assert blocks_in(publish(path, frames, crs)) == 2
    assert names_in(tmp_path) == [path.name]
