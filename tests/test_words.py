"""Changes in percent and amounts of money: how many digits they are written with."""

from __future__ import annotations

import shlex
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.errors import printable
from frametime.words import command_line, money_words, percent_change, percent_change_range, percent_change_words


@pytest.mark.parametrize(
    ("ratio", "low", "high", "expected"),
    [
        (1.052, 1.041, 1.063, "+5.2 % (+4.1 to +6.3 %)"),
        (0.9942, 0.9936, 0.9949, "−0.6 % (−0.6 to −0.5 %)"),
        (1.002, 0.9996, 1.0044, "+0.2 % (−0.0 to +0.4 %)"),
        (1.0096, 1.0001, 1.0192, "+1.0 % (+0.0 to +1.9 %)"),
        (1.12, 0.98, 1.27, "+12.0 % (−2.0 to +27.0 %)"),
        (0.5, 0.01, 9.0, "−50.0 % (−99.0 to +800.0 %)"),
        (1.0, 1.0, 1.0, "0.0 % (0.0 to 0.0 %)"),
        (1.0001, 1.0001, 1.0001, "0.0 % (+0.0 to +0.0 %)"),
    ],
)
def test_a_change_has_one_decimal_and_ends_keep_their_sign(
    ratio: float, low: float, high: float, expected: str
) -> None:
    assert percent_change_words(ratio, SimpleNamespace(low=low, high=high)) == expected


def test_a_change_without_an_interval_says_so() -> None:
    assert percent_change(1.00312) == "+0.3 %"
    assert percent_change_words(1.00312, None) == "+0.3 % (no interval)"


@given(
    low=st.floats(0.01, 20.0).filter(lambda end: end != 1.0),
    width=st.floats(0.0, 5.0),
)
def test_an_end_beside_zero_keeps_its_sign(low: float, width: float) -> None:
    ends = percent_change_range(SimpleNamespace(low=low, high=low + width)).removesuffix(" %").split(" to ")
    sign = "+" if low > 1.0 else "−"
    assert ends[0].startswith(sign)
    assert float(ends[0].replace("−", "-")) == pytest.approx((low - 1.0) * 100.0, abs=0.05 + 1e-9)


@pytest.mark.parametrize(
    ("amount", "bounds", "expected"),
    [
        (499.0, None, "499"),
        (499.99, None, "499.99"),
        (543.871, (542.3, 545.4), "544 (542 to 545)"),
        (543.871, (543.6, 544.1), "543.87 (543.60 to 544.10)"),
        (6.5938, (6.5, 6.7), "6.59 (6.50 to 6.70)"),
    ],
)
def test_an_amount_of_money(amount: float, bounds: tuple[float, float] | None, expected: str) -> None:
    interval = None if bounds is None else SimpleNamespace(low=bounds[0], high=bounds[1])
    assert money_words(amount, interval) == expected


@pytest.mark.parametrize("sign", "$`!")
def test_what_a_posix_shell_would_put_something_else_for_is_not_in_double_quotes(sign: str) -> None:
    assert command_line(["O'Neill"]) == '"O\'Neill"'
    word = f"O'Neill{sign}HOME{sign}"
    assert command_line([word]) == shlex.quote(word)


def test_spaces_of_any_kind_are_seen_and_what_turns_the_reading_direction_is_escaped() -> None:
    assert printable("Tarn\u00a06\u3000a") == "Tarn\u00a06\u3000a"
    assert printable("a\u202eb\ud800\u2028") == "a\\u202eb\\ud800\\u2028"
