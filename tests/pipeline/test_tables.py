"""Tables are written whole or not at all, and read back as they were."""

from __future__ import annotations

from pathlib import Path

import pytest

from frametime.errors import OutputError
from frametime.pipeline.tables import open_journal, read_journal, read_table, replacing, write_table, write_text

COLUMNS = ("file", "status", "n_frames", "average_fps")
TEXT = frozenset({"file", "status"})
ROWS: list[dict[str, str | int | float | None]] = [
    {"file": "a, b.csv", "status": "measured", "n_frames": 12, "average_fps": 104.20000000000002},
    {"file": 'say "x"\nline', "status": "failed", "n_frames": None, "average_fps": None},
]


@pytest.mark.parametrize("ending", [".csv", ".jsonl", ".ndjson", ".parquet"])
def test_a_table_is_read_back_as_it_was(ending: str, tmp_path: Path) -> None:
    journal, out = tmp_path / "journal", tmp_path / f"runs{ending}"
    with open_journal(journal) as rows:
        for row in ROWS:
            rows.add(row)
    write_table(journal, out, columns=COLUMNS, text_columns=TEXT)
    assert list(read_table(out)) == ROWS


def test_a_cut_off_last_line_of_a_journal_is_passed_over(tmp_path: Path) -> None:
    journal = tmp_path / "journal"
    with open_journal(journal) as rows:
        for row in ROWS:
            rows.add(row)
    journal.write_bytes(journal.read_bytes()[:-3])
    assert list(read_journal(journal)) == ROWS[:1]


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


def test_a_foreign_file_is_no_earlier_table(tmp_path: Path) -> None:
    out = tmp_path / "runs.parquet"
    out.write_bytes(b"not a table")
    with pytest.raises(OutputError, match="not a table of an earlier batch"):
        list(read_table(out))
