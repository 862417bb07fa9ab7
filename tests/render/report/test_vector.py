"""Charts inside the page: the same drawing, in colors of either scheme, without what the policy forbids."""

from __future__ import annotations

import re
from dataclasses import fields
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.figure import Figure

from frametime.render.charts.chart_sheet import figure_bytes
from frametime.render.charts.theme import PALETTES, Theme
from frametime.render.report.html import (
    _short,
    _short_numbers,
    chart_colors_css,
    color_tokens,
    inline_svg,
)


def drawn(theme: Theme, label: str = "Harbor <b> & 10 %") -> bytes:
    """A drawing with lines, a clipped bar with hatching, markers and letters."""
    palette = theme.palette
    figure = Figure(figsize=(6.0, 3.0), facecolor=palette.ground)
    axes = figure.add_axes((0.1, 0.2, 0.8, 0.7), facecolor=palette.ground)
    axes.bar([1.0, 2.0], [3.0, 2.0], color=palette.ahead, hatch="//", edgecolor=palette.ink)
    axes.plot([1.0, 2.0], [1.0, 2.5], color=palette.behind, marker="o", gid="a\x1b\udcff")
    axes.set_title(label, color=palette.muted)
    return figure_bytes(figure, theme, "svg")


@pytest.fixture(scope="module")
def light() -> bytes:
    return drawn(Theme.of("light"))


def test_nothing_is_left_that_the_policy_forbids(light: bytes) -> None:
    markup = inline_svg(light, key="chart-1", alternative='a "b" <c> \udcff', outlines={})
    assert "style" not in markup
    assert "<metadata" not in markup
    assert "http" not in markup
    assert 'aria-label="a &quot;b&quot; &lt;c&gt; \\udcff"' in markup
    ElementTree.fromstring(markup)


def test_every_reference_has_its_target(light: bytes) -> None:
    outlines: dict[str, str] = {}
    markup = inline_svg(light, key="chart-1", alternative="", outlines=outlines)
    both = "".join(f'<path id="{name}"/>' for name in outlines.values()) + markup
    wanted = set(re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', both))
    targets = {first or second for first, second in wanted}
    assert len(targets) > 10
    assert targets == set(re.findall(r' id="([^"]+)"', both))


def test_two_charts_share_letters_and_nothing_else(light: bytes) -> None:
    outlines: dict[str, str] = {}
    first = inline_svg(light, key="chart-1", alternative="", outlines=outlines)
    letters = dict(outlines)
    second = inline_svg(light, key="chart-2", alternative="", outlines=outlines)
    assert outlines == letters
    names = [set(re.findall(r' id="([^"]+)"', markup)) for markup in (first, second)]
    assert names[0]
    assert not names[0] & names[1]
    assert first.replace("chart-1-", "chart-2-") == second


def test_the_drawing_in_dark_colors_is_the_dark_drawing(light: bytes) -> None:
    tokens = dict(re.findall(r"--([a-z0-9-]+):(#[0-9a-f]{6});", chart_colors_css().split("@media")[1]))
    tokens["ground"] = PALETTES["dark"].ground
    recolored = re.sub(
        r"var\(--([a-z0-9-]+)\)",
        lambda match: tokens[match.group(1)],
        inline_svg(light, key="c", alternative="", outlines={}),
    )
    dark = inline_svg(drawn(Theme.of("dark")), key="c", alternative="", outlines={})
    assert recolored == dark


def test_every_color_of_the_palette_has_a_token() -> None:
    light = PALETTES["light"]
    for item in fields(light):
        value = getattr(light, item.name)
        for color in value if isinstance(value, tuple) else (value,):
            assert item.name == "key" or color in color_tokens()
    css = chart_colors_css()
    for token in color_tokens().values():
        name = token.removeprefix("var(--").removesuffix(")")
        assert name == "ground" or css.count(f"--{name}:") == 2


@given(st.floats(-10_000.0, 10_000.0))
def test_numbers_keep_a_hundredth_of_a_point(value: float) -> None:
    assert abs(float(_short(repr(value))) - value) <= 0.005 + 1e-9
    if abs(value) < 1.0:
        assert abs(float(_short(repr(value))) - value) <= 0.00005 + 1e-12


def test_paths_lose_only_what_means_nothing() -> None:
    assert _short_numbers("M 182.117454 386.88516 \nL 0.25 -0.001 \nz\n") == "M182.12 386.89L.25 -.001z"
    assert _short_numbers("translate(234.983786 399.285374) scale(0.10692 -0.10692)") == (
        "translate(234.98 399.29) scale(.1069 -.1069)"
    )
    assert _short_numbers("-0.00001 1e-7 12") == "0 0 12"


def test_a_chart_becomes_smaller(light: bytes) -> None:
    markup = inline_svg(light, key="c", alternative="", outlines={})
    assert len(markup) < 0.4 * len(light)
