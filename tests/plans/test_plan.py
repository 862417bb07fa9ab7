"""A plan is read whole or refused with file, line, key, what was found and what is allowed."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frametime.errors import FrametimeError, PlanError
from frametime.plans.plan import ReviewPlan, exclusions_of, parse_plan, read_plan
from frametime.settings.toml_source import key_lines, line_of

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
    assert {key: scene.settings for key, scene in plan.scenes.items() if scene.settings} == {"pavilion": "high"}
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
        ("margin = 0.02", "margin = 3", 3, ["margin is 3", "margin is a fraction: for 3 % write 0.03"]),
        ("margin = 0.02", "margin = true", 3, ["margin is true", "a number"]),
        ('baseline = "amber-6"', 'baseline = "amber"', 2, ['baseline is "amber"', "did you mean 'amber-6'"]),
        ('headline = "average_fps"', 'headline = "median_frame_time_ms"', 4, ["headline is", '"p99_frame_time_ms"']),
        (
            '"p99_frame_time_ms", ',
            '"p99_frame_time", ',
            5,
            ['metrics holds "p99_frame_time"', "did you mean 'p99_frame_time_ms'"],
        ),
        ('"p99_frame_time_ms", ', '"average_fps", ', 5, ['metrics holds "average_fps" a second time']),
        ("runs = 4", "runs = 0", 7, ["runs is 0", "whole number from 1"]),
        ('"{card}/{scene}/', '"../{card}/{scene}/', 12, ["captures.pattern", "'.' or '..'"]),
        ('"{card}/{scene}', '"{scene}', 12, ['captures.pattern lacks "{card}"', "into a folder with its name"]),
        ("price = 499", "price = -1", 17, ["cards.price is -1", "a number from 0.0001 to 1000000000000"]),
        ("price = 579.5", 'price = "579"', 21, ['cards.price is "579"']),
        ('key = "birch-9"', 'key = "amber-6"', 20, ["a second time"]),
        ('key = "birch-9"', 'key = "birch/9"', 20, ["without '/'"]),
        ('driver = "71.3"', 'drivr = "71.3"', 23, ["unknown key 'cards.drivr'", "did you mean 'driver'"]),
        ('tags = ["raster"]', 'tags = "raster"', 27, ['scenes.tags is "raster"', "a list of texts"]),
        (
            'without_tags = ["ray-traced"]',
            'without_tags = ["rays"]',
            38,
            ['cuts.without_tags holds "rays"', '"raster", "ray-traced"'],
        ),
        ('without_tags = ["ray-traced"]', 'tags = ["raster"]\nwithout_tags = ["raster"]', 36, ["no cell falls into"]),
        ("hours_per_day = 3", "hours_per_day = 25", 42, ["running_cost.hours_per_day is 25"]),
        ("birch-9/harbor/1440p/2", "birch-9/harbor/2", 46, ["exclude.run", "card/scene/resolution/run"]),
        ("[captures]", "[captrues]", 10, ["unknown key 'captrues'", "did you mean 'captures'"]),
    ],
)
def test_each_mistake_is_named_with_its_line(old: str, new: str, line: int, words: list[str]) -> None:
    with pytest.raises(PlanError) as caught:
        parsed(PLAN.replace(old, new, 1))
    text = str(caught.value)
    assert text.startswith("plan.toml:")
    assert f"line {line}:" in text, text
    for word in words:
        assert word in text, text


def test_a_misspelled_key_is_named_where_the_right_one_is_missing() -> None:
    with pytest.raises(PlanError, match=r"line 20: unknown key 'cards\.kye'; did you mean 'key'\?"):
        parsed(PLAN.replace('key = "birch-9"', 'kye = "birch-9"', 1))


def test_a_reason_must_be_given_for_leaving_a_run_out() -> None:
    with pytest.raises(PlanError, match=r"line 45: exclude\.reason is missing; allowed: a text in quotes"):
        parsed(PLAN.replace('reason = "an update ran in the background"', ""))


def test_text_that_is_not_toml_names_the_line() -> None:
    with pytest.raises(PlanError, match=r"is not TOML: .*line 2"):
        parsed('title = "x"\nbaseline = \n')


@pytest.mark.parametrize(
    ("folder", "found"),
    [
        (r'"C:\logs"', "this is not TOML: Unescaped"),
        (r'"C:\Users"', "this is not TOML: "),
        (r'"C:\new"', "holds a line end or control character"),
    ],
)
def test_a_path_with_backslashes_says_what_to_write(folder: str, found: str) -> None:
    with pytest.raises(PlanError) as refused:
        parsed(PLAN.replace('folder = "logs"', f"folder = {folder}"))
    assert found in str(refused.value) and str(refused.value).endswith("; in a path write / for \\")


@pytest.mark.parametrize("price", ["549,00", "1.549,00", "1'549,00"])
def test_a_price_as_other_countries_write_it_says_how_to_write_it(price: str) -> None:
    with pytest.raises(PlanError, match=r"is not TOML: .*; write a number with a point and no other mark: 1549\.90"):
        parsed(PLAN + f'[[cards]]\nkey = "cedar"\nprice = {price}\n')


@pytest.mark.parametrize("folder", ['"""lo\ngs"""', '"logs'])
def test_a_text_without_backslashes_hears_nothing_of_them(folder: str) -> None:
    with pytest.raises(PlanError) as refused:
        parsed(PLAN.replace('folder = "logs"', f"folder = {folder}"))
    assert "in a path write" not in str(refused.value)


def test_a_plan_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PLAN.encode())
    assert read_plan(path).design.title == "Two cards"
    assert read_plan(str(path)) == read_plan(path), "a path may be a text"


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"title = '\xe9'"])
def test_a_plan_that_is_not_text_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(content)
    with pytest.raises(PlanError, match="the text is not UTF-8"):
        read_plan(path)


def test_a_plan_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="there is no such file"):
        read_plan(tmp_path / "none.toml")


@given(st.text(max_size=200))
def test_any_text_is_a_plan_or_refused_in_one_line(text: str) -> None:
    try:
        parsed(text)
    except FrametimeError as error:
        assert str(error).isprintable()


ODD_VALUES = ("[]", "{}", "1979-05-27", "nan", "-inf", "''", "[[1]]", '"\\u0000"', "[{}]", "9" * 40, "true")


@settings(max_examples=25)
@given(st.sampled_from(PLAN.splitlines()), st.sampled_from(ODD_VALUES))
def test_any_value_in_place_of_another_is_read_or_refused_in_one_line(line: str, value: str) -> None:
    check_value(line, value)


@pytest.mark.slow
@given(st.sampled_from(PLAN.splitlines()), st.sampled_from(ODD_VALUES))
def test_each_of_many_values_in_place_of_another_is_read_or_refused_in_one_line(line: str, value: str) -> None:
    check_value(line, value)


def check_value(line: str, value: str) -> None:
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


def test_a_scene_is_played_at_its_own_resolutions() -> None:
    design = parsed(PLAN.replace('tags = ["raster"]', 'tags = ["raster"]\nresolutions = ["2160p"]')).design
    assert design.cells == (("harbor", "2160p"), ("pavilion", "1440p"), ("pavilion", "2160p"))
    cuts = {cut.key: cut.cells for cut in design.cuts}
    assert cuts["all"] == design.cells
    assert cuts["1440p"] == (("pavilion", "1440p"),)


def test_a_scene_with_more_tags_falls_into_the_cut_of_each() -> None:
    more = '[[cuts]]\nkey = "night"\ntags = ["night"]\n'
    design = parsed(PLAN.replace('tags = ["raster"]', 'tags = ["raster", "night"]') + more).design
    cuts = {cut.key: cut.cells for cut in design.cuts}
    assert {scene for scene, _ in cuts["night"]} == {"harbor"} and cuts["night"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("price = 499", 'color = "green"', ['color is "green"', "a color, such as"]),
        ("runs = 4", 'runs = 4\npublish.notes = "long"', ['"long"', '"short"']),
        ("runs = 4", 'runs = 4\npublish.titles = { standing = "x" }', ["names no chart", "begin with the kind"]),
    ],
)
def test_what_charts_are_published_with_is_checked(old: str, new: str, words: list[str]) -> None:
    with pytest.raises(PlanError) as caught:
        parsed(PLAN.replace(old, new))
    assert all(word in str(caught.value) for word in words)


def test_colors_notes_and_titles_stand_in_the_result() -> None:
    written = 'runs = 4\npublish = { notes = "none", titles = { standings-all = "Ours" } }'
    plan = parsed(PLAN.replace("runs = 4", written).replace("price = 499", 'price = 499\ncolor = "#a1B2c3"'))
    published = plan.resolved["publish"]
    assert isinstance(published, dict)
    assert (published["notes"], published["titles"]) == ("none", {"standings-all": "Ours"})
    assert [card["color"] for card in plan.resolved["cards"]] == ["#a1B2c3", None]  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("listed", "words"), [('["4k"]', 'scenes.resolutions holds "4k"; allowed: one of "1440p"'), ("[]", "is empty")]
)
def test_a_scene_has_no_resolution_that_the_plan_lacks(listed: str, words: str) -> None:
    with pytest.raises(PlanError, match="line 28: ") as caught:
        parsed(PLAN.replace('tags = ["raster"]', f'tags = ["raster"]\nresolutions = {listed}'))
    assert words in str(caught.value)


def test_the_runs_planned_are_those_of_the_first_look() -> None:
    design = parsed(PLAN.replace("runs = 4", "looks = [3, 5, 8]")).design
    assert (design.looks, design.runs_planned) == ((3, 5, 8), 3)
    assert parsed(PLAN.replace("runs = 4", "runs = 3\nlooks = [3, 5]")).design.runs_planned == 3


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("looks = [5, 3]", "numbers of runs that rise"),
        ("looks = [3, 3]", "numbers of runs that rise"),
        ("looks = [1, 3]", "a whole number from 2"),
        ("looks = [3, 5]\nruns = 4", "the runs of the first look, 3"),
    ],
)
def test_looks_that_cannot_be_are_refused(written: str, words: str) -> None:
    with pytest.raises(PlanError, match=words):
        parsed(PLAN.replace("runs = 4", written))


@pytest.mark.parametrize(
    ("written", "subject"),
    [
        ("", ("birch-9",)),
        ('subject = "amber-6"\n', ("amber-6",)),
        ('subject = ["birch-9", "amber-6"]\n', ("birch-9", "amber-6")),
    ],
)
def test_the_subject_is_the_other_card_of_two_where_the_plan_names_none(written: str, subject: tuple[str, ...]) -> None:
    plan = parsed(PLAN.replace("runs = 4\n", f"runs = 4\n{written}"))
    assert plan.design.subject == subject
    assert plan.resolved["subject"] == list(subject)


def test_of_three_cards_none_is_the_subject_by_itself() -> None:
    plan = parsed(PLAN.replace("[[scenes]]", '[[cards]]\nkey = "cedar"\n\n[[scenes]]', 1))
    assert plan.design.subject == ()


def test_a_subject_is_a_card() -> None:
    with pytest.raises(PlanError, match=r"line 8: subject is \"birch\"; allowed: one of .*did you mean 'birch-9'"):
        parsed(PLAN.replace("runs = 4\n", 'runs = 4\nsubject = "birch"\n'))


def test_charts_that_the_plan_asks_for_are_kept_with_it() -> None:
    assert parsed(PLAN).charts is None
    plan = parsed(PLAN.replace("runs = 4\n", 'runs = 4\ncharts = ["standings", "matrix"]\n'))
    assert plan.charts == ("standings", "matrix")
    assert plan.resolved["charts"] == ["standings", "matrix"]


def test_a_plan_asks_for_charts_that_there_are() -> None:
    known = 'allowed: one of .*"standings", "scene-bars", .*"repeatability"$'
    with pytest.raises(PlanError, match=rf'line 8: charts holds "pie"; {known}'):
        parsed(PLAN.replace("runs = 4\n", 'runs = 4\ncharts = ["pie"]\n'))


NAMES = ["amber-6/harbor/1440p/1", "birch-9/harbor/1440p/1", "birch-9/pavilion/1440p/12", "birch-9/pavilion/2160p/1"]


@pytest.mark.parametrize(
    ("pattern", "left_out"),
    [
        ("birch-9/harbor/1440p/1", NAMES[1:2]),
        ("*/*/1440p/1", NAMES[:2]),
        ("birch-9/pavilion/*/1*", NAMES[2:]),
        ("*/*/*/*", NAMES),
    ],
)
def test_a_star_stands_for_any_part_of_the_name_of_a_run(pattern: str, left_out: list[str]) -> None:
    plan = parsed(PLAN.replace("birch-9/harbor/1440p/2", pattern))
    assert list(exclusions_of(plan, NAMES)) == left_out


def test_the_reason_of_a_run_is_that_of_the_first_exclusion_that_fits_it() -> None:
    more = '\n[[exclude]]\nrun = "birch-9/*/*/*"\nreason = "another driver"\n'
    found = exclusions_of(parsed(PLAN.replace("1440p/2", "1440p/1") + more), NAMES)
    assert found == {NAMES[1]: "an update ran in the background"} | dict.fromkeys(NAMES[2:], "another driver")


@pytest.mark.parametrize("pattern", ["birch-9/harbor/2160p/*", "*/harbor/1440p/3"])
def test_an_exclusion_that_fits_no_run_is_a_mistake(pattern: str) -> None:
    plan = parsed(PLAN.replace("birch-9/harbor/1440p/2", pattern))
    with pytest.raises(PlanError, match="there is no such capture"):
        exclusions_of(plan, NAMES)


@pytest.mark.parametrize("pattern", ["cedar*/harbor/1440p/1", "birch-9/*/4k/1", "*/*", "birch-9/har*/1440p/1/2"])
def test_an_exclusion_that_no_run_of_the_plan_can_have_is_told_with_its_line(pattern: str) -> None:
    with pytest.raises(PlanError, match=r"line 46: exclude\.run is .*or \* for any part"):
        parsed(PLAN.replace("birch-9/harbor/1440p/2", pattern))


def test_a_fault_in_a_list_is_told_with_the_line_of_its_element() -> None:
    listed = 'metrics = [\n    "average_fps",  # [not, a] = "table"\n    "p99_frame_tme_ms",\n]'
    with pytest.raises(PlanError, match=r"line 7: metrics holds \"p99_frame_tme_ms\""):
        parsed(PLAN.replace('metrics = ["p99_frame_time_ms", "average_fps"]', listed))


def test_lines_are_right_past_lists_of_lists_and_tables_in_a_line() -> None:
    text = 'a = [\n  [1, "]"],\n  {k = 1, l = {m = [\n2]}},\n]\nb."c d" = \'#\' # = [\n[e]\n'
    tomllib.loads(text)
    assert key_lines(text) == {
        ("a",): 1,
        ("a", 0): 2,
        ("a", 0, 0): 2,
        ("a", 0, 1): 2,
        ("a", 1): 3,
        ("a", 1, "k"): 3,
        ("a", 1, "l"): 3,
        ("a", 1, "l", "m"): 3,
        ("a", 1, "l", "m", 0): 4,
        ("b",): 6,
        ("b", "c d"): 6,
        ("e",): 7,
    }


def test_an_exclusion_that_fits_no_run_is_told_at_once() -> None:
    many = "*-" * 30 + "x"
    text = PLAN.replace("birch-9/harbor/1440p/2", f"birch-9/harbor/1440p/{many}")
    with pytest.raises(PlanError, match="there is no such capture"):
        exclusions_of(parsed(text), ["birch-9/harbor/1440p/" + "-" * 250])


def test_a_process_that_has_read_a_plan_leaves_its_classes_alone_when_it_ends() -> None:
    """Freeing them crashed some processes at their end, after all work: those that are left alone are frozen."""
    script = "import atexit, gc; atexit.register(lambda: print(gc.get_freeze_count() > 0)); import frametime.plans.plan"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout == "True\n"


def test_a_plan_of_one_card_needs_no_card_in_its_pattern() -> None:
    one = """title = "One card"
baseline = "amber-6"
resolutions = ["1440p"]

[captures]
folder = "captures"
pattern = "{scene}/run{run}.csv"

[[cards]]
key = "amber-6"

[[scenes]]
key = "harbor"

[[scenes]]
key = "mill"
"""
    assert parsed(one).captures.pattern.fields == ("scene", "run")
    with pytest.raises(PlanError, match="lacks"):
        parsed(one.replace("[[scenes]]", '[[cards]]\nkey = "birch-9"\n\n[[scenes]]', 1))


def test_a_plan_without_a_title_is_named_after_its_cards_and_scenes() -> None:
    few = 'baseline = "a"\nresolutions = ["1080p"]\nruns = 3\n'
    few += '[captures]\nfolder = "."\npattern = "{card}/{scene}/{run}.csv"\n'
    cards = "".join(f'[[cards]]\nkey = "{key}"\nlabel = "Card {key}"\n' for key in "abcd")
    scenes = '[[scenes]]\nkey = "harbor"\n[[scenes]]\nkey = "lake"\n'
    for n_cards, title in (
        (1, "Card a in 2 scenes"),
        (3, "Card a, Card b and Card c in 2 scenes"),
        (4, "4 cards in 2 scenes"),
    ):
        own = "[[cards]]".join(cards.split("[[cards]]")[: n_cards + 1])
        assert parsed(few + own + scenes).design.title == title
