"""A reader's own choice in the page, against the review of a plan that has this choice as a cut and these prices."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import example_result as example
import numpy as np
import pytest

from frametime.pipeline.review_files import review_plan
from frametime.plans.plan import parse_plan
from frametime.render.report.document import Report, Section
from frametime.render.report.html import render_html
from frametime.render.report.page_data import reader_choice
from frametime.render.tables.review_comparisons import overall_table, standings_table, value_table
from frametime.render.tables.table import Table, line_text
from frametime.review.design import CutEntry, ReviewDesign
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs
from frametime.review.run_set import PlacedRun

pytestmark = pytest.mark.browser

CUT = "choice"
REFERENCE = Path(__file__).parents[2] / "reference_logs" / "review"
TEXTS = """
() => [...document.querySelectorAll('.reader table')].map((table) => [...table.tBodies[0].rows].map(
  (row) => [...row.cells].map((cell) => cell.textContent.trim().replaceAll('\\u00a0%', ' %'))))
"""


def some_runs(rng: np.random.Generator, design: ReviewDesign) -> list[PlacedRun]:
    """Runs of which cells, values and repeats lack here and there, some of them equal to the last digit."""
    noise = float(rng.choice([0.0, 0.002, 0.01, 0.04]))
    holes, lacking, n_most = rng.choice([0.0, 0.1, 0.3]), rng.choice([0.0, 0.05, 0.3]), int(rng.integers(1, 5))
    runs = []
    for scene, resolution in design.cells:
        level = 60.0 * math.exp(0.3 * rng.standard_normal())
        for number, card in enumerate(design.cards):
            if rng.random() < holes * (2.0 if number else 0.5):
                continue
            speed = level * math.exp(0.03 * number + 0.02 * rng.standard_normal())
            has_low = rng.random() >= lacking
            for run in range(1, int(rng.integers(1, n_most + 1)) + 1):
                fps = speed * math.exp(noise * rng.standard_normal())
                low = fps * 0.7 * math.exp(noise * rng.standard_normal())
                values = {
                    "average_fps": fps,
                    "low_1pct_percentile_fps": low if has_low else None,
                    "median_frame_time_ms": 1000.0 / fps * (1.0 + noise * rng.random()),
                }
                runs.append(example.placed_run(card.key, scene, resolution, str(run), values))
    return runs


def some_design(rng: np.random.Generator) -> ReviewDesign:
    """A design by chance: rules of scatter and sample, headline, cards, scenes, resolutions, prices."""
    cards = [f"card-{number}" for number in range(int(rng.integers(2, 7)))]
    prices = {card: float(rng.integers(200, 900)) + float(rng.choice([0.0, 0.5, 0.99])) for card in cards}
    if rng.random() < 0.3:
        del prices[cards[int(rng.integers(len(cards)))]]
    average, low, _ = example.METRICS
    median = replace(low, key="median_frame_time_ms", label="median", unit="ms", better="lower")
    metrics = [average, low, median] if rng.random() < 0.6 else [median, average]
    return example.design(
        cards,
        [f"scene-{number}" for number in range(int(rng.integers(1, 6)))],
        ("1080p", "1440p", "2160p")[: int(rng.integers(1, 4))],
        prices=prices,
        metrics=[replace(metric, is_headline=place == 0) for place, metric in enumerate(metrics)],
        spread=str(rng.choice(["shared", "own", "pooled"])),
        sample_unit=str(rng.choice(["scene", "cell"])),
        margin=float(rng.choice([0.01, 0.03, 0.05])),
    )


def printed(table: Table, columns: Sequence[str], **chosen: str) -> list[dict[str, str]]:
    """What the review prints in some columns, row by row."""
    rows = table.where(**chosen).rows
    return [{key: line_text(table.line(row, key)) for key in ("card", *columns)} for row in rows]


def expected(result: ReviewResult, metrics: Sequence[str]) -> list[list[list[str]]]:
    """The texts of the reader's tables, from the tables of the review."""
    tables = []
    for metric in metrics:
        chosen = {"cut": CUT, "metric": metric}
        against = {row["card"]: row for row in printed(overall_table(result), OVERALL, **chosen)}
        rows = []
        for row in printed(standings_table(result), STANDING, **chosen):
            compared = against.get(row["card"], dict.fromkeys(OVERALL, "baseline"))
            verdict = compared["verdict"].removesuffix(", real but small")
            there = (row["place"], row["mean_value"], row["ratio_to_baseline"], row["interval"])
            like = (compared["interval_scenes_like_these"], compared["verdict_like_these"])
            rows.append([row["card"], *there, verdict, *like, row["n_cells"]])
        tables.append(rows)
    if value := [list(row.values()) for row in printed(value_table(result), VALUE, cut=CUT)]:
        tables.append(value)
    return tables


OVERALL = ("interval_these_scenes", "verdict", "interval_scenes_like_these", "verdict_like_these")
STANDING = ("place", "mean_value", "ratio_to_baseline", "interval", "n_cells")
VALUE = (
    *("price", "money_per_fps", "fps_per_money", "value_ratio", "value_ratio_interval"),
    *("break_even_price", "baseline_break_even_price"),
)


def written(result: ReviewResult, path: Path) -> list[str]:
    """A page that holds the reader's choice alone; the metrics that it shows."""
    section = Section("reader", "Your own choice", (reader_choice(result),))
    report = Report(title="x", subtitle="", lead=(), cautions=(), sections=(section,), colophon="")
    path.write_text(render_html(report), "utf-8")
    return list(dict.fromkeys([result.headline, *(item.metric for item in result.log_means)]))


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    context = browser.new_context(offline=True)
    yield context.new_page()
    context.close()


CHOOSE = """
([legend, wanted]) => {
  const set = [...document.querySelectorAll('.reader fieldset')]
    .find((one) => one.querySelector('legend').textContent.startsWith(legend));
  const inputs = [...set.querySelectorAll('input')];
  wanted.forEach((value, at) => {
    if (typeof value === 'boolean') { if (inputs[at].checked !== value) inputs[at].click(); return; }
    inputs[at].value = value;
    inputs[at].dispatchEvent(new Event('input', { bubbles: true }));
  });
  return inputs.length === wanted.length;
}
"""


def choose(page: Any, legend: str, wanted: Sequence[bool | str]) -> None:
    """Click boxes, or type prices; one call, as hundreds of choices are made."""
    assert page.evaluate(CHOOSE, [legend, list(wanted)])


def chance_of_some(rng: np.random.Generator, count: int) -> list[bool]:
    chosen = [bool(on) for on in rng.random(count) < 0.6]
    return chosen if any(chosen) else [True] * count


@pytest.mark.parametrize("seed", range(16))
def test_a_choice_by_chance_is_what_the_review_prints(page: Any, tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    design = some_design(rng)
    runs = some_runs(rng, design)
    metrics = written(review_runs(design, runs), tmp_path / "page.html")
    page.goto((tmp_path / "page.html").as_uri())
    for _ in range(3):
        scenes, resolutions = (chance_of_some(rng, len(part)) for part in (design.scenes, design.resolutions))
        prices = [round(float(rng.uniform(100.0, 999.0)), int(rng.integers(0, 4))) for _ in design.cards]
        choose(page, "Scenes", scenes)
        choose(page, "Resolutions", resolutions)
        choose(page, "Prices", [repr(price) for price in prices])
        on = {scene.key for scene, is_on in zip(design.scenes, scenes, strict=True) if is_on}
        at = {name for name, is_on in zip(design.resolutions, resolutions, strict=True) if is_on}
        cells = tuple(cell for cell in design.cells if cell[0] in on and cell[1] in at)
        priced = zip(design.cards, prices, strict=True)
        edited = replace(
            design,
            cards=tuple(replace(card, price=price, currency="EUR") for card, price in priced),
            cuts=(*design.cuts, CutEntry(key=CUT, label="Choice", definition="", cells=cells)),
        )
        assert page.evaluate(TEXTS) == expected(review_runs(edited, runs), metrics)


def test_a_plan_that_is_edited_gives_what_the_page_gives(page: Any, tmp_path: Path) -> None:
    text = (REFERENCE / "plan.toml").read_text("utf-8")
    before = review_plan(parse_plan(text, file_name="plan.toml", folder=REFERENCE), workers=1)
    metrics = written(before, tmp_path / "page.html")
    page.goto((tmp_path / "page.html").as_uri())
    choose(page, "Scenes", [True, False, True, True, False])
    choose(page, "Resolutions", [False, True, True])
    choose(page, "Prices", ["549", "585.5", "459"])
    edited, n_prices = re.subn(r"price = 639.00", "price = 585.5", text)
    assert n_prices == 1
    edited += (
        '\n[[cuts]]\nkey = "choice"\nscenes = ["orchard", "lanterns", "pavilion"]\nresolutions = ["1440p", "2160p"]\n'
    )
    after = review_plan(parse_plan(edited, file_name="plan.toml", folder=REFERENCE), workers=1)
    assert page.evaluate(TEXTS) == expected(after, metrics)


def test_a_tag_switches_its_scenes_and_all_comes_back(page: Any, tmp_path: Path) -> None:
    result = example.example_result()
    written(result, tmp_path / "page.html")
    page.goto((tmp_path / "page.html").as_uri())
    whole = page.evaluate(TEXTS)
    page.get_by_label("ray-traced").uncheck()
    assert not page.get_by_label("Pavilion").is_checked()
    assert page.evaluate(TEXTS) != whole
    page.get_by_label("Harbor").uncheck()
    page.get_by_label("Canyon").uncheck()
    assert page.evaluate(TEXTS) == []
    assert page.get_by_text("No cell is left").is_visible()
    page.get_by_role("button", name="As in the review").click()
    assert page.evaluate(TEXTS) == whole
