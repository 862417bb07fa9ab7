"""Figures to files: same bytes, right pixels, whole or not at all, never over another file."""

from __future__ import annotations

import io
import re
import subprocess
import sys
import zlib
from functools import cache
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from capture_samples import measured, sample_capture
from chart_reading import pixels
from matplotlib.figure import Figure
from PIL import Image
from review_samples import sample_review

from frametime.capture import Capture
from frametime.errors import OutputError
from frametime.metrics.metric import MeasuredRun
from frametime.render.charts.chart_sheet import FORMATS, figure_bytes, format_of, write_figure
from frametime.render.charts.frame_times import draw_frame_times
from frametime.render.charts.points import draw_ratios
from frametime.render.charts.theme import Theme
from frametime.replacing import write_bytes

THEME = Theme.of("light", "web")


@cache
def measured_capture() -> tuple[Capture, MeasuredRun]:
    capture = sample_capture(500, with_sensors=True)
    return capture, measured(capture)


def figure_of(theme: Theme) -> Figure:
    return draw_frame_times(*measured_capture(), theme)


@cache
def plain_bytes(file_format: str) -> bytes:
    """The figure in the theme, as the first test that asks for it draws it."""
    return figure_bytes(figure_of(THEME), THEME, file_format)


@pytest.mark.parametrize("file_format", FORMATS)
def test_drawn_twice_the_bytes_are_equal(file_format: str) -> None:
    one = plain_bytes(file_format)
    assert figure_bytes(figure_of(THEME), THEME, file_format) == one
    assert figure_bytes(figure_of(Theme.of("dark", "web")), Theme.of("dark", "web"), file_format) != one


@pytest.mark.parametrize("file_format", FORMATS)
def test_the_configuration_of_the_user_does_not_change_the_bytes(file_format: str) -> None:
    plain = plain_bytes(file_format)
    with mpl.rc_context({"lines.linewidth": 9.0, "axes.grid": True, "svg.hashsalt": "x", "font.size": 30.0}):
        assert figure_bytes(figure_of(THEME), THEME, file_format) == plain


def test_no_time_and_no_program_is_written_into_a_file() -> None:
    for file_format, words in (
        ("svg", (b"dc:date", b"dc:creator")),
        ("pdf", (b"CreationDate",)),
        ("png", (b"Software",)),
    ):
        content = plain_bytes(file_format)
        assert not any(word in content for word in words)


@pytest.mark.parametrize(
    ("size", "shape"),
    [("web", (675, 1200)), ("web-2x", (1350, 2400)), ("video-1080p", (1080, 1920)), ("video-4k", (2160, 3840))],
)
def test_pictures_have_the_pixels_of_their_size(size: str, shape: tuple[int, int]) -> None:
    theme = Theme.of("dark", size)
    assert pixels(figure_bytes(figure_of(theme), theme, "png")).shape[:2] == shape


def test_the_ground_is_left_out_on_request() -> None:
    clear = Theme.of("light", "web", transparent=True)
    corner = pixels(figure_bytes(figure_of(clear), clear, "png"))[2, 2]
    assert corner[3] == 0.0
    solid = pixels(plain_bytes("png"))[2, 2]
    assert solid[:3] == pytest.approx(np.ones(3))


def test_text_of_an_svg_is_drawn_as_paths() -> None:
    content = figure_bytes(figure_of(THEME), THEME, "svg")
    assert b"<text" not in content
    assert b"font-family" not in content


def test_text_of_a_pdf_stays_text_in_an_embedded_truetype_font() -> None:
    """What print shops ask for; the strings that a page shows are in its content stream (ISO 32000-1, 9.4.3)."""
    with THEME.settings():
        figure = Figure(figsize=(4, 3))
        figure.text(0.1, 0.1, "AVATAR 12 ms")
    content = figure_bytes(figure, THEME, "pdf")
    streams = [zlib.decompress(part) for part in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", content, re.DOTALL)]
    assert any(part.startswith(b"\x00\x01\x00\x00") for part in streams)
    assert b"/FontFile2" in content
    (page,) = [part for part in streams if b"BT\n" in part]
    assert b"".join(re.findall(rb"\(([^)]*)\)", page)).replace(b"\x00", b"") == b"AVATAR 12 ms"


def test_png_is_opaque_unless_asked_for() -> None:
    figure = Figure(figsize=(2.0, 1.0), dpi=100)
    assert pixels(figure_bytes(figure, THEME, "png")).shape == (100, 200, 3)
    figure.patch.set_alpha(0.0)
    found = pixels(figure_bytes(figure, THEME, "png"))
    assert found.shape == (100, 200, 4)
    assert found[..., 3].max() == 0.0


def test_png_keeps_its_resolution_and_names_no_program() -> None:
    image = Image.open(io.BytesIO(figure_bytes(Figure(figsize=(2.0, 1.0), dpi=100), THEME, "png")))
    assert image.info["dpi"] == pytest.approx((THEME.size.dpi, THEME.size.dpi), abs=0.01)
    assert "Software" not in image.info


def test_a_file_is_not_replaced_without_force(tmp_path: Path) -> None:
    path = tmp_path / "chart.png"
    path.write_bytes(b"mine")
    with pytest.raises(OutputError, match=r"chart\.png: the file exists; --force replaces it"):
        write_figure(figure_of(THEME), THEME, path)
    assert path.read_bytes() == b"mine"
    write_figure(figure_of(THEME), THEME, path, force=True)
    assert path.read_bytes().startswith(b"\x89PNG")
    assert [item.name for item in tmp_path.iterdir()] == ["chart.png"]


def test_a_failed_write_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full_disk)
    with pytest.raises(OutputError, match=r"cannot be written \(No space left on device\)"):
        write_bytes(tmp_path / "chart.png", b"x")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("name", "file_format"), [("a.png", "png"), ("a.SVG", "svg"), ("a.b.pdf", "pdf")])
def test_the_ending_is_the_format(name: str, file_format: str) -> None:
    assert format_of(Path(name)) == file_format


@pytest.mark.parametrize("name", ["chart", "chart.jpg", "chart.png.txt"])
def test_other_endings_are_refused(name: str) -> None:
    with pytest.raises(OutputError, match=r"is no format for a chart; use \.png, \.svg or \.pdf"):
        format_of(Path(name))
    with pytest.raises(ValueError, match="file_format must be one of png, svg, pdf, got 'jpg'"):
        figure_bytes(figure_of(THEME), THEME, "jpg")


def test_drawing_does_not_import_pyplot() -> None:
    here = Path(__file__).parents[2] / "samples"
    program = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from capture_samples import measured, sample_capture\n"
        "from review_samples import sample_review\n"
        "from frametime.render.charts.frame_times import draw_frame_times\n"
        "from frametime.render.charts.drawings import review_figures\n"
        "from frametime.render.charts.chart_sheet import figure_bytes\n"
        "from frametime.render.charts.theme import Theme\n"
        "theme = Theme.of('light', 'web')\n"
        "capture = sample_capture(300)\n"
        "figures = [draw_frame_times(capture, measured(capture), theme)]\n"
        "review = sample_review(n_cards=2, n_scenes=1, n_runs=2, n_cuts=1, resolutions=('1440p',))\n"
        "drawn = {name: draw() for name, draw in review_figures(review, theme)}\n"
        "figures += drawn.values()\n"
        "for kind in ('png', 'svg', 'pdf'):\n"
        "    figure_bytes(figures[0], theme, kind)\n"
        "print('matplotlib.pyplot' in sys.modules, *{name.split('-')[0] for name in drawn})\n"
    )
    done = subprocess.run([sys.executable, "-c", program, str(here)], capture_output=True, text=True, check=False)
    imported, *kinds = done.stdout.split()
    assert imported == "False", done.stderr
    assert len(kinds) == 9  # every kind of chart that a review without frame times draws


def test_listing_charts_sizes_and_themes_does_not_import_matplotlib() -> None:
    modules = "frametime.render.charts.theme, frametime.render.charts.chart_catalog"
    program = f"import sys, {modules}; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_foreign_names_stay_text_in_a_file() -> None:
    capture = sample_capture(200, card="<script>alert(1)</script> & $x^2$")
    content = figure_bytes(draw_frame_times(capture, measured(capture), THEME), THEME, "svg")
    assert b"<script" not in content
    assert figure_bytes(draw_ratios(sample_review(n_scenes=1), THEME, candidate="card-1"), THEME, "svg")
