"""A plan is read whole or refused with file, line, key, what was found and what is allowed."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.errors import FrametimeError, PlanError
from frametime.pipeline.plan import ReviewPlan, parse_plan, read_plan
from frametime.pipeline.toml_lines import key_lines, line_of

PLAN = """\
title = "Two cards"
baseline = "amber-6"
margin = 0.02
headline = "average_fps"
metrics = ["p99_frame_time_ms", "average_fps"]
resolutions = ["1440p", "2160p"]
runs = 4
currency = "EUR"

[captures]
folder = "logs"
pattern = "{card}/{scene}/{resolution}/run{run}.csv.gz"

[[cards]]
key = "amber-6"
label = "Amber 6"
price = 499

[[cards]]
key = "birch-9"
price = 579.5
currency = "USD"
driver = "71.3"

[[scenes]]
key = "harbor"
tags = ["raster"]

[[scenes]]
key = "pavilion"
label = "Fern Pavilion"
tags = ["ray-traced"]
settings = "high"

[[cuts]]
key = "no-rays"
label = "Without ray tracing"
without_tags = ["ray-traced"]

[running_cost]
tariff_per_kwh = 0.32
hours_per_day = 3
years = 4

[[exclude]]
run = "birch-9/harbor/1440p/2"
reason = "an update ran in the background"
"""


def parsed(text: str) -> ReviewPlan:
    return parse_plan(text, file_name="plan.toml", folder=Path("bench"))


def test_a_plan_is_read_whole() -> None:
    plan = parsed(PLAN)
    design = plan.design
    assert (design.title, design.baseline, design.margin, design.headline) == (
        "Two cards",
        "amber-6",
        0.02,
        "average_fps",
    )
    assert [metric.key for metric in design.metrics] == ["p99_frame_time_ms", "average_fps"]
    assert [metric.better for metric in design.metrics] == ["lower", "higher"]
    assert [metric.is_headline for metric in design.metrics] == [False, True]
    assert [(card.label, card.price, card.currency, card.is_baseline) for card in design.cards] == [
        ("Amber 6", 499.0, "EUR", True),
        ("birch-9", 579.5, "USD", False),
    ]
    assert design.runs_planned == 4
    assert design.exclusions == {"birch-9/harbor/1440p/2": "an update ran in the background"}
    assert design.running_cost is not None
    assert design.running_cost.currency == "EUR"
    assert plan.scene_settings == {"pavilion": "high"}
    assert plan.captures.folder == Path("bench/logs")


def test_cuts_are_all_then_the_plans_own_then_one_for_each_resolution() -> None:
    cuts = {cut.key: cut for cut in parsed(PLAN).design.cuts}
    assert list(cuts) == ["all", "no-rays", "1440p", "2160p"]
    assert cuts["no-rays"].cells == (("harbor", "1440p"), ("harbor", "2160p"))
    assert cuts["no-rays"].definition == "not tagged ray-traced"
    assert cuts["2160p"].cells == (("harbor", "2160p"), ("pavilion", "2160p"))


def test_cuts_with_and_without_each_tag_on_demand() -> None:
    plan = parsed(PLAN.replace("runs = 4", 'runs = 4\ncut_each = ["tag"]'))
    assert [cut.key for cut in plan.design.cuts] == [
        "all",
        "no-rays",
        "with-raster",
        "without-raster",
        "with-ray-traced",
        "without-ray-traced",
    ]


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("margin = 0.02", "margn = 0.02", 3, ["unknown key 'margn'", "did you mean 'margin'"]),
        ("margin = 0.02", "margin = 3", 3, ["margin is 3", "above 0 and below 1"]),
        ("margin = 0.02", "margin = true", 3, ["margin is True", "a number"]),
        ('baseline = "amber-6"', 'baseline = "amber"', 2, ["baseline is 'amber'", "did you mean 'amber-6'"]),
        ('headline = "average_fps"', 'headline = "median_frame_time_ms"', 4, ["headline is", "'p99_frame_time_ms'"]),
        ('"p99_frame_time_ms", ', '"p99_frame_time", ', 5, ["metrics names", "did you mean 'p99_frame_time_ms'"]),
        ('"p99_frame_time_ms", ', '"average_fps", ', 5, ["twice"]),
        ("runs = 4", "runs = 0", 7, ["runs is 0", "whole number from 1"]),
        ('"{card}/{scene}/', '"../{card}/{scene}/', 12, ["captures.pattern", "'.' or '..'"]),
        ('/run{run}.csv.gz"', '/run.csv.gz"', 12, ["captures.pattern lacks '{run}'"]),
        ("price = 499", "price = -1", 17, ["cards.price is -1", "above 0"]),
        ("price = 579.5", 'price = "579"', 21, ["cards.price is '579'"]),
        ('key = "birch-9"', 'key = "amber-6"', 20, ["a second time"]),
        ('key = "birch-9"', 'key = "birch/9"', 20, ["without '/'"]),
        ('driver = "71.3"', 'drivr = "71.3"', 23, ["unknown key 'cards.drivr'", "did you mean 'driver'"]),
        ('tags = ["raster"]', 'tags = "raster"', 27, ["scenes.tags is 'raster'", "a list of texts"]),
        ('without_tags = ["ray-traced"]', 'without_tags = ["rays"]', 38, ["cuts.without_tags names 'rays'"]),
        ('without_tags = ["ray-traced"]', 'tags = ["raster"]\nwithout_tags = ["raster"]', 36, ["no cell falls into"]),
        ("hours_per_day = 3", "hours_per_day = 25", 42, ["running_cost.hours_per_day is 25"]),
        ("birch-9/harbor/1440p/2", "birch-9/harbor/2", 46, ["exclude.run", "card/scene/resolution/run"]),
        ("[captures]", "[captrues]", 10, ["captures is missing", "[captures]"]),
    ],
)
def test_each_mistake_is_named_with_its_line(old: str, new: str, line: int, words: list[str]) -> None:
    with pytest.raises(PlanError) as caught:
        parsed(PLAN.replace(old, new, 1))
    text = str(caught.value)
    assert text.startswith("plan.toml:")
    if "is missing" not in words[0]:
        assert f"line {line}:" in text, text
    for word in words:
        assert word in text, text


def test_a_misspelled_key_is_named_where_the_right_one_is_missing() -> None:
    with pytest.raises(PlanError, match=r"'cards\.key' is missing; 'kye' is no key here, did you mean 'key'\?"):
        parsed(PLAN.replace('key = "birch-9"', 'kye = "birch-9"', 1))


def test_a_reason_must_be_given_for_leaving_a_run_out() -> None:
    with pytest.raises(PlanError, match=r"line 45: the key 'exclude\.reason' is missing"):
        parsed(PLAN.replace('reason = "an update ran in the background"', ""))


def test_text_that_is_not_toml_names_the_line() -> None:
    with pytest.raises(PlanError, match=r"is not TOML: .*line 2"):
        parsed('title = "x"\nbaseline = \n')


def test_a_plan_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PLAN.encode())
    assert read_plan(path).design.title == "Two cards"


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"title = '\xe9'"])
def test_a_plan_that_is_not_text_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(content)
    with pytest.raises(PlanError, match="is not UTF-8"):
        read_plan(path)


def test_a_plan_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="cannot be read"):
        read_plan(tmp_path / "none.toml")


@given(st.text(max_size=200))
def test_any_text_is_a_plan_or_refused_in_one_line(text: str) -> None:
    try:
        parsed(text)
    except FrametimeError as error:
        assert str(error).isprintable()


@given(
    st.sampled_from(PLAN.splitlines()),
    st.sampled_from(["[]", "{}", "1979-05-27", "nan", "-inf", "''", "[[1]]", '"\\u0000"', "[{}]", "9" * 40, "true"]),
)
def test_any_value_in_place_of_another_is_read_or_refused_in_one_line(line: str, value: str) -> None:
    key, equals, _ = line.partition(" = ")
    try:
        parsed(PLAN.replace(line, f"{key} = {value}" if equals else line, 1))
    except FrametimeError as error:
        assert str(error).isprintable()


def test_lines_of_keys_are_found_past_texts_of_several_lines() -> None:
    text = 'a = """\nb = 1\n[c]\n"""\n[t]\nx.y = 2\n"quoted key" = 3\n[[u]]\n[[u]]\n[u.v]\nw = 1\n'
    tomllib.loads(text)
    lines = key_lines(text)
    assert ("b",) not in lines
    assert lines["t", "x", "y"] == 6
    assert lines["t", "quoted key"] == 7
    assert lines["u", 1, "v", "w"] == 11
    assert line_of(("u", 0, "nothing"), lines) == 8


def test_the_resolved_plan_holds_plain_values_only() -> None:
    import json

    resolved = parsed(PLAN).resolved
    assert json.loads(json.dumps(resolved)) == resolved
    assert resolved["spread"] == "shared"
