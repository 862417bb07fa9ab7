"""Every number on the page is that of the result: with seven digits behind it, rounded rightly in front of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from report_page_reading import at_pointer, expected_reading, parsed_once, read_number, shown_numbers

from frametime.caveats import Caveat, Weight
from frametime.pipeline.review_outputs import review_json
from frametime.render.tables.parts import first_reason
from frametime.review.result import ReviewResult
from frametime.review.sentence import texts


@pytest.fixture(scope="module", params=["small", "hostile", pytest.param("hundred", marks=pytest.mark.slow)])
def page_and_result(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Any], Any]:
    name = {"small": "small", "hostile": "hostile", "hundred": "hundred_cells"}[request.param]
    result: ReviewResult = request.getfixturevalue(name)
    folder: Path = request.getfixturevalue(f"{request.param}_folder")
    return list(shown_numbers(parsed_once(tmp_path_factory, folder))), json.loads(review_json(result))


def test_the_value_behind_a_number_is_that_of_the_result(
    page_and_result: tuple[list[Any], Any],
) -> None:
    shown, document = page_and_result
    assert len(shown) > 500
    for item in shown:
        value = at_pointer(document, item.pointer)
        written = json.loads(item.exact)
        assert written == (pytest.approx(value, rel=5e-7, abs=0.0) if isinstance(value, float) else value), item


def test_what_is_read_is_the_exact_value_rounded(page_and_result: tuple[list[Any], Any]) -> None:
    shown, document = page_and_result
    for item in shown:
        value = at_pointer(document, item.pointer)
        if value is None:
            assert item.text == "n/a", item
            continue
        if item.text.startswith("< "):
            assert item.pointer.endswith("/holm_p_value") and value < float(item.text.removeprefix("< ")), item
            continue
        read, half_unit = read_number(item.text)
        expected = expected_reading(value, item.shown_as)
        assert abs(read - expected) <= half_unit * (1.0 + 1e-9) + 1e-12 * abs(expected), item


def test_no_number_of_the_result_is_left_out(page_and_result: tuple[list[Any], Any]) -> None:
    shown, document = page_and_result
    there = {item.pointer for item in shown}
    headline = document["headline"]
    wanted = {"margin", "coverage/n_planned", "coverage/n_usable"}
    for number, item in enumerate(document["overall"]):
        wanted.add(f"overall/{number}/ratio")
        wanted.update(f"overall/{number}/counts/{name}" for name, count in item["counts"].items() if count)
        for interval in ("interval_these_scenes", "interval_scenes_like_these"):
            wanted.update(f"overall/{number}/{interval}/{end}" for end in ("low", "high") if item[interval])
    for number, item in enumerate(document["comparisons"]):
        wanted.update(f"comparisons/{number}/{name}" for name in ("ratio", "candidate_value", "baseline_value"))
        wanted.update(f"comparisons/{number}/interval_95/{end}" for end in ("low", "high") if item["interval_95"])
        if item["runs_needed"]:
            wanted.add(f"comparisons/{number}/runs_needed")
    wanted.update(f"standings/{number}/mean_value" for number in range(len(document["standings"])))
    for number in range(len(document["cells"])):
        wanted.update(f"cells/{number}/estimates/{metric['key']}/value" for metric in document["metrics"])
    for number, item in enumerate(document["value"]):
        if item["price"] is not None:
            wanted.update(f"value/{number}/{name}" for name in ("price", "mean_value", "money_per_fps"))
    wanted.update(f"efficiency/{number}/average_power_w" for number in range(len(document["efficiency"])))
    wanted.update(f"repeatability/{number}/s_r_pct" for number in range(len(document["repeatability"])))
    for number in range(len(document["runs"])):
        wanted.update({f"runs/{number}/values/{headline}", f"runs/{number}/provenance/rows_read"})
    assert wanted - there == set()


def test_the_words_of_each_verdict_are_there(small: ReviewResult, small_folder: Path) -> None:
    text = " ".join((small_folder / "report.html").read_text("utf-8").split())
    for item in small.overall:
        if item.cut == "all" and item.metric == small.headline:
            assert item.sentence in text
    for cut, paragraph in small.paragraphs.items():
        head, _, rest = paragraph.partition(". ")
        assert small.answers[cut].first.startswith(head)
        assert small.answers[cut].first in text and rest in text


def test_a_missing_number_is_explained_by_what_makes_it_missing() -> None:
    found = [
        Caveat(code=code, message=f"{code}.", weight=Weight.CARE)
        for code in ("level-change", "one-run-pooled", "not-all-play", "recurring-hitches", "no-ratio", "plain-mean")
    ]
    assert first_reason(found, "else") == "no-ratio."
    assert first_reason(found[:4], "else") == "else"
    left_out = [Caveat(code=code, message=code, weight=Weight.CARE) for code in ("missing-cells", "no-price")]
    assert first_reason(left_out, "else") == "no-price"
    assert first_reason(left_out[:1], "else") == "missing-cells"
    told = texts("caveats.txt")
    explain = {
        key for key in told if first_reason([Caveat(code=key, message="", weight=Weight.NOTE)], "else") != "else"
    }
    assert {"no-scatter", "one-run", "runs-without-value", "cells-without-power", "too-few-scenes"} < explain
    assert explain.isdisjoint({"run-to-repeat", "scattered-set", "session-shift", "driver-differs"})
