"""``[publish]`` of a plan: words, numbers, font, logo, sizes and themes of the charts."""

from __future__ import annotations

import io
import re
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from matplotlib import get_data_path
from PIL import Image

from frametime.errors import OutputError, PlanError
from frametime.pipeline.chart_files import ChartRequest
from frametime.pipeline.review_outputs import Writing, make_review
from frametime.plans.plan import ReviewPlan, read_plan
from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.charts.chart_sheet import Sheet, _picture, figure_bytes
from frametime.render.charts.theme import Theme

ROOT = Path(__file__).parents[2]
PLAN = ROOT / "reference_logs" / "review" / "plan.toml"
PUBLISH = """
[publish]
numbers = "1.234,5"
bench = ["Bench: an invented one."]
accent = "#d55e00"
logo = "logo.png"
font = "font.ttf"
sizes = ["print"]
themes = ["dark"]
[publish.labels.standings]
"baseline" = "reference"
"""


def plan_beside(folder: Path, publish: str) -> ReviewPlan:
    """The reference plan with a table of its own, in a folder with a logo and a font."""
    Image.new("RGB", (40, 20), "#ff0000").save(folder / "logo.png")
    font = Path(get_data_path()) / "fonts" / "ttf" / "STIXGeneral.ttf"
    (folder / "font.ttf").write_bytes(font.read_bytes())
    text = PLAN.read_text("utf-8").replace('folder = "captures"', f'folder = "{(PLAN.parent / "captures").as_posix()}"')
    (folder / "plan.toml").write_text(text + publish, "utf-8")
    return read_plan(folder / "plan.toml")


@pytest.mark.slow
@pytest.mark.usefixtures("same_bytes_are_measured_once")
def test_charts_are_written_as_the_plan_says(tmp_path: Path) -> None:
    plan = plan_beside(tmp_path, PUBLISH)
    request = ChartRequest(formats=("svg", "png"), only=("standings",))
    make_review(plan, tmp_path / "out", Writing(plan_file=tmp_path / "plan.toml", charts=request))
    folders = {path.name for path in (tmp_path / "out").glob("charts*")}
    assert folders == {"charts", "charts-light-print", "charts-dark-web", "charts-dark-print"}
    said = (tmp_path / "out" / "charts" / "standings-all.svg").read_text("utf-8")
    assert "· reference" in said
    assert "· baseline" not in said
    assert re.search(r"<!-- \d+,\d", said)
    assert not re.search(r"<!-- \d+\.\d", said)
    assert "Bench: an invented one." in " ".join(re.findall("<!-- (.*?) -->", said))
    assert "STIXGeneral" in said
    assert "#d55e00" in said
    picture = Image.open(io.BytesIO((tmp_path / "out" / "charts" / "standings-all.png").read_bytes())).convert("RGB")
    assert (255, 0, 0) in {color for _, color in picture.getcolors(1 << 20) or ()}


@pytest.mark.parametrize(
    ("publish", "words"),
    [
        ('[publish]\nlogo = "none.png"\n', "cannot be read"),
        ('[publish]\nlogo = "plan.toml"\n', "no PNG or SVG file"),
        ('[publish]\nfont = "none.ttf"\n', "cannot be read"),
        ('[publish]\nsizes = ["poster"]\n', "poster"),
        ('[publish]\nthemes = ["gray"]\n', "gray"),
        ('[publish.labels.pie]\na = "b"\n', "names no chart"),
    ],
)
def test_what_charts_cannot_use_is_refused_when_the_plan_is_read(tmp_path: Path, publish: str, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        plan_beside(tmp_path, publish)


SVG = (
    "<svg xmlns='http://www.w3.org/2000/svg' width='40' height='20'><rect width='40' height='20' fill='#1234ff'/></svg>"
)


def test_a_logo_may_be_an_svg(tmp_path: Path) -> None:
    (tmp_path / "logo.svg").write_text(SVG, "utf-8")
    theme = replace(Theme.of("light", "web"), logo=tmp_path / "logo.svg")
    sheet = Sheet(theme, CATALOG["matrix"])
    picture = Image.open(io.BytesIO(figure_bytes(sheet.figure, theme, "png"))).convert("RGB")
    colors = {color: n for n, color in picture.getcolors(1 << 20) or ()}
    assert colors[0x12, 0x34, 0xFF] > 1000


@pytest.mark.parametrize(
    ("content", "words"), [("<svg", "cannot be drawn"), (SVG.replace("40", "0"), "cannot be drawn")]
)
def test_an_svg_that_cannot_be_drawn_is_refused(tmp_path: Path, content: str, words: str) -> None:
    (tmp_path / "logo.svg").write_text(content, "utf-8")
    with pytest.raises(OutputError, match=rf"{words}.*\); save it as PNG$"):
        _picture(tmp_path / "logo.svg")


def test_without_the_package_that_draws_an_svg_the_command_that_installs_it_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "logo.svg").write_text(SVG, "utf-8")
    monkeypatch.setitem(sys.modules, "resvg_py", None)
    with pytest.raises(OutputError, match=r"; pip install 'frametime\[svg\]', or save it as PNG$"):
        _picture(tmp_path / "logo.svg")
