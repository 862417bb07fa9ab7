"""Charts of ``review`` and ``tune`` on the command line: which, how they look, where they go."""

from __future__ import annotations

from pathlib import Path

import pytest
from run_cli import frametime

from frametime.cli.options import takes
from frametime.pipeline.chart_files import ChartRequest
from frametime.render.charts.theme import FORMATS, PALETTES, SIZES

pytestmark = pytest.mark.usefixtures("same_bytes_are_measured_once")

REVIEW = Path(__file__).parents[2] / "reference_logs" / "review"
RECORD = REVIEW / "tuning" / "tuning.toml"


def test_the_choices_are_those_there_are() -> None:
    @takes("drawing")
    def command() -> None:
        """Nothing."""

    options = {option.name: option for option in command.__click_params__}  # type: ignore[attr-defined]
    assert tuple(options["theme"].type.choices) == tuple(PALETTES)
    assert tuple(options["size"].type.choices) == tuple(SIZES)
    assert tuple(options["formats"].type.choices) == FORMATS
    defaults = ChartRequest()
    assert (options["theme"].default, options["size"].default) == (defaults.theme, defaults.size)


def test_a_review_draws_the_charts_that_are_asked_for(tmp_path: Path) -> None:
    # One resolution, and so a third of the captures.
    plan = (REVIEW / "plan.toml").read_text("utf-8").replace('folder = "captures"', f"folder = '{REVIEW / 'captures'}'")
    assert 'resolutions = ["1080p", "1440p", "2160p"]' in plan
    (tmp_path / "plan.toml").write_text(plan.replace('"1080p", "1440p", "2160p"', '"1440p"'), "utf-8")
    chosen = ("--only", "matrix", "--format", "svg", "--theme", "dark", "--no-report", "--quiet")
    done = frametime("review", tmp_path / "plan.toml", "--out", tmp_path / "out", *chosen)
    assert done.code == 0
    drawn = sorted(path.name for path in (tmp_path / "out" / "charts-dark-web").iterdir())
    assert len(drawn) == 2
    assert all(name.startswith("matrix-") and name.endswith(".svg") for name in drawn)
    assert not (tmp_path / "out" / "charts").exists()


def test_an_unknown_chart_is_refused_before_anything_is_measured(tmp_path: Path) -> None:
    done = frametime("review", REVIEW / "plan.toml", "--out", tmp_path / "out", "--only", "pie")
    assert done.code == 2
    assert "--only: there is no chart 'pie' here; known are frame-time-panels" in done.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("only", "names"),
    [((), ["tuning-gain.png", "tuning-map.png", "tuning-power.png"]), (("--only", "tuning-map"), ["tuning-map.png"])],
)
def test_charts_of_a_tuning_record(tmp_path: Path, only: tuple[str, ...], names: list[str]) -> None:
    done = frametime("tune", "show", RECORD, "--charts", tmp_path / "charts", *only)
    assert done.code == 0
    assert sorted(path.name for path in (tmp_path / "charts").iterdir()) == names


def test_the_plot_of_an_endurance_run(tmp_path: Path) -> None:
    log = next(path for path in sorted((REVIEW.parent / "recorded").rglob("run*.csv*")) if "sensors" not in path.name)
    done = frametime("tune", "endurance", log, "--plot", tmp_path / "long.pdf")
    assert done.code == 0
    assert (tmp_path / "long.pdf").read_bytes().startswith(b"%PDF")
