"""A few charts as pictures, against stored ones, with tolerance.

The stored pictures are of this version of the charts; where a chart is changed on purpose, write them anew with
``python tests/render/test_baseline_images.py`` and look at each. Text is drawn a little differently by each version of
matplotlib and FreeType, so that pictures are compared after averaging over blocks of pixels.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "samples")]

from capture_samples import measured, sample_capture  # noqa: E402
from chart_reading import pixels  # noqa: E402
from matplotlib.figure import Figure  # noqa: E402
from PIL import Image  # noqa: E402
from review_samples import sample_review  # noqa: E402

from frametime.render.charts.card_bars import draw_standings  # noqa: E402
from frametime.render.charts.chart_sheet import figure_bytes  # noqa: E402
from frametime.render.charts.frame_times import draw_frame_times  # noqa: E402
from frametime.render.charts.matrix import draw_verdict_matrix  # noqa: E402
from frametime.render.charts.points import draw_ratios  # noqa: E402
from frametime.render.charts.theme import Theme  # noqa: E402

BASELINE = HERE / "baseline"
BLOCK = 15
"""Pixels of a block, about one line of text high."""
MOST_IN_A_BLOCK = 0.12
MOST_ON_AVERAGE = 0.004


def _frame_times(theme: Theme) -> Figure:
    capture = sample_capture(6000, with_sensors=True)
    return draw_frame_times(capture, measured(capture), theme)


CHARTS: dict[str, tuple[Theme, Callable[[Theme], Figure]]] = {
    "frame-times": (Theme.of("light", "web"), _frame_times),
    "ratios": (
        Theme.of("dark", "web"),
        lambda theme: draw_ratios(sample_review(n_cuts=3, bad_run=True), theme, candidate="card-1"),
    ),
    "matrix": (
        Theme.of("light", "web"),
        lambda theme: draw_verdict_matrix(sample_review(missing=True), theme, candidate="card-1"),
    ),
    "standings": (Theme.of("dark", "web"), lambda theme: draw_standings(sample_review(), theme)),
}


def picture(name: str) -> bytes:
    """The chart as it is drawn now."""
    theme, draw = CHARTS[name]
    return figure_bytes(draw(theme), theme, "png")


def in_blocks(content: bytes) -> np.ndarray:
    """Mean color of each block of pixels."""
    image = pixels(content)[..., :3]
    rows, columns = image.shape[0] // BLOCK, image.shape[1] // BLOCK
    cut = image[: rows * BLOCK, : columns * BLOCK]
    return cut.reshape(rows, BLOCK, columns, BLOCK, 3).mean(axis=(1, 3))


def differences(one: bytes, other: bytes) -> tuple[float, float]:
    """Greatest and mean difference of the blocks of two pictures, 0 to 1."""
    apart = np.abs(in_blocks(one) - in_blocks(other))
    return float(apart.max()), float(apart.mean())


@pytest.mark.parametrize("is_transparent", [False, True])
def test_a_png_holds_every_pixel_as_drawn(is_transparent: bool) -> None:
    theme = Theme.of("light", "print-85mm", transparent=is_transparent)
    figure = _frame_times(theme)
    found = Image.open(io.BytesIO(figure_bytes(figure, theme, "png")))
    assert found.mode == ("RGBA" if is_transparent else "RGB")
    assert found.info["dpi"] == pytest.approx((300.0, 300.0), abs=0.01)
    drawn = np.asarray(figure.canvas.buffer_rgba())  # type: ignore[attr-defined]  # of the Agg canvas
    assert np.array_equal(np.asarray(found.convert("RGBA")), drawn)


@pytest.mark.parametrize("name", CHARTS)
def test_a_chart_looks_as_it_did(name: str) -> None:
    greatest, mean = differences(picture(name), (BASELINE / f"{name}.png").read_bytes())
    assert greatest <= MOST_IN_A_BLOCK
    assert mean <= MOST_ON_AVERAGE


def test_the_comparison_sees_a_difference_in_a_number() -> None:
    theme = Theme.of("dark", "web")
    changed = figure_bytes(draw_standings(sample_review(noise=0.06), theme), theme, "png")
    greatest, _ = differences(changed, (BASELINE / "standings.png").read_bytes())
    assert greatest > MOST_IN_A_BLOCK


if __name__ == "__main__":
    BASELINE.mkdir(exist_ok=True)
    for chart in CHARTS:
        (BASELINE / f"{chart}.png").write_bytes(picture(chart))
