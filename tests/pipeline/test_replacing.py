"""Files and folders are put in place whole or not at all."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from frametime.errors import OutputError
from frametime.pipeline.replacing import clear_leftovers, replacing, replacing_folder, write_text


def test_a_failed_write_leaves_the_old_file_and_no_other(tmp_path: Path) -> None:
    out = tmp_path / "result.txt"
    out.write_text("old")
    with pytest.raises(RuntimeError), replacing(out) as temporary:
        temporary.write_text("half")
        raise RuntimeError
    assert out.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["result.txt"]


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot write here"):
        write_text(tmp_path / "missing" / "a.txt", "x")


def test_a_folder_takes_the_place_of_another(tmp_path: Path) -> None:
    out = tmp_path / "runs"
    for number in range(2):
        with replacing_folder(out) as making:
            (making / f"{number}.txt").write_text("x")
    assert [path.name for path in tmp_path.rglob("*")] == ["runs", "1.txt"]
    (tmp_path / "other").mkdir()
    assert stat.S_IMODE(out.stat().st_mode) == stat.S_IMODE((tmp_path / "other").stat().st_mode)


def test_a_failed_folder_leaves_the_old_one_and_no_other(tmp_path: Path) -> None:
    out = tmp_path / "runs"
    out.mkdir()
    (out / "old.txt").write_text("x")
    with pytest.raises(RuntimeError), replacing_folder(out) as making:
        (making / "new.txt").write_text("half")
        raise RuntimeError
    assert [path.name for path in tmp_path.rglob("*")] == ["runs", "old.txt"]


def test_only_what_the_same_output_left_is_removed(tmp_path: Path) -> None:
    for name in (".runs.abcdefgh.part", ".runs.abcdefgh.old", ".runs.csv.abcdefgh.part", ".runs.abcdefgh.txt"):
        (tmp_path / name).mkdir()
    (tmp_path / ".runs.ijklmnop.part").write_text("x")
    clear_leftovers(tmp_path / "runs")
    assert sorted(path.name for path in tmp_path.iterdir()) == [".runs.abcdefgh.txt", ".runs.csv.abcdefgh.part"]
