"""The chart files of a review, of a few captures and of tuning: names, contents, several processes."""

from __future__ import annotations

from pathlib import Path

import pytest
from capture_samples import measured, sample_capture
from review_samples import sample_review

from frametime.errors import OutputError
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.chart_files import ChartRequest, chart_writers, plot_run
from frametime.pipeline.tuning_record import summarize_file, write_tuning_charts
from frametime.render.charts.chart_sheet import figure_bytes
from frametime.render.charts.drawings import review_figures
from frametime.render.charts.theme import Theme
from frametime.review.result import ReviewResult
from frametime.tuning.endurance_verdict import judge_endurance

pytestmark = pytest.mark.usefixtures("same_bytes_are_measured_once")

RECORD = Path(__file__).parents[2] / "reference_logs" / "review" / "tuning" / "tuning.toml"


def written(result: ReviewResult, folder: Path, *, request: ChartRequest, workers: int | None = None) -> list[Path]:
    """The charts, each under its name in the folder."""
    writers = chart_writers(result, request, workers=workers)
    for name, write in writers.items():
        write(folder / Path(name).name)
    return [folder / Path(name).name for name in writers]


@pytest.mark.slow
def test_several_processes_draw_what_one_draws(tmp_path: Path) -> None:
    result = sample_review(n_scenes=2, n_cards=2, n_runs=2, with_curves=True)
    request = ChartRequest(only=("matrix", "ratios", "standings", "scene-bars", "repeatability", "percentiles"))
    one = written(result, tmp_path / "one", request=request, workers=1)
    two = written(result, tmp_path / "two", request=request, workers=2)
    assert len(one) > 8
    assert [path.name for path in one] == [path.name for path in two]
    for first, second in zip(one, two, strict=True):
        assert first.read_bytes() == second.read_bytes()


def test_every_figure_of_the_review_becomes_a_file_in_every_format(tmp_path: Path) -> None:
    result = sample_review(n_scenes=1, n_cards=2)
    request = ChartRequest(theme="dark", size="print", formats=("svg", "pdf"), only=("matrix", "standings"))
    paths = written(result, tmp_path, request=request)
    theme = Theme.of("dark", "print")
    names = [name for name, _ in review_figures(result, theme, only=request.only)]
    assert [path.name for path in paths] == [f"{name}.{ending}" for name in names for ending in ("svg", "pdf")]
    (_, drawing), *_ = review_figures(result, theme, only=request.only)
    assert paths[0].read_bytes() == figure_bytes(drawing(), theme, "svg")


def test_writers_draw_only_when_asked() -> None:
    writers = chart_writers(sample_review(n_scenes=1, n_cards=2), ChartRequest())
    assert all(name.startswith("charts/") and name.endswith(".png") for name in writers)


def test_one_capture_becomes_one_picture(tmp_path: Path) -> None:
    capture = sample_capture(400)
    run = measured(capture)
    plot_run(capture, run, tmp_path / "a.svg", theme=Theme.of("dark", "video-1080p"))
    assert b"<svg" in (tmp_path / "a.svg").read_bytes()
    with pytest.raises(OutputError, match="the file exists"):
        plot_run(capture, run, tmp_path / "a.svg", theme=Theme.of())


def test_tuning_charts_and_the_endurance_run(tmp_path: Path) -> None:
    paths = write_tuning_charts(summarize_file(str(RECORD)), tmp_path, request=ChartRequest())
    assert [path.name for path in paths] == ["tuning-map.png", "tuning-gain.png", "tuning-power.png"]
    capture = sample_capture(900, with_sensors=True)
    run = measured(capture, MeasureOptions(temperature_limit_c=85.0))
    plot_run(capture, run, tmp_path / "long.png", theme=Theme.of(), verdict=judge_endurance(capture, run))
    assert (tmp_path / "long.png").read_bytes().startswith(b"\x89PNG")


def test_other_looks_have_folders_of_their_own() -> None:
    assert ChartRequest(formats=("svg",)).folder == "charts"
    assert ChartRequest(theme="dark", size="video-4k").folder == "charts-dark-video-4k"
    assert ChartRequest(transparent=True).folder == "charts-light-web-transparent"
    result = sample_review(n_scenes=1, n_cards=2)
    assert all(name.startswith("charts-dark-web/") for name in chart_writers(result, ChartRequest(theme="dark")))
