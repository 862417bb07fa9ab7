"""Texts as outlines: of the size that matplotlib lays out, and the same picture within a little gray."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from chart_reading import pixels
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from frametime.render.figure_files import figure_bytes
from frametime.render.glyphs import OutlineCanvas, advance_width, font_file, is_simple, outline
from frametime.render.theme import Theme

THEME = Theme.of("light", "web")
TEXTS = [
    "AV To Te P. WAVE",
    "1,000,000 frames in 9005.4 s",
    "± 3.1 % → p99 · 12 °C",
    "Zuñiga Ærø, čas, Ωmega, Привет",
    "Frame time: from the end of one frame to the end of the next; its axis starts at 0 ms.",
]
SHAPED = ["\N{ARABIC LETTER BEH}\N{ARABIC LETTER BEH}", "e\N{COMBINING ACUTE ACCENT}", "\N{HEBREW LETTER ALEF}b"]


@pytest.mark.parametrize("weight", ["normal", "bold"])
@pytest.mark.parametrize("text", TEXTS)
def test_size_is_that_of_the_shaped_text(text: str, weight: str) -> None:
    properties = FontProperties(family="DejaVu Sans", size=100.0, weight=weight)
    width, height, descent = text_to_path.get_text_width_height_descent(text, properties, ismath=False)
    found = outline(font_file(properties), text)
    assert found.width == pytest.approx(width, rel=2e-3)
    assert (found.height, found.descent) == pytest.approx((height, descent), abs=1.0)  # of 100: the grid of the font
    assert advance_width(font_file(properties), text) <= found.width


def test_letters_of_a_pair_move_together() -> None:
    name = font_file(FontProperties(family="DejaVu Sans"))
    assert advance_width(name, "AV") < advance_width(name, "A") + advance_width(name, "V") - 3.0


@pytest.mark.parametrize("text", SHAPED)
def test_texts_that_need_shaping_are_left_to_the_library(text: str) -> None:
    assert not is_simple(text)
    ours, theirs = drawn(text, OutlineCanvas), drawn(text, FigureCanvasAgg)
    assert np.array_equal(ours, theirs)


@pytest.mark.parametrize("angle", [0.0, 90.0])
@pytest.mark.parametrize("text", TEXTS)
def test_picture_is_that_of_the_library(text: str, angle: float) -> None:
    ours, theirs = drawn(text, OutlineCanvas, angle), drawn(text, FigureCanvasAgg, angle)
    assert theirs.min() < 0.3
    assert np.abs(ours - theirs).mean() < 0.004
    assert ours.sum() == pytest.approx(theirs.sum(), rel=2e-3)


def drawn(text: str, canvas_class: Any, angle: float = 0.0) -> np.ndarray:
    with THEME.settings():
        figure = Figure(figsize=(6.0, 6.0), dpi=100)
        canvas = canvas_class(figure)
        figure.text(0.05, 0.05, text, fontsize=10.7, rotation=angle)
        canvas.draw()
        return np.asarray(canvas.buffer_rgba(), dtype=np.float64)[..., 0] / 255.0


def test_png_is_opaque_unless_asked_for() -> None:
    figure = Figure(figsize=(2.0, 1.0), dpi=100)
    assert pixels(figure_bytes(figure, THEME, "png")).shape == (100, 200, 3)
    figure.patch.set_alpha(0.0)
    found = pixels(figure_bytes(figure, THEME, "png"))
    assert found.shape == (100, 200, 4)
    assert found[..., 3].max() == 0.0


def test_png_keeps_its_resolution_and_names_no_program() -> None:
    from PIL import Image

    image = Image.open(io.BytesIO(figure_bytes(Figure(figsize=(2.0, 1.0), dpi=100), THEME, "png")))
    assert image.info["dpi"] == pytest.approx((THEME.size.dpi, THEME.size.dpi), abs=0.01)
    assert "Software" not in image.info
