"""Wrapping and shortening keep inside a width, whatever the text."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from frametime.render.charts.text_fit import ELLIPSIS, drawable, shorten, text_width_pt, wrap, x_scale

TEXTS = st.text(max_size=120)
WIDTHS = st.floats(min_value=30.0, max_value=400.0)


def test_width_grows_in_proportion_to_the_size_and_bold_is_wider() -> None:
    assert text_width_pt("Harbor", 20.0) == pytest.approx(2.0 * text_width_pt("Harbor", 10.0), rel=0.02)
    assert text_width_pt("Harbor", 10.0, bold=True) > text_width_pt("Harbor", 10.0)
    assert text_width_pt("", 10.0) == 0.0


def test_what_the_font_cannot_draw_is_replaced() -> None:
    assert drawable("A港B") == "A\N{REPLACEMENT CHARACTER}B"
    assert drawable("a\x1b[31m\tb") == "a\\x1b[31m\\tb"
    assert "\u202e" not in drawable("a\u202eb")


def test_a_short_text_is_kept_and_a_long_one_keeps_both_ends() -> None:
    assert shorten("Harbor", 400.0, 10.0) == "Harbor"
    short = shorten("Basalt 90 with the quiet fan profile", 100.0, 10.0)
    assert short.startswith("Bas")
    assert short.endswith("le")
    assert ELLIPSIS in short


@given(text=TEXTS, width_pt=WIDTHS)
def test_a_shortened_text_fits(text: str, width_pt: float) -> None:
    assert text_width_pt(shorten(text, width_pt, 10.0), 10.0) <= width_pt


@given(text=TEXTS, width_pt=WIDTHS, max_lines=st.integers(min_value=1, max_value=4))
def test_every_line_fits_and_no_word_is_lost_before_the_last_line(text: str, width_pt: float, max_lines: int) -> None:
    lines = wrap(text, width_pt, 10.0, max_lines=max_lines)
    assert len(lines) <= max_lines
    assert all(text_width_pt(line, 10.0) <= width_pt for line in lines)
    if not any(ELLIPSIS in line for line in lines) and ELLIPSIS not in text:
        assert " ".join(lines).split() == drawable(text).split()


def test_a_text_of_too_many_lines_ends_with_its_last_word() -> None:
    lines = wrap("one two three four five six seven eight nine ten", 60.0, 10.0, max_lines=2)
    assert lines[0] == "one two"
    assert lines[1].endswith("en")
    assert ELLIPSIS in lines[1]


def test_a_number_and_what_it_counts_stay_on_one_line() -> None:
    text = "Line: 95 % interval"
    width_pt = text_width_pt("Line: 95", 10.0)
    assert wrap(text, width_pt, 10.0, max_lines=5) == ["Line:", "95 %", "interval"]
    assert wrap("average rate (1 of 8)", text_width_pt("average rate (1 of", 10.0), 10.0, max_lines=5)[-1] == "(1 of 8)"
    assert wrap("2 undecided", text_width_pt("undecided", 10.0), 10.0, max_lines=5) == ["2", "undecided"]


@pytest.mark.parametrize("bold", [False, True])
@pytest.mark.parametrize(
    "text",
    ["AVATAR To Wy.", "office affluent", "Größe – −3.0 % (+1.2 to +4.5 %)", "▲ ahead ✓ ≤ 5", "שלום", "e\u0301clair"],
)
def test_a_width_is_that_of_the_line_as_matplotlib_lays_it_out(text: str, bold: bool) -> None:
    font = FontProperties(family="DejaVu Sans", size=9.0, weight="bold" if bold else "normal")
    laid_out, _, _ = text_to_path.get_text_width_height_descent(drawable(text), font, ismath=False)
    assert text_width_pt(text, 9.0, bold=bold) == pytest.approx(1.01 * laid_out, rel=1e-3)


@pytest.mark.parametrize(("low", "high"), [(0.8, 1.25), (0.1, 4.0)])
def test_an_axis_of_ratios_that_runs_the_other_way_has_the_same_marks(low: float, high: float) -> None:
    marks, unit = x_scale(Figure().subplots(), 8.0, "ratio", low, high)
    turned, _ = x_scale(Figure().subplots(), 8.0, "ratio", high, low)
    assert dict(turned) == dict(marks) and len(marks) > 2 and unit == ""
    assert dict(marks)[1.0] == "0 %"


@pytest.mark.parametrize(("high_s", "unit", "last"), [(299.0, ", s", 250.0), (300.0, ", min", 300.0)])
def test_a_long_time_is_counted_in_minutes(high_s: float, unit: str, last: float) -> None:
    marks, found = x_scale(Figure().subplots(), 8.0, "time", 0.0, high_s)
    assert (found, marks[-1][0]) == (unit, last)
    assert float(marks[-1][1]) == last / (60.0 if "min" in unit else 1.0)
