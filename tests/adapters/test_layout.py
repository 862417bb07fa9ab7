"""Layout files: every error names the file, the line or key, what was found and what is allowed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.adapters.columns.layout import CHOICES, Layout
from frametime.errors import LayoutError

REFS = st.one_of(st.none(), st.text(st.characters(blacklist_categories=("Cs",)), max_size=20), st.integers(1, 2000))
UNITS = st.sampled_from([None, "s", "ms", "us", "ns", "100ns", "fps", "h:m:s", "iso8601"])


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    column = draw(REFS)
    return Layout(
        time_column=draw(REFS),
        unit=draw(UNITS),
        kind=draw(st.sampled_from([None, *CHOICES["kind"]])),
        gpu_work_column=column,
        gpu_work_unit=None if column is None else draw(UNITS),
        delimiter=draw(st.sampled_from([None, *CHOICES["delimiter"]])),
        encoding=draw(st.sampled_from([None, *CHOICES["encoding"]])),
        header_line=draw(st.one_of(st.none(), st.integers(0, 10**6))),
        first_data_line=draw(st.one_of(st.none(), st.integers(1, 10**6))),
    )


@given(layouts())
def test_what_is_written_is_read_back(layout: Layout) -> None:
    assert Layout.from_toml(layout.to_toml(), "again") == layout


@given(layouts(), st.text(max_size=40))
def test_comments_change_nothing(layout: Layout, comment: str) -> None:
    keys = ("time_column", "unit", "delimiter", "header_line")
    assert Layout.from_toml(layout.to_toml(comments=dict.fromkeys(keys, comment)), "again") == layout


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('time_colum = "t"', "bench.toml: line 1: unknown key 'time_colum'; did you mean 'time_column'?"),
        ('unit = "ms"\nfoo = 1', "bench.toml: line 2: unknown key 'foo'; known keys are time_column, unit"),
        ('unit = "furlong"', 'line 1: unit is "furlong"; allowed: one of s, ms, us, ns'),
        ('units_line = 2\nunit = "furlong"', 'line 2: unit is "furlong"'),
        ("unit = 5", "line 1: unit is 5; allowed: one of s, ms, us, ns"),
        ('kind = "frametime"', 'kind is "frametime"; allowed: one of "timestamp", "frame time", "rate"'),
        ('delimiter = "::"', 'delimiter is "::"; allowed: one of'),
        ("header_line = -1", "header_line is -1; allowed: a line number from 0"),
        ("first_data_line = 0", "first_data_line is 0; allowed: a line number from 1"),
        ("header_line = true", "header_line is true; allowed: a line number from 0"),
        ("time_column = 0", "time_column is 0; allowed: the name of a column in quotes, or its position"),
        ("time_column = 1.5", "time_column is 1.5"),
        ("time_column = [1]", "time_column is [1]"),
        ('\n\ngpu_work_unit = "ms"', "line 3: gpu_work_unit is given without gpu_work_column"),
        ('delimiter = ","\ndecimal = ","\nquote = "none"', "delimiter and decimal are both ','"),
        ("unit = ", "bench.toml: this is not TOML"),
        ("a" * 70_000, "a layout is a few lines long"),
    ],
)
def test_errors(text: str, says: str) -> None:
    with pytest.raises(LayoutError) as caught:
        Layout.from_toml(text, "bench.toml")
    assert says in str(caught.value)
    assert str(caught.value).startswith("bench.toml: ")


def test_a_byte_order_mark_is_no_fault() -> None:
    assert Layout.from_toml('\ufeffunit = "ms"', "bench.toml") == Layout(unit="ms")
