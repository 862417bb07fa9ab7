"""A verdict has one shape, wherever it is shown."""

from __future__ import annotations

import unicodedata

import pytest

from frametime.render.charts.review_view import verdict_mark
from frametime.render.charts.theme import PALETTES
from frametime.render.review_words import VERDICTS
from frametime.render.tables.parts import VERDICT_MARKS
from frametime.review.result_tables import Verdict

# The marker of matplotlib, and words of the name that Unicode gives the symbol of texts.
SHAPES = {">": ("RIGHT-POINTING",), "<": ("LEFT-POINTING",), "s": ("BLACK SQUARE",), "o": ("CIRCLE",)}


@pytest.mark.parametrize("verdict", VERDICTS)
def test_texts_show_the_shape_that_charts_draw(verdict: Verdict) -> None:
    drawn, name = verdict_mark(verdict, PALETTES["light"]), unicodedata.name(VERDICT_MARKS[verdict].symbol)
    assert all(word in name for word in SHAPES[drawn.marker])
    assert ("BLACK" in name) == (drawn.face == drawn.color)
