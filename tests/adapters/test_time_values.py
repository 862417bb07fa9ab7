"""Whole columns against exact arithmetic one cell at a time (``fractions`` of the standard library)."""

from __future__ import annotations

import io
from fractions import Fraction

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frametime.adapters.columns.words import (
    CLOCK,
    DATE,
    MINUTE,
    NANOSECOND,
    RATE,
    SECOND,
    Unit,
    unit_named,
)
from frametime.adapters.reading import read_capture
from frametime.adapters.text.cells import POINT, NumberStyle, exact_ns, number_styles, times_of_numbers, times_of_texts

MILLISECOND, MICROSECOND, HOUR = map(unit_named, ("ms", "us", "h"))
UNITS = [SECOND, MILLISECOND, MICROSECOND, NANOSECOND, unit_named("100ns")]
DECIMALS = st.decimals(min_value=-(10**9), max_value=10**9, allow_nan=False, places=6).map(lambda value: f"{value:f}")


@settings(max_examples=200, deadline=None)
@given(st.lists(DECIMALS, min_size=1, max_size=20), st.sampled_from(UNITS))
def test_texts_are_exact(cells: list[str], unit: Unit) -> None:
    values = times_of_texts(pa.chunked_array([cells]), unit, POINT)
    assert values.ok.all()
    wanted = [round(Fraction(cell) * (unit.ns or 0)) for cell in cells]
    # Half a nanosecond may be rounded either way.
    ties = [(Fraction(cell) * (unit.ns or 0)).denominator == 2 for cell in cells]
    assert all(
        ns == want or (tie and abs(ns - (want or 0)) == 1)
        for ns, want, tie in zip(values.ns.tolist(), wanted, ties, strict=True)
    )


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(-(2**51) + 1, 2**51 - 1), min_size=1, max_size=20), st.sampled_from([SECOND, MILLISECOND]))
def test_the_way_through_float64_is_exact_below_26_days(times_ns: list[int], unit: Unit) -> None:
    factor = int(unit.ns or 1)
    texts = [
        f"{'-' if ns < 0 else ''}{abs(ns) // factor}.{abs(ns) % factor:0{len(str(factor)) - 1}d}" for ns in times_ns
    ]
    values = times_of_numbers(pa.chunked_array([[float(text) for text in texts]]), unit)
    assert values is not None
    assert values.ns.tolist() == times_ns


def test_the_way_through_float64_is_closed_above() -> None:
    assert times_of_numbers(pa.chunked_array([[1_790_000_000.017247]]), SECOND) is None
    assert times_of_numbers(pa.chunked_array([[float("nan")]]), SECOND) is None
    assert times_of_numbers(pa.chunked_array([[float("inf")]]), SECOND) is None
    assert times_of_numbers(pa.chunked_array([[2**62]]), MILLISECOND) is None
    assert times_of_numbers(pa.chunked_array([[-(2**62), 5]]), MILLISECOND) is None
    assert times_of_numbers(pa.chunked_array([[60.0, None]]), RATE) is None
    assert times_of_numbers(pa.chunked_array([[0.0]]), RATE) is None


def test_absolute_times_with_an_exponent_keep_every_nanosecond() -> None:
    cells = ["1.790000000017000001e+09", "-1790000000017000003E-9", "1.79000000001700000555e9", "0.5e0"]
    found = times_of_texts(pa.chunked_array([cells]), SECOND, POINT)
    assert found.ns.tolist() == [1790000000017000001, -1790000000017000003, 1790000000017000006, 500000000]


def test_absolute_seconds_keep_every_nanosecond() -> None:
    """Through float64, 1790000000.017247123 would lose up to 119 ns."""
    stamps = [1_790_000_000_017_247_123 + i * 16_666_667 for i in range(100)]
    text = "epoch_s\n" + "".join(f"{ns // 10**9}.{ns % 10**9:09d}\n" for ns in stamps)
    capture = read_capture(io.BytesIO(text.encode()))
    assert capture.frames["timestamp_ns"].to_pylist() == [ns - stamps[0] for ns in stamps]
    assert capture.provenance.recorded_from_utc == "2026-09-21T14:13:20.017247123Z"


@pytest.mark.parametrize(
    ("cell", "unit", "style", "ns"),
    [
        ("17,247", MILLISECOND, NumberStyle(",", ""), 17_247_000),
        ("17,247", MICROSECOND, NumberStyle(".", ","), 17_247_000),
        ("1.234.567,5", NANOSECOND, NumberStyle(",", "."), 1_234_568),
        ("1'234.5", MICROSECOND, NumberStyle(".", "'"), 1_234_500),
        ("1 234,5", MICROSECOND, NumberStyle(",", " "), 1_234_500),
        ("1.7247E+01", MILLISECOND, POINT, 17_247_000),
        ("17.247 ms", MILLISECOND, POINT, 17_247_000),
        ("+0.5", SECOND, POINT, 500_000_000),
        (".5", SECOND, POINT, 500_000_000),
        ("5.", SECOND, POINT, 5_000_000_000),
        ("-0.25", SECOND, POINT, -250_000_000),
        ("-1790000000.5", SECOND, POINT, -1_790_000_000_500_000_000),
        ("0.5", MINUTE, POINT, 30_000_000_000),
        ("1.5", HOUR, POINT, 5_400_000_000_000),
        ("60", RATE, POINT, 16_666_667),
        ("62.5 fps", RATE, POINT, 16_000_000),
        ("0:00:01.5", CLOCK, POINT, 1_500_000_000),
        ("1:02,25", CLOCK, POINT, 62_250_000_000),
        ("100:00:00", CLOCK, POINT, 360_000_000_000_000),
        ("1970-01-01T00:00:00.000000001Z", DATE, POINT, 1),
        ("1970-01-01 01:00:00+01:00", DATE, POINT, 0),
        ("1969-12-31T19:00:00.5-0500", DATE, POINT, 500_000_000),
        ("2024-02-29T12:34:56,789Z", DATE, POINT, 1_709_210_096_789_000_000),
        ('"17.247"', MILLISECOND, POINT, 17_247_000),
    ],
)
def test_one_cell(cell: str, unit: Unit, style: NumberStyle, ns: int) -> None:
    values = times_of_texts(pa.chunked_array([[cell]]), unit, style)
    assert values.ok.all()
    assert values.ns.tolist() == [ns]
    assert exact_ns([cell], unit, style) == [ns]


@pytest.mark.parametrize(
    ("cell", "unit"),
    [
        *[(cell, MILLISECOND) for cell in ("", "NA", "nan", "-", "inf", "1.2.3", "1,5", "0x10", "1_0", "1e999", "X")],
        *[(cell, MILLISECOND) for cell in ("16.5 V", "16.5 MHz", "٣", "=1+1", "1e25", "--1")],
        *[(cell, RATE) for cell in ("0", "-60", "nan", "60 ms", "1e-9")],
        *[(cell, CLOCK) for cell in ("12", "1:60:00", "1:00:61", "a:b")],
        *[(cell, DATE) for cell in ("2026-13-01T00:00:00Z", "2025-02-29T00:00:00Z", "2026-01-01T24:00:00Z", "17.5")],
        ("99999999999", SECOND),
    ],
)
def test_what_is_no_time(cell: str, unit: Unit) -> None:
    values = times_of_texts(pa.chunked_array([["0", cell]]), unit, POINT)
    assert not values.ok[1]


def test_a_cell_in_another_unit_of_time_counts_in_its_own() -> None:
    values = times_of_texts(pa.chunked_array([["16", "0.0165 s", "17 ms", "17200 us"]]), MILLISECOND, POINT)
    assert values.ok.all()
    assert values.ns.tolist() == [16_000_000, 16_500_000, 17_000_000, 17_200_000]
    beyond = times_of_texts(pa.chunked_array([["16", "3000 h"]]), MILLISECOND, POINT)
    assert beyond.ok.tolist() == [True, False]  # no float holds each nanosecond of it


def test_dates_with_and_without_zone_are_not_mixed() -> None:
    values = times_of_texts(pa.chunked_array([["2026-01-01T00:00:00Z", "2026-01-01T00:00:01"]]), DATE, POINT)
    assert values.ok.tolist() == [True, False]


@pytest.mark.parametrize(
    ("cells", "style"),
    [
        (["1.234.567", "7"], NumberStyle(",", ".")),
        (["1.234,5"], NumberStyle(",", ".")),
        (["1,234.5"], NumberStyle(".", ",")),
        (["1,234,567"], NumberStyle(".", ",")),
        (["1'234.5"], NumberStyle(".", "'")),
        (["1 234,5"], NumberStyle(",", " ")),
        (["0,017", "0,034"], NumberStyle(",", "")),
        (["17.247", "1e3"], NumberStyle(".", "")),
        (["17,247 ms", "17,2 ms"], NumberStyle(",", "")),
    ],
)
def test_styles_of_numbers(cells: list[str], style: NumberStyle) -> None:
    assert number_styles(cells)[0] == (style,)
