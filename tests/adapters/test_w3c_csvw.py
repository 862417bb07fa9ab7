"""Files of the W3C suite "CSV on the Web" that bear on numbers, headers and spaces."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from frametime.adapters.columns.words import CLOCK, SECOND
from frametime.adapters.text.cells import (
    CellKind,
    NumberStyle,
    clean_texts,
    exact_value,
    kind_of,
    number_styles,
    times_of_texts,
)

DATA = Path(__file__).parent / "data" / "w3c_csvw"
GROUPED = NumberStyle(".", ",")


def table(number: int) -> list[dict[str, str]]:
    with (DATA / f"test{number:03d}.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def described(number: int) -> list[dict[str, Any]]:
    content = json.loads((DATA / f"test{number:03d}.json").read_text("utf-8"))
    return [row["describes"][0] for row in content["tables"][0]["row"]]


@pytest.mark.parametrize("column", ["##0", "#,#00", "#0.#", "#0.0", "#0.0#"])
def test_grouped_and_decimal_numbers(column: str) -> None:
    """Test 282: patterns of UAX 35 with groups of three, and decimals."""
    cells = [row[column] for row in table(282)]
    wanted = [row[column] for row in described(282)]
    assert [float(exact_value(cell, GROUPED) or 0) for cell in cells] == wanted
    seconds = times_of_texts(pa.chunked_array([cells]), SECOND, GROUPED)
    assert seconds.ok.all()
    assert [ns / 1e9 for ns in seconds.ns.tolist()] == wanted


def test_other_groupings_are_refused() -> None:
    """Groups of two, and groups after the decimal point, are no numbers here: better refused than misread."""
    for cell in ("12,34,567", "12.24,5"):
        assert kind_of(cell) is CellKind.TEXT
        values = times_of_texts(pa.chunked_array([[cell]]), SECOND, GROUPED)
        assert values.ok.tolist() == [False]


def test_groups_of_three_settle_the_style() -> None:
    styles, _ = number_styles(row["#,#00"] for row in table(282))
    assert styles == (GROUPED,)


@pytest.mark.parametrize("column", ["double", "float", "number"])
def test_nan_and_infinity(column: str) -> None:
    """Test 155: the numeric datatypes of XML Schema, with NaN, INF and -INF."""
    cells = [row[column] for row in table(155)]
    values = times_of_texts(pa.chunked_array([cells]), SECOND, NumberStyle())
    finite = [cell not in ("NaN", "INF", "-INF") for cell in cells]
    assert values.ok.tolist() == finite
    for ns, row, good in zip(values.ns.tolist(), described(155), finite, strict=True):
        if good:
            assert ns / 1e9 == row[column]


@pytest.mark.parametrize("number", [20, 21, 22])
def test_spaces_around_cells(number: int) -> None:
    """Tests 020 to 022: cells with spaces before and behind; here they are always taken off."""
    for row in table(number):
        cells = clean_texts(pa.chunked_array([list(row.values())])).to_pylist()
        assert cells == [cell.strip() for cell in row.values()]


def test_times_of_day() -> None:
    """Test 245: HH:mm:ss with one and two digits of a second."""
    (row,) = table(245)
    assert times_of_texts(pa.chunked_array([list(row.values())]), CLOCK, NumberStyle()).ns.tolist() == [
        (15 * 3600 + 2 * 60 + 37) * 10**9 + fraction for fraction in (100_000_000, 140_000_000)
    ]
