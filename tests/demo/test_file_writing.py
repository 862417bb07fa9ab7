"""Writing: nothing is lost, nothing is left half written."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from frametime.demo.demo_files import gzip_bytes, write_files
from frametime.errors import OutputError


def test_files_and_folders_are_made(tmp_path: Path) -> None:
    write_files(tmp_path / "new", {"a/b.csv": b"1\n", "c.toml": b"2\n"}, force=False)
    assert (tmp_path / "new" / "a" / "b.csv").read_bytes() == b"1\n"
    assert (tmp_path / "new" / "c.toml").read_bytes() == b"2\n"
    assert sorted(path.name for path in (tmp_path / "new").rglob("*") if path.is_file()) == ["b.csv", "c.toml"]


def test_nothing_is_written_where_one_file_exists(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_bytes(b"mine")
    with pytest.raises(OutputError, match=r"c\.toml: the file exists; --force replaces it"):
        write_files(tmp_path, {"a.csv": b"1", "c.toml": b"2"}, force=False)
    (tmp_path / "d.csv").write_bytes(b"mine too")
    with pytest.raises(OutputError, match=r"c\.toml: the file and 1 more exist; --force"):
        write_files(tmp_path, {"a.csv": b"1", "c.toml": b"2", "d.csv": b"3"}, force=False)
    assert (tmp_path / "c.toml").read_bytes() == b"mine"
    assert not (tmp_path / "a.csv").exists()


def test_what_an_interrupted_run_has_begun_the_next_one_ends(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_bytes(b"2")
    (tmp_path / ".c.toml.abcdefgh.part").write_bytes(b"")
    write_files(tmp_path, {"a.csv": b"1", "c.toml": b"2"}, force=False)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.csv", "c.toml"]
    assert (tmp_path / "a.csv").read_bytes() == b"1"
    write_files(tmp_path, {"a.csv": b"1", "c.toml": b"2"}, force=False)


def test_force_overwrites_and_leaves_other_files_alone(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_bytes(b"old")
    (tmp_path / "notes.txt").write_bytes(b"mine")
    write_files(tmp_path, {"c.toml": b"new"}, force=True)
    assert (tmp_path / "c.toml").read_bytes() == b"new"
    assert (tmp_path / "notes.txt").read_bytes() == b"mine"


def test_a_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "taken").write_bytes(b"mine")
    with pytest.raises(OutputError, match="this is a file, not a folder"):
        write_files(tmp_path / "taken", {"a.csv": b"1"}, force=True)
    assert (tmp_path / "taken").read_bytes() == b"mine"


def test_gzip_holds_neither_time_nor_name() -> None:
    stored = gzip_bytes(b"8000\n" * 100)
    assert gzip.decompress(stored) == b"8000\n" * 100
    # RFC 1952: bytes 4 to 7 are the time, bit 3 of byte 3 says that a name follows.
    assert stored[4:8] == b"\0\0\0\0"
    assert not stored[3] & 0b1000
