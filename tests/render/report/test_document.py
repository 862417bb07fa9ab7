"""Parts of a document: how numbers, changes and caveats are put into words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from example_result import example_design, example_result, example_runs
from review_samples import sample_review

from frametime.caveats import Caveat, Weight
from frametime.render.report.document import Notes, Paragraph
from frametime.render.report.review_report import flat, review_report
from frametime.render.review_words import placed_caveats
from frametime.render.tables.parts import (
    BASELINE,
    by_weight,
    cell,
    change,
    change_range,
    estimate_line,
    filled,
    missing,
    notes_of,
    strip_reach,
)
from frametime.render.tables.review_runs import card_table
from frametime.render.tables.table import Cell, Column, Row, Table, line_text
from frametime.review.reviewing import review_runs
from frametime.statistics.interval import Interval


def interval(low: float, high: float) -> Interval:
    return Interval(low=low, high=high, level=0.95, method="made up")


def test_a_table_refuses_a_row_of_another_width() -> None:
    with pytest.raises(ValueError, match="rows of 'cells' must have 2 cells, got 1"):
        Table(
            key="cells",
            caption="",
            columns=(Column("a"), Column("b")),
            rows=(Row(cells=(Cell(content=("x",)),)),),
        )


def test_a_card_that_is_called_baseline_keeps_its_column() -> None:
    """What compares nothing goes by what it is, not by what it reads."""
    columns = (Column("card"), Column("ratio"), Column("place"))
    named, place = Cell(content=("baseline",)), Cell(content=("1",))
    flagged = Table("flagged", "Runs. More.", columns, (Row(cells=(named, named, place)),), "Runs.")
    assert flagged.without_comparison() is flagged
    compared = replace(flagged, rows=(Row(cells=(named, BASELINE, place)),))
    shown = compared.without_comparison()
    assert ([column.key for column in shown.columns], shown.caption) == (["card"], "Runs.")


def test_a_change_and_its_interval_have_one_decimal() -> None:
    assert change(1.0234, "ratio").text == "+2.3 %"
    shown = change_range(interval(0.9876, 1.0234), "x")
    assert shown.text == "\N{MINUS SIGN}1.2 to +2.3 %"


def test_no_number_is_never_zero_and_says_why() -> None:
    shown = change(None, "ratio", reason="cedar has no run")
    assert (shown.text, shown.value, shown.reason) == ("n/a", None, "cedar has no run")
    made = cell(shown, missing("cedar has no run"), change(1.0, "ratio"))
    assert [note.text for note in made.notes] == ["n/a: cedar has no run"]


def test_an_estimate_without_interval_stands_alone() -> None:
    assert [part.text for part in estimate_line(102.5, None, "e") if not isinstance(part, str)] == ["102.5"]
    with_interval = estimate_line(102.5, interval(101.23, 103.77), "e")
    assert [part.text for part in with_interval if not isinstance(part, str)] == ["102.5", "101.2 to 103.8"]


def test_each_caveat_has_one_number_in_a_table() -> None:
    first = Caveat(code="gap", message="no frame for 3 s")
    second = Caveat(code="cap", message="the rate is capped", weight=Weight.REPEAT)
    cells = tuple(cell("x", notes=notes_of(found)) for found in ([first, second, first], [second], []))
    table = Table(key="t", caption="", columns=(Column(key="a"),), rows=tuple(Row(cells=(item,)) for item in cells))
    assert [table.note_numbers(item) for item in cells] == [(1, 2), (2,), ()]
    assert [note.text for note in table.notes] == [first.message, second.message]
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


def ratios() -> Table:
    columns = (
        Column(key="card", label="Card"),
        Column(key="ratio", label="Difference", kind="change"),
        Column(key="interval", label="95 %", kind="range"),
        Column(key="rate", label="Rate", kind="number", unit="{frame}/s", digits=3),
    )
    rows = (
        filled(columns, {"card": cell("Amber 6", data="a"), "ratio": 1.05, "interval": interval(1.04, 1.06)}),
        filled(
            columns, {"card": cell("Birch 9", data="b"), "ratio": None, "interval": None, "rate": 61.27}, reason="r"
        ),
    )
    return Table(key="t", caption="", columns=columns, rows=rows)


def test_a_row_is_written_as_its_columns_ask() -> None:
    table = ratios()
    assert [column.heading for column in table.columns][-1] == "Rate (fps)"
    assert [line_text(item.content) for item in table.rows[1].cells] == ["Birch 9", "n/a", "n/a", "61.3"]
    assert table.exact(table.rows[1], "rate") == 61.27
    assert line_text(table.rows[0].cells[3].content) == "\N{EN DASH}"
    with pytest.raises(TypeError, match="rate must be a value of a column of kind number"):
        filled(table.columns, {"rate": [1]})


def test_a_view_is_the_same_cells() -> None:
    shown = ratios().where(card="a").view("card", ("ratio", "interval"), labels={"ratio": "Change"})
    assert [column.heading for column in shown.columns] == ["Card", "Change"]
    assert [line_text(item.content) for row in shown.rows for item in row.cells] == [
        "Amber 6",
        "+5.0 % (+4.0 to +6.0 %)",
    ]
    without = ratios().where(card="b").view(("ratio", "interval"))
    assert line_text(without.rows[0].cells[0].content) == "n/a"


def test_author_and_test_system_of_the_plan_are_printed() -> None:
    plan = {"author": "A. Writer", "bench": ["an open bench", "power from the wall"]}
    result = replace(example_result(), plan=plan)
    told = review_report(result)
    assert told.subtitle.startswith("By A. Writer. Comparison of 3 cards")
    assert told.subtitle.endswith(f": {len(result.runs) - 1} runs")  # the plan leaves one out
    methods = next(section for section in told.sections if section.key == "methods")
    assert methods.blocks[0] == Paragraph(content=("Test system: an open bench; power from the wall.",))


def test_what_is_said_of_other_cuts_stands_in_the_table_of_caveats_alone() -> None:
    result = sample_review(n_scenes=3)
    assert {item.cut for item in placed_caveats(result) if item.caveat.code == "too-few-scenes"} == {"traced"}
    caveats = next(section for section in review_report(result).sections if section.key == "caveats")
    (notes,) = [block for block in caveats.blocks if isinstance(block, Notes)]
    (table,) = [block for block in caveats.blocks if isinstance(block, Table)]
    assert "too-few-scenes" not in {note.code for note in notes.notes} and notes.notes
    message = next(item.caveat.message for item in placed_caveats(result) if item.caveat.code == "too-few-scenes")
    assert any(message in line_text(cell.content) for row in table.rows for cell in row.cells)


def test_settings_that_paths_may_name_are_called_absent_from_the_plan_alone() -> None:
    """A driver may stand in the paths: "not given" would be wrong beside the caveat that tells of it."""
    cards = tuple(replace(card, settings=None, driver=None) for card in example_design().cards)
    result = review_runs(replace(example_design(), cards=cards), example_runs(with_curves=False))
    texts = {str(cell.content[0]) for row in card_table(result).rows for cell in row.cells[2:]}
    assert texts == {"not in the plan"}
