"""Refresh rates as people write them."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.errors import FrametimeError, OptionError
from frametime.metrics.options import describe_rate, describe_refresh, parse_refresh


@pytest.mark.parametrize(
    ("text", "low_hz", "high_hz"),
    [
        ("144", 144, 144),
        ("60000/1001", Fraction(60000, 1001), Fraction(60000, 1001)),
        ("59.94", Fraction(60000, 1001), Fraction(60000, 1001)),
        ("59.9", Fraction(599, 10), Fraction(599, 10)),
        ("59.95", Fraction(5995, 100), Fraction(5995, 100)),
        ("48-165", 48, 165),
        ("48\N{EN DASH}165 Hz", 48, 165),
        (" 23.98 hz ", Fraction(24000, 1001), Fraction(24000, 1001)),
        ("173000000/2576/1120", Fraction(173000000, 2576 * 1120), Fraction(173000000, 2576 * 1120)),
    ],
)
def test_a_rate_is_read_exactly(text: str, low_hz: Fraction, high_hz: Fraction) -> None:
    refresh = parse_refresh(text)
    assert (refresh.low_hz, refresh.high_hz) == (low_hz, high_hz)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "'' is not a refresh rate; write one rate such as 144"),
        ("fast", "'fast' is not a refresh rate"),
        ("-60", "'-60' is not a refresh rate"),
        ("60,5", "'60,5' is not a refresh rate"),
        ("1e3", "'1e3' is not a refresh rate"),
        ("60/0", "'60/0' holds a zero"),
        ("173000000/0/1120", "'173000000/0/1120' holds a zero"),
        ("165-48", "the window '165-48' does not rise; write the lower rate first"),
        ("60-60", "the window '60-60' does not rise"),
        ("0.5", "'0.5' gives 0.5 Hz; give a rate from 1 to 10000 Hz"),
        ("48-165-240", "is not a refresh rate"),
    ],
)
def test_what_is_no_rate_is_refused_in_plain_words(text: str, part: str) -> None:
    with pytest.raises(OptionError) as caught:
        parse_refresh(text)
    assert part in str(caught.value)
    assert isinstance(caught.value, FrametimeError)
    assert isinstance(caught.value, ValueError)


@given(st.integers(1, 10_000), st.integers(1, 1001))
def test_a_fraction_survives(numerator: int, denominator: int) -> None:
    rate_hz = Fraction(numerator, denominator)
    if rate_hz >= 1:
        assert parse_refresh(f"{numerator}/{denominator}").low_hz == rate_hz


@given(st.decimals(1, 9999, places=1))
def test_one_decimal_is_never_taken_for_a_1001_rate(rate_hz: object) -> None:
    assert parse_refresh(str(rate_hz)).low_hz == Fraction(str(rate_hz))


def test_a_rounded_rate_says_what_it_stands_for() -> None:
    assert describe_rate(parse_refresh("29.97").low_hz) == "29.97003 Hz (exactly 30000/1001)"
    assert describe_rate(Fraction(599, 10)) == "59.9 Hz"
    assert describe_refresh(parse_refresh("59.94")) == "fixed refresh of 59.94006 Hz (exactly 60000/1001)"
    assert describe_refresh(parse_refresh("40-120")) == "variable refresh from 40 Hz to 120 Hz"
