"""The journal of a batch: whole rows only, kept over any number of stops."""

from __future__ import annotations

from pathlib import Path

import pytest

from frametime.errors import OutputError
from frametime.pipeline.tables import Row, journal_rows, open_journal, row_at

ROWS: list[Row] = [{"file": f"run{number} é.csv", "average_fps": number / 3} for number in range(3)]
CALL: Row = {"captures": "logs", "parameters": "0123"}


def write(path: Path, rows: list[Row], *, keep: bool = False) -> list[int]:
    with open_journal(path, call=CALL, keep=keep) as add:
        return [add(row) for row in rows]


def rows_in(path: Path) -> list[Row]:
    """The rows after the first, which says what was asked for."""
    call, *rows = (row for _, row in journal_rows(path))
    assert call == CALL
    return rows


def test_rows_are_found_by_their_places(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    places = write(path, ROWS[:2]) + write(path, ROWS[2:], keep=True)
    with path.open("rb") as stream:
        assert [row_at(stream, place) for place in reversed(places)] == ROWS[::-1]
    assert list(journal_rows(path))[1:] == list(zip(places, ROWS, strict=True))


def test_a_new_journal_forgets_and_a_kept_one_does_not(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, ROWS[:1], keep=True)
    write(path, ROWS[1:2], keep=True)
    assert rows_in(path) == ROWS[:2]
    write(path, ROWS[2:])
    assert rows_in(path) == ROWS[2:]


@pytest.mark.parametrize(("lost", "n_left"), [(1, 2), (3, 1), (30, 1)])
def test_a_cut_off_last_line_goes_and_the_next_row_is_whole(lost: int, n_left: int, tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, ROWS[:2])
    path.write_bytes(path.read_bytes()[:-lost])
    assert rows_in(path) == ROWS[:n_left]
    write(path, ROWS[2:], keep=True)
    assert rows_in(path) == [*ROWS[:n_left], ROWS[2]]


@pytest.mark.parametrize(
    "damage", [b'{"file": \n', b"\0" * 100 + b"\n", b"\xff\xfe\n", b"[1]\n", b"\n", b"9" * 5000 + b"\n"]
)
def test_a_damaged_line_takes_no_other_with_it(damage: bytes, tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, ROWS[:1])
    with path.open("ab") as stream:
        stream.write(damage)
    write(path, ROWS[1:], keep=True)
    assert rows_in(path) == ROWS


def test_a_long_tail_takes_no_row_with_it(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, ROWS[:1])
    with path.open("ab") as stream:
        stream.write(b"\0" * 200_000)
    write(path, ROWS[1:], keep=True)
    assert rows_in(path) == ROWS
    path.write_bytes(b"x" * 200_000)
    write(path, ROWS, keep=True)
    assert rows_in(path) == ROWS


def test_a_journal_of_another_call_is_not_gone_on_with(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    write(path, ROWS[:1])
    before = path.read_bytes()
    with (
        pytest.raises(OutputError, match="unfinished batch of other captures or parameters"),
        open_journal(path, call={**CALL, "captures": "others"}, keep=True),
    ):
        pass
    assert path.read_bytes() == before
    with open_journal(path, call={**CALL, "captures": "others"}):  # begun anew
        pass
    assert [row for _, row in journal_rows(path)] == [{**CALL, "captures": "others"}]
