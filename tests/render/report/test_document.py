"""Parts of a document: how numbers, changes and caveats are put into words."""

from __future__ import annotations

import pytest

from frametime.caveats import Caveat, Weight
from frametime.render.report.document import Cell, Column, Row, Table
from frametime.render.report.document_parts import (
    NoteList,
    by_weight,
    change,
    change_range,
    estimate_line,
    missing,
    strip_reach,
)
from frametime.render.report.review_report import flat
from frametime.statistics.differences import Interval


def interval(low: float, high: float) -> Interval:
    return Interval(low=low, high=high, level=0.95, method="made up")


def test_a_table_refuses_a_row_of_another_width() -> None:
    with pytest.raises(ValueError, match="rows of 'cells' must have 2 cells, got 1"):
        Table(
            key="cells",
            caption="",
            columns=(Column(heading="a"), Column(heading="b")),
            rows=(Row(cells=(Cell(content=("x",)),)),),
        )


def test_a_change_and_its_interval_have_one_decimal() -> None:
    assert change(1.0234, "ratio").text == "+2.3 %"
    shown = change_range(interval(0.9876, 1.0234), "x")
    assert shown.text == "\N{MINUS SIGN}1.2 to +2.3 %"


def test_no_number_is_never_zero_and_says_why() -> None:
    shown = change(None, "ratio", reason="cedar has no run")
    assert (shown.text, shown.value, shown.reason) == ("n/a", None, "cedar has no run")
    notes = NoteList()
    assert notes.why(shown, missing("cedar has no run"), change(1.0, "ratio")) == (1,)
    assert [note.text for note in notes.notes] == ["n/a: cedar has no run"]


def test_an_estimate_without_interval_stands_alone() -> None:
    assert [part.text for part in estimate_line(102.5, None, "e") if not isinstance(part, str)] == ["102.5"]
    with_interval = estimate_line(102.5, interval(101.23, 103.77), "e")
    assert [part.text for part in with_interval if not isinstance(part, str)] == ["102.5", "101.2 to 103.8"]


def test_each_caveat_has_one_number_in_a_table() -> None:
    first = Caveat(code="gap", message="no frame for 3 s")
    second = Caveat(code="cap", message="the rate is capped", weight=Weight.REPEAT)
    notes = NoteList()
    assert notes.of([first, second, first]) == (1, 2)
    assert notes.of([second]) == (2,)
    assert [note.weight for note in by_weight([first, second, first])] == ["repeat", "care"]


def test_the_scale_of_a_strip_holds_twice_the_margin() -> None:
    assert strip_reach([], margin=0.03) == 1.1
    assert strip_reach([None, 1.3], margin=0.2) == 1.5
    assert strip_reach([0.4, 1.3], margin=0.2) == 3.0


def test_a_plan_is_listed_flat() -> None:
    plan = {"cuts": [], "cards": [{"key": "a", "price": None}], "running": {"hours": 3.0, "on": True}}
    assert flat(plan) == [
        ("cuts", "none"),
        ("cards[1].key", "a"),
        ("cards[1].price", "not given"),
        ("running.hours", "3.0"),
        ("running.on", "true"),
    ]
