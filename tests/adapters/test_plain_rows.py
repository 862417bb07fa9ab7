"""Rows of nothing but plain numbers are taken apart by a way of their own: what is found is what the long way finds."""

from __future__ import annotations

import io

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from frametime.adapters.base import ReadOptions
from frametime.adapters.text import text_rows
from frametime.adapters.text.dialect import detect_dialect
from frametime.adapters.text.text_rows import Marks
from frametime.adapters.text.text_source import open_text
from frametime.errors import ReadError

ABOVE = (
    "# made by hand",
    "card: A",
    "1920,1080",
    "settings = high",
    "a,b",
    "",
    "sep=;",
    '"x, ""y"',
    "[ms];[-]",
    "t;u",
    "p;q;r;s",
)
ODD = ("", "n/a", "-1", "+3", "1e3", "5.", " 7", "1:02.5", '"1"', "1" * 70, "'", ', "c"', "2026-01-02 03:04")


@st.composite
def texts(draw: st.DrawFn) -> str:
    delimiter = draw(st.sampled_from((",", ",", ";", "\t", "|", " ", "")))
    n_columns = draw(st.integers(1, 4)) if delimiter else 1
    end = draw(st.sampled_from(("\n", "\n", "\r\n", "\r")))
    cell = draw(st.sampled_from(("{}", "{}.25", "{}234", "-{}")))
    rows = [[cell.format(n + 1)] * n_columns for n in range(draw(st.sampled_from((3, 64, 85, 90, 400))))]
    for at in draw(st.lists(st.integers(0, 500), max_size=2)):
        rows[at % len(rows)][at % n_columns] = draw(st.sampled_from(ODD))
    header = [delimiter.join(("time (ms)", "frame", "card work (ms)", "fan")[:n_columns])] * draw(st.integers(0, 1))
    above = draw(st.lists(st.sampled_from(ABOVE), max_size=3)) * draw(st.sampled_from((1, 1, 8)))
    below = draw(st.sampled_from(("", "", "total,12", "\n\nend", "9", "\0\0")))
    return end.join((*above, *header, *map(delimiter.join, rows), below))


def found(text: str) -> object:
    """The dialect; rows of the end by their cells alone, for their lines count from where looking began."""
    options = ReadOptions(max_columns=60)
    try:
        dialect = detect_dialect(open_text(io.BytesIO(text.encode()), options), options)
    except ReadError as error:
        return str(error)
    return dialect._replace(tail=()), [row.cells for row in dialect.tail][-60:]


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
@given(text=texts())
@example(text="a,b\n" + "1,2\n" * 100 + '3, "4"\n')
@example(text="# made by hand\n" + "1,234,567\n" * 100)
@example(text=";".join("abcdefg" * 9) + "\ntime (ms)\n" + "16\n" * 100)
@example(text="time (ms)\n" + "16\n" * 90 + "17")
@example(text="a,b\n,\n" + "1,2\n" * 100)
@example(text="a,b\n" + "1,2\n" * 300 + '3,"4\n' + "5,6\n" * 100)
def test_both_ways_find_the_same(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    quick = found(text)
    with monkeypatch.context() as patched:
        patched.setattr(Marks, "plain_rows", lambda *_: ())
        assert quick == found(text)


@pytest.mark.parametrize("number", ["1", "-1.5", "+0.25", "123456789"])
def test_a_line_of_numbers_is_taken_apart(number: str) -> None:
    rows = Marks(";", "").plain_rows(f"{number};7\n8;9\r\n", 2)
    assert rows == (text_rows.Row(1, 2, (number, "7")), text_rows.Row(2, 3, ("8", "9")))


@pytest.mark.parametrize("line", ["1,2", "1;2;3", "1;", ";1", "1;1e3", "1;2 ", '"1";2', "1;5.", f"1;{'1' * 65}"])
def test_any_other_line_is_not(line: str) -> None:
    assert Marks(";", '"').plain_rows(f"1;2\n{line}\n", 2) == ()
