"""Sizes, text sizes, contrast and colors of the themes."""

from __future__ import annotations

from itertools import combinations

import matplotlib as mpl
import numpy as np
import pytest
from color_vision import (
    DEUTERANOPE,
    PROTANOPE,
    RGB_TO_LMS,
    SIGHTS,
    as_seen_by,
    contrast,
    distance,
    lab,
    linear,
    luminance,
)

from frametime.render.charts.theme import PALETTES, SIZES, Palette, Theme

PALETTE_VALUES = list(PALETTES.values())


@pytest.mark.parametrize(
    ("size", "pixels"),
    [("web", (1200, 675)), ("web-2x", (2400, 1350)), ("video-1080p", (1920, 1080)), ("video-4k", (3840, 2160))],
)
def test_sizes_in_pixels(size: str, pixels: tuple[int, int]) -> None:
    chosen = SIZES[size]
    assert (round(chosen.width_in * chosen.dpi), round(chosen.height_in * chosen.dpi)) == pixels


def test_print_is_180_mm_wide() -> None:
    assert SIZES["print"].width_in * 25.4 == pytest.approx(180.0)


def test_one_column_is_85_mm_wide_with_text_of_6_points_or_more() -> None:
    theme = Theme.of("light", "print-85mm")
    assert theme.size.width_in * 25.4 == pytest.approx(85.0)
    assert 6.0 <= theme.em_pt < theme.label_pt < theme.title_pt
    assert (theme.is_narrow, Theme.of("light", "print-180mm").is_narrow) == (True, False)


def test_only_a_narrow_page_grows() -> None:
    narrow, wide = Theme.of("light", "print-85mm"), Theme.of("light", "print")
    grown = narrow.at_least(100.0)
    assert grown.size.height_pt == pytest.approx(100.0 * narrow.em_pt)
    assert (grown.em_pt, grown.size.width_in) == (narrow.em_pt, narrow.size.width_in)
    assert narrow.at_least(10.0) is narrow
    assert wide.at_least(100.0) is wide


@pytest.mark.parametrize("size", sorted(SIZES.keys() - {"print-85mm"}))
def test_the_smallest_text_is_2p2_percent_of_the_height(size: str) -> None:
    theme = Theme.of("light", size)
    assert theme.em_pt / theme.size.height_pt == pytest.approx(0.022)
    assert theme.em_pt < theme.label_pt < theme.title_pt


def test_unknown_names_are_refused() -> None:
    with pytest.raises(ValueError, match="palette must be one of light, dark, got 'sepia'"):
        Theme.of("sepia")
    with pytest.raises(ValueError, match=r"size must be one of web, .*got 'poster'"):
        Theme.of("light", "poster")


def test_contrast_of_known_pairs() -> None:
    # WCAG 2.2: black on white is 21:1. #767676 on white as the lightest gray that reaches 4.5:1 is common practice.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5


@pytest.mark.parametrize("palette", PALETTE_VALUES, ids=lambda palette: palette.key)
def test_text_reaches_4p5_to_1_and_marks_3_to_1(palette: Palette) -> None:
    # WCAG 2.2, success criteria 1.4.3 (text) and 1.4.11 (graphical objects).
    for ground in (palette.ground, palette.ahead_ground, palette.behind_ground, palette.tied_ground, palette.band):
        assert contrast(palette.ink, ground) >= 4.5, ground
    assert contrast(palette.muted, palette.ground) >= 4.5
    for mark in (*palette.series, palette.ahead, palette.behind, palette.tied, palette.undecided):
        assert contrast(mark, palette.ground) >= 3.0, mark
    for mark, ground in (
        (palette.ahead, palette.ahead_ground),
        (palette.tied, palette.tied_ground),
        (palette.ahead, palette.band),
        (palette.tied, palette.band),
    ):
        assert contrast(mark, ground) >= 3.0, (mark, ground)
    assert contrast(palette.behind, palette.behind_ground) >= 2.8  # its shape and place tell it as well


def test_the_model_of_color_vision_keeps_white_and_two_cones() -> None:
    for projection, lost in ((PROTANOPE, 0), (DEUTERANOPE, 1)):
        assert as_seen_by(projection, "#ffffff") == pytest.approx(np.ones(3), abs=0.02)
        kept = [cone for cone in range(3) if cone != lost]
        before = RGB_TO_LMS @ linear("#3377aa")
        after = projection @ before
        assert after[kept] == pytest.approx(before[kept])


def test_red_and_green_of_equal_lightness_are_told_apart_by_nobody_but_trichromats() -> None:
    # The model must be able to fail a bad pair: a red and a green that differ by far for most people.
    red, green = "#b04a3a", "#6b7a20"
    assert distance(linear(red), linear(green)) > 40.0
    assert distance(as_seen_by(DEUTERANOPE, red), as_seen_by(DEUTERANOPE, green)) < 15.0


@pytest.mark.parametrize("projection", [PROTANOPE, DEUTERANOPE], ids=["protanope", "deuteranope"])
@pytest.mark.parametrize("palette", PALETTE_VALUES, ids=lambda palette: palette.key)
def test_colors_are_told_apart_with_deficient_color_vision(palette: Palette, projection: np.ndarray) -> None:
    # A difference of 10 is several times what is just noticed side by side (about 2.3, Mahy et al. 1994, from memory).
    for one, other in combinations((palette.ahead, palette.behind, palette.tied), 2):
        assert distance(as_seen_by(projection, one), as_seen_by(projection, other)) > 20.0, (one, other)


@pytest.mark.parametrize("sight", SIGHTS)
@pytest.mark.parametrize("palette", PALETTE_VALUES, ids=lambda palette: palette.key)
def test_tints_of_cards_are_told_apart_with_any_color_vision(palette: Palette, sight: str) -> None:
    seen = [lab(np.clip(SIGHTS[sight] @ linear(tint), 0.0, 1.0)) for tint in palette.series]
    for one, other in combinations(seen, 2):
        assert np.linalg.norm(one - other) > 13.0


@pytest.mark.parametrize("palette", PALETTE_VALUES, ids=lambda palette: palette.key)
def test_tints_of_cards_are_told_apart_in_gray_and_from_verdicts(palette: Palette) -> None:
    grays = sorted(lab(np.full(3, luminance(tint)))[0] for tint in palette.series)
    assert np.diff(grays).min() > 4.5
    for tint in palette.series:
        for mark in (palette.ahead, palette.behind):
            assert distance(linear(tint), linear(mark)) > 20.0, (tint, mark)


def test_the_matrices_of_sight_keep_grays_and_fail_a_red_and_a_green() -> None:
    for sight, matrix in SIGHTS.items():
        assert matrix @ np.ones(3) == pytest.approx(np.ones(3), abs=1e-5), sight
    red, green = linear("#b04a3a"), linear("#6b7a20")
    assert distance(red, green) > 40.0
    assert distance(SIGHTS["deuteranopia"] @ red, SIGHTS["deuteranopia"] @ green) < 15.0


def test_series_differ_in_more_than_color() -> None:
    theme = Theme.of()
    styles = [theme.style(number) for number in range(64)]
    assert len({style.marker for style in styles[:8]}) == 8
    assert len({(style.color, style.line) for style in styles[:32]}) == 32
    assert len({(style.color, style.marker) for style in styles}) == 64
    for start in range(0, 8, 4):
        assert len({style.line for style in styles[start : start + 4]}) == 4


def test_settings_of_the_user_do_not_reach_a_chart_and_come_back() -> None:
    before = dict(mpl.rcParams)
    with mpl.rc_context({"lines.linewidth": 17.0, "font.size": 3.0}):
        with Theme.of().settings():
            assert mpl.rcParams["lines.linewidth"] != 17.0
            assert mpl.rcParams["font.family"] == ["DejaVu Sans"]
            assert not mpl.rcParams["text.parse_math"]
        assert mpl.rcParams["lines.linewidth"] == 17.0
    assert dict(mpl.rcParams) == before
