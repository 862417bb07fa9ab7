"""Contrast of the page's colors by the formula of WCAG 2.2, in light, in dark, and on paper."""

from __future__ import annotations

import hashlib
import re
from importlib.resources import files

import pytest

from frametime.render.charts.theme import PALETTES

ASSETS = files("frametime.render.report") / "assets"
TEXTS = ("text", "text-quiet", "link", "ahead", "behind", "tied", "undecided", "care")
GROUNDS = ("ground", "ground-raised", "ground-tinted")


def relative_luminance(color: str) -> float:
    """Of a color ``#rrggbb``; WCAG 2.2, definition of relative luminance."""
    channels = [int(color[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colors; WCAG 2.2, definition of contrast ratio."""
    high, low = sorted((relative_luminance(first), relative_luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def tokens(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z0-9-]+):\s*(#[0-9a-f]{6})", block))


def schemes() -> dict[str, dict[str, str]]:
    css = (ASSETS / "report.css").read_text("utf-8")
    light = tokens(css[: css.index("@media")])
    dark = tokens(css[css.index("@media (prefers-color-scheme: dark)") : css.index("* { box-sizing")])
    paper = tokens(css[css.index("@media print") :])
    return {"light": light, "dark": light | dark, "print": light | paper}


def test_the_formula_gives_the_published_extremes() -> None:
    # WCAG 2.2: "contrast ratios can range from 1 to 21".
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#808080", "#808080") == 1.0
    # The lightest gray that passes on white, as widely published (from memory): #767676 with 4.54 : 1.
    assert round(contrast("#767676", "#ffffff"), 2) == 4.54


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_text_reaches_4p5_on_every_ground(scheme: str) -> None:
    colors = schemes()[scheme]
    for text in TEXTS:
        for ground in GROUNDS:
            assert contrast(colors[text], colors[ground]) >= 4.5, (text, ground)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_lines_and_controls_reach_3_on_every_ground(scheme: str) -> None:
    colors = schemes()[scheme]
    series = PALETTES["dark" if scheme == "dark" else "light"].series
    for color in series:
        assert contrast(color, colors["ground"]) >= 3.0, color
    for ground in GROUNDS:
        assert contrast(colors["line-strong"], colors[ground]) >= 3.0, ground


def test_every_color_of_the_sheet_is_a_token() -> None:
    css = (ASSETS / "report.css").read_text("utf-8")
    rules = re.sub(r"--[a-z0-9-]+:[^;]+;", "", css)
    assert re.findall(r"#[0-9a-fA-F]{3,8}\b|\brgba?\(|\bhsla?\(", rules) == []
    for name in re.findall(r"var\(--([a-z0-9-]+)\)", css):
        assert name in schemes()["light"], name


def test_dark_gives_every_token_a_color_of_its_own() -> None:
    css = (ASSETS / "report.css").read_text("utf-8")
    light, dark = schemes()["light"], tokens(css[css.index("@media (prefers-color-scheme: dark)") : css.index("* {")])
    assert light.keys() == dark.keys()
    assert all(light[name] != dark[name] for name in light)


def test_the_library_is_as_it_was_published() -> None:
    text = (ASSETS / "uplot" / "README.md").read_text("utf-8")
    listed = dict(re.findall(r"\| `([^`]+)` \| `([0-9a-f]{64})` \|", text))
    assert set(listed) == {"uPlot.iife.min.js", "uPlot.min.css", "LICENSE"}
    for name, digest in listed.items():
        assert hashlib.sha256((ASSETS / "uplot" / name).read_bytes()).hexdigest() == digest
