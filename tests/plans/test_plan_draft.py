"""A first plan is read again, finds the captures it was drafted from, and asks where it cannot tell."""

from __future__ import annotations

import gzip
import json
import os
import re
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from drafted import draft_plan
from hypothesis import example, given, settings
from hypothesis import strategies as st

from frametime.errors import PlanError
from frametime.plans.finding_runs import find_runs
from frametime.plans.path_pattern import RESOLUTION, PathPattern
from frametime.plans.path_reading import _NO_NAME
from frametime.plans.plan import exclusions_of, parse_plan, read_plan
from frametime.plans.plan_draft import draft_plans
from frametime.review.run_set import run_name
from frametime.settings.toml_source import toml_value


def touch(folder: Path, *names: str) -> Path:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        text = "time_s,power_w\n0,200\n1,210\n" if "sensors" in name else "frame_time_ms\n16.6\n16.7\n16.6\n"
        content = text.encode()
        (folder / name).write_bytes(gzip.compress(content) if name.endswith(".gz") else content)
    return folder


def matrix(ending: str = ".csv.gz") -> list[str]:
    return [
        f"{card}/{scene}/{resolution}/run{run}{ending}"
        for card in ("amber-6", "birch 9")
        for scene in ("harbor", "canyon")
        for resolution in ("1440p", "2160p")
        for run in (1, 2, 10)
    ]


def test_the_draft_finds_what_it_was_made_from(tmp_path: Path) -> None:
    folder = touch(tmp_path / "captures", *matrix(), "notes.md")
    draft = draft_plan(folder, beside=tmp_path)
    assert draft.pattern.text == "{card}/{scene}/{resolution}/run{run}.csv.gz"
    assert (draft.cards, draft.scenes) == (("amber-6", "birch 9"), ("canyon", "harbor"))
    assert (draft.resolutions, draft.n_runs, len(draft.places)) == (("1440p", "2160p"), 3, 24)
    plan = parse_plan(draft.text, file_name="plan.toml", folder=tmp_path)
    assert len(find_runs(plan).runs) == 24
    assert plan.design.label("birch 9") == "Birch 9"
    assert plan.design.runs_planned == 3


def test_the_baseline_is_the_first_card_that_lacks_the_fewest_cells(tmp_path: Path) -> None:
    """One without a cell would leave every other card there without a comparison."""
    names = [name for name in matrix() if not name.startswith("amber-6/harbor/2160p")]
    draft = draft_plan(touch(tmp_path / "captures", *names), beside=tmp_path)
    assert 'baseline = "birch 9"' in draft.text
    whole = draft_plan(touch(tmp_path / "whole", *matrix()), beside=tmp_path)
    assert 'baseline = "amber-6"' in whole.text


def test_sensor_logs_are_recognized_by_their_name(tmp_path: Path) -> None:
    folder = touch(tmp_path / "captures", *matrix(".csv"), *matrix(".sensors.csv"))
    draft = draft_plan(folder, beside=tmp_path)
    assert len(draft.places) == 24
    plan = parse_plan(draft.text, file_name="plan.toml", folder=tmp_path)
    assert plan.captures.sensors is not None
    found = find_runs(plan)
    assert len(found.runs) == 24
    assert found.without_sensors == ()


@pytest.mark.parametrize("stray", ["a/idle.sensors.csv", "tests/idle.sensors.csv"])
def test_the_pattern_of_most_sensor_logs_stands_and_those_beside_it_are_told(tmp_path: Path, stray: str) -> None:
    """One stray log of an idle machine took the power of all runs away."""
    folder = touch(tmp_path / "captures", *matrix(".csv"), *matrix(".sensors.csv"), stray)
    draft = draft_plan(folder, beside=tmp_path)
    assert draft.sensors is not None and draft.sensors.text == "{card}/{scene}/{resolution}/run{run}.sensors.csv"
    assert "  sensor logs   25  pattern " + draft.sensors.text + ", which 24 of them fit" in draft.understood
    (folder / stray).unlink()
    assert "  sensor logs   24  pattern " + draft.sensors.text in draft_plan(folder, beside=tmp_path).understood
    half = touch(tmp_path / "half", *matrix(".csv"), *matrix(".sensors.csv"), *matrix(".sensors-2.csv"))
    assert draft_plan(half, beside=tmp_path).sensors is None


@pytest.mark.parametrize("order", ["{resolution}/{card}/{scene}", "{card}/{resolution}/{scene}"])
def test_resolutions_are_recognized_wherever_they_stand(tmp_path: Path, order: str) -> None:
    names = [
        order.format(card=card, scene=scene, resolution=resolution) + "/take3.log"
        for card in ("amber", "birch")
        for scene in ("harbor",)
        for resolution in ("1920x1080", "3840x2160")
    ]
    draft = draft_plan(touch(tmp_path, *names), beside=tmp_path)
    assert draft.pattern.text == order + "/take{run}.log"


def test_without_resolutions_card_and_scene_are_enough(tmp_path: Path) -> None:
    draft = draft_plan(touch(tmp_path, "amber/harbor/1.csv", "birch/harbor/1.csv"), beside=tmp_path)
    assert draft.pattern.text == "{card}/{scene}/{run}.csv"
    plan = parse_plan(draft.text, file_name="plan.toml", folder=tmp_path)
    assert [run.place["resolution"] for run in find_runs(plan).runs] == ["default", "default"]


def test_a_resolution_that_no_name_holds_is_told(tmp_path: Path) -> None:
    draft = draft_plan(touch(tmp_path, "amber/harbor/1.csv", "birch/harbor/1.csv"), beside=tmp_path)
    told = "No resolution stands in the names of 2 captures: theirs is 'default', the first of the plan; write there"
    assert any(line.startswith(told) for line in draft.understood)
    plan = parse_plan(draft.text.replace('["default"]', '["1440p"]'), file_name="plan.toml", folder=tmp_path)
    assert [run.place["resolution"] for run in find_runs(plan).runs] == ["1440p", "1440p"]


@pytest.mark.parametrize(
    ("gap", "pattern"), [("", "{card}/{scene}{resolution}{run}.csv"), ("_", "{card}/{scene}{resolution}_{run}.csv")]
)
def test_a_given_pattern_parts_short_names_from_lines_and_lines_from_letters(
    tmp_path: Path, gap: str, pattern: str
) -> None:
    tails = [f"{size}{gap}{run}.csv" for size in (1080, 1440) for run in "ab"]
    names = [f"{card}/{scene}{tail}" for card in "xy" for scene in ("sea", "mine") for tail in tails]
    folder = touch(tmp_path, *names)
    draft = draft_plan(folder, beside=tmp_path, pattern=PathPattern.parse(pattern))
    assert (draft.cards, draft.scenes, draft.resolutions) == (("x", "y"), ("mine", "sea"), ("1080", "1440"))
    assert (draft.left_over, draft.n_runs) == ((), 2)
    plan = parse_plan(draft.text, file_name="plan.toml", folder=tmp_path)
    assert {tuple(run.place.values()) for run in find_runs(plan).runs} >= {("x", "sea", "1080", "1")}
    assert len(find_runs(plan).runs) == 16


def test_resolutions_stand_by_their_size(tmp_path: Path) -> None:
    names = [f"{card}/harbor_{size}_1.csv" for card in ("amber", "birch") for size in ("4K", "FHD", "1440p")]
    draft = draft_plan(touch(tmp_path, *names), beside=tmp_path)
    assert draft.resolutions == ("FHD", "1440p", "4K")
    assert "  resolutions    3  FHD (2), 1440p (2), 4K (2)" in draft.understood


def test_a_pattern_that_is_given_is_used(tmp_path: Path) -> None:
    folder = touch(tmp_path, "harbor_1440p_amber_1.csv", "harbor_1440p_birch_1.csv", "readme.txt")
    pattern = PathPattern.parse("{scene}_{resolution}_{card}_{run}.csv")
    draft = draft_plan(folder, beside=tmp_path, pattern=pattern)
    assert draft.cards == ("amber", "birch")
    assert draft.left_over == ("readme.txt",)


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (["run1.csv"], "cannot be told"),
        (["a/b/c/d/run1.csv"], "cannot be told"),
        (["a/b/run1.csv", "a/run1.csv"], "cannot be told"),
        (["a/b/run1.csv", "a/b/take1.csv"], "cannot be told"),
        (["a/b/notes.pdf"], "no capture"),
    ],
)
def test_what_cannot_be_told_is_asked(tmp_path: Path, names: list[str], words: str) -> None:
    with pytest.raises(PlanError, match=words):
        draft_plan(touch(tmp_path, *names), beside=tmp_path)


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="no such folder"):
        draft_plan(tmp_path / "nowhere", beside=tmp_path)


def test_a_file_in_place_of_the_folder_is_called_a_file(tmp_path: Path) -> None:
    (tmp_path / "run1.csv").write_text("")
    with pytest.raises(PlanError, match="this is a file; name the folder of the captures"):
        draft_plan(tmp_path / "run1.csv", beside=tmp_path)


@given(st.text(st.characters(blacklist_categories=("Cs",)), max_size=30))
def test_any_text_is_quoted_as_toml(text: str) -> None:
    import tomllib

    assert tomllib.loads(f"x = {toml_value(text)}")["x"] == text


ODD_NAMES = st.one_of(
    st.sampled_from(
        [
            "<script>",
            "a b",
            "a.b",
            "'",
            '"',
            "[x]",
            "{card}",
            "*",
            "Ω-9",
            "\u202eevil",
            "a\nb",
            " ",
            "#",
            "=1+1",
            "\udcff",
            "all",
        ]
    ),
    st.text(st.characters(blacklist_characters="/\0", codec="utf-8"), min_size=1, max_size=12),
    st.sampled_from(["amber", "Amber", "AMBER", "amber-", "amber 6", "amber-6", "n" * 200]),
).filter(lambda name: not name.startswith("."))


UP_TO_FOUR = st.lists(ODD_NAMES, min_size=1, max_size=4, unique=True)
UP_TO_THREE = st.lists(ODD_NAMES, min_size=1, max_size=3, unique=True)


@settings(max_examples=35, deadline=None)
@example(cards=["x1"], scenes=["²"])
@example(cards=["<script>", "a b"], scenes=["<script>", "x1"])
@example(cards=["LOG"], scenes=["LOG"])
@example(cards=["x1"], scenes=["lake", "000000"])
@example(cards=["x1"], scenes=["lake", "mill", "000000"])
@given(UP_TO_FOUR, UP_TO_THREE)
def test_a_drafted_plan_is_one_that_a_review_takes(cards: list[str], scenes: list[str]) -> None:
    check_draft(cards, scenes)


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(UP_TO_FOUR, UP_TO_THREE)
def test_each_of_many_drafted_plans_is_one_that_a_review_takes(cards: list[str], scenes: list[str]) -> None:
    check_draft(cards, scenes)


def check_draft(cards: list[str], scenes: list[str]) -> None:
    """A review takes each plan, or none is drafted and a line says which name stands in the way."""
    with TemporaryDirectory() as name:
        names = [
            f"{card}/{scene}/1440p/run{run}.csv" for card in cards for scene in dict.fromkeys(scenes) for run in (1, 2)
        ]
        folder = touch(Path(name) / "captures", *names)
        try:
            drafts = draft_plans(folder, beside=Path(name))
        except PlanError as error:
            assert str(error).isprintable() and len(str(error)) < 700
            is_odd = any(not text.isprintable() or "\\" in text or not text.strip() for text in (*cards, *scenes))
            # A date or a resolution, as far as names tell.
            is_odd |= any(re.fullmatch(r"\d{6,14}", text) or RESOLUTION.search(text) for text in (*cards, *scenes))
            words = re.split(r"[\W_]+", " ".join((*cards, *scenes)).casefold().strip())
            words = [word for word in words if not word.isdecimal()]
            assert is_odd or all(map(_NO_NAME.fullmatch, words))  # 'logs/captures' names nothing, nor does '1/2'
            return
        for draft in drafts:
            (Path(name) / "plan.toml").write_text(draft.text, encoding="utf-8", newline="\n")
            found = find_runs(read_plan(Path(name) / "plan.toml"))
            assert len(found.runs) + len(draft.left_over) == len(names)
            assert set(found.not_in_plan) <= set(draft.left_over)


def test_cards_that_differ_in_their_case_only_keep_their_own_labels(tmp_path: Path) -> None:
    folder = touch(tmp_path / "captures", *(f"{card}/harbor/1440p/run1.csv" for card in ("amber", "amber-", "birch")))
    plan = parse_plan(draft_plan(folder, beside=tmp_path).text, file_name="plan.toml", folder=tmp_path)
    assert [card.label for card in plan.design.cards] == ["amber", "amber-", "Birch"]


def test_a_name_that_no_plan_may_hold_is_told_at_once(tmp_path: Path) -> None:
    folder = touch(tmp_path / "captures", "a\nb/harbor/1440p/run1.csv")
    with pytest.raises(PlanError, match=r"no plan can be drafted from these names \(.*line end.*\); rename"):
        draft_plan(folder, beside=tmp_path)
    folder = touch(tmp_path / "other", "amber/harbor/1440p/run1.{x}.csv")
    with pytest.raises(PlanError, match=r"'amber/harbor/1440p/run1\.\{x\}\.csv' holds a brace"):
        draft_plan(folder, beside=tmp_path)


def test_names_written_by_hand_are_told_apart_whatever_parts_them(tmp_path: Path) -> None:
    folder = touch(
        tmp_path / "captures",
        *("Amber 6/Harbor 1440p 1.csv", "Amber 6/harbor_1440p_2.csv", "Amber 6/Harbor-QHD-#11.csv"),
        *("Birch 9/harbor 1440 1.txt", "Birch 9/harbor 1440 2.txt", "Birch 9/HARBOR_1440p_11.txt"),
        *(f"{card}/old mill QHD {run}.{ending}" for card, ending in (("Amber 6", "csv"), ("Birch 9", "txt"))
          for run in ("01", "02")),
    )  # fmt: skip
    draft = draft_plan(folder, beside=tmp_path)
    assert draft.pattern.text == "{card}/{scene}*{resolution}*{run}.*"
    plan = parse_plan(draft.text, file_name="plan.toml", folder=tmp_path)
    assert [scene.key for scene in plan.design.scenes] == ["harbor", "old mill"]
    assert plan.design.resolutions == ("1440p",)
    found = find_runs(plan)
    assert (len(found.runs), found.not_in_plan) == (10, ())
    assert {run.place["run"] for run in found.runs if run.place["scene"] == "harbor"} == {"1", "2", "11"}


def test_pictures_and_json_beside_the_captures_are_no_runs(tmp_path: Path) -> None:
    names = [f"{card}/{scene} {run}.{ending}" for card, ending in (("Amber 6", "csv.gz"), ("Birch 9", "txt"))
             for scene in ("harbor", "mill") for run in (1, 2)]  # fmt: skip
    folder = touch(
        tmp_path / "captures", *names, "Amber 6/harbor 1.png", "Amber 6/harbor 1.json", "Birch 9/mill 2.json"
    )
    text = draft_plan(folder, beside=tmp_path, pattern=PathPattern.parse("{card}/{scene} {run}.*")).text
    found = find_runs(parse_plan(text, file_name="plan.toml", folder=tmp_path))
    assert sorted(run.name for run in found.runs) == sorted(names)
    assert found.not_in_plan == ()


def test_scenes_that_differ_in_capitals_stay_apart_where_a_run_would_stand_twice(tmp_path: Path) -> None:
    names = [f"{card}/{scene}/run{run}.csv" for card in ("amber", "birch") for scene in ("Mill", "mill", "canyon")
             for run in (1, 2)]  # fmt: skip
    draft = draft_plan(touch(tmp_path / "captures", *names), beside=tmp_path)
    assert {scene for _, scene, _, _ in draft.places.values()} == {"Mill", "mill", "canyon"}


def test_a_card_whose_logs_were_packed_is_a_card_of_the_plan(tmp_path: Path) -> None:
    """One of four ends in another way: it was passed over, and the plan was drafted with three."""
    cards = {"amber": "csv", "birch": "csv", "cedar": "csv.gz", "dogwood": "csv"}
    names = [f"{card}/{scene}/{run}.{cards[card]}" for card in cards for scene in ("mill", "quay") for run in (1, 2)]
    draft = draft_plan(touch(tmp_path / "captures", *names), beside=tmp_path)
    assert (draft.pattern.text, draft.cards, draft.left_over) == ("{card}/{scene}/{run}.*", tuple(cards), ())


def test_a_run_made_again_here_and_there_plans_no_run_of_all_cells(tmp_path: Path) -> None:
    names = [*matrix(), "amber-6/harbor/1440p/run3.csv.gz", "birch 9/canyon/1440p/run11.csv.gz"]
    draft = draft_plan(touch(tmp_path / "captures", *names), beside=tmp_path)
    assert sorted(draft.runs_in_cells.values()) == [3] * 6 + [4] * 2 and draft.n_runs == 4  # a quarter has them
    folder = touch(tmp_path / "more", *names, *(name.replace("harbor", "mill") for name in matrix()))
    assert draft_plan(folder, beside=tmp_path).n_runs == 3


def test_captures_that_fit_but_for_their_ending_are_told_with_the_pattern_that_takes_them(tmp_path: Path) -> None:
    cards_and_runs = [(card, run) for card in ("amber", "birch") for run in (1, 2)]
    names = [f"{card}/{scene}/{run}.csv" for card, run in cards_and_runs for scene in ("harbor", "mill")]
    packed = "amber/harbor/1.csv.gz"  # beside the log itself: to take every ending would take the run twice
    folder = touch(tmp_path / "captures", *names, "amber/canyon/1.jsonl.gz", "amber/mill/2 NEW.csv", "odd.csv", packed)
    lines = "\n".join(draft_plan(folder, beside=tmp_path).understood)
    (tmp_path / "captures" / packed).unlink()
    assert "canyon/1.jsonl.gz: fits but for its ending; --path-pattern '{card}/{scene}/{run}.*' takes" in lines
    assert "mill/2 NEW.csv: carries the number 2, as another run does; left out by [[exclude]]" in lines
    assert "odd.csv: does not fit the pattern; name it like the others to take it in" in lines
    told = draft_plan(folder, beside=tmp_path, pattern=PathPattern.parse("{card}/{scene}/{run}.*"))
    assert told.left_over == ("amber/mill/2 NEW.csv", "odd.csv")
    told = draft_plan(folder, beside=tmp_path, pattern=PathPattern.parse("{card}/{scene}/{run}*.csv"))
    assert told.left_over == ("amber/canyon/1.jsonl.gz", "odd.csv")


def test_names_that_do_not_cross_are_told_with_the_pattern_that_parts_them(tmp_path: Path) -> None:
    spelled = {"Amber6": ("old_harbor", "salt_flats"), "Birch9_newdrv": ("harbor", "saltflats_2")}
    names = [f"{card}-{scene}-{resolution} ({run}).csv" for card, scenes in spelled.items() for scene in scenes
             for resolution in ("QHD", "4K") for run in (1, 2)]  # fmt: skip
    folder = touch(tmp_path / "captures", *names)
    lines = "\n".join(draft_plan(folder, beside=tmp_path).understood)
    (pattern,) = re.findall(r"where it holds both, --path-pattern '(.+?)' parts them", lines)
    parted = draft_plan(folder, beside=tmp_path, pattern=PathPattern.parse(pattern))
    assert sorted(parted.cards) == sorted(spelled)
    assert sorted(parted.scenes) == sorted(scene for scenes in spelled.values() for scene in scenes)


def test_a_pattern_without_a_card_is_refused_with_a_way_for_one_card(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="into a folder with its name"):
        draft_plan(touch(tmp_path, "harbor_1.csv"), beside=tmp_path, pattern=PathPattern.parse("{scene}_{run}.csv"))


def test_a_plan_of_one_card_is_drafted_with_its_name_alone(tmp_path: Path) -> None:
    folder = touch(tmp_path / "captures", *(f"{scene}/{run}.csv" for scene in ("harbor", "canyon") for run in (1, 2)))
    with pytest.raises(PlanError, match=r"holds '\{card\}'; leave out --card"):
        draft_plan(folder, beside=tmp_path, pattern=PathPattern.parse("{card}/{run}.csv"), card="Amber 6")
    draft = draft_plan(folder, beside=tmp_path, card="Amber 6")
    assert (draft.pattern.text, draft.cards, draft.scenes) == ("{scene}/{run}.csv", ("Amber 6",), ("canyon", "harbor"))
    plan = parse_plan(draft.text, file_name="plan.toml", folder=tmp_path)
    assert [(run.place["card"], run.place["scene"]) for run in find_runs(plan).runs] == [
        ("Amber 6", scene) for scene in ("canyon", "canyon", "harbor", "harbor")
    ]


def test_texts_of_numbers_alone_are_captures_where_they_read_as_such(tmp_path: Path) -> None:
    names = [f"{card}/{scene}_{run}.txt" for card in ("a1", "b2") for scene in ("mill", "lake") for run in (1, 2)]
    for name in names:
        (tmp_path / "captures" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "captures" / name).write_text("16.6\n16.7\n16.5\n" * 40, encoding="utf-8")
    (tmp_path / "captures" / "notes.txt").write_text("Tried the new driver.\n", encoding="utf-8")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "captures" / "pipe.txt")
    draft = draft_plan(tmp_path / "captures", beside=tmp_path)
    assert (draft.pattern.text, sorted(draft.places)) == ("{card}/{scene}_{run}.txt", sorted(names))
    assert any(line.startswith("  notes.txt: ") for line in draft.understood)


def test_the_file_that_says_when_a_capture_was_made_is_not_passed_over(tmp_path: Path) -> None:
    names = [f"{card}/mill_{run}" for card in ("a1", "b2") for run in (1, 2)]
    folder = touch(tmp_path / "captures", *(f"{name}.csv" for name in names))
    (folder / "other.json").write_text('{"bench": "left", "room_c": 21.5}', encoding="utf-8")
    for name in names:
        (folder / f"{name}.json").write_text('{"recorded_from_utc": "2026-05-01T10:00:00Z"}', encoding="utf-8")
    assert draft_plan(folder, beside=tmp_path).understood[-2:] == [
        "Passed over: 1 file",
        '  other.json: no rows of numbers were found; the first line is \'{"bench": "left", "room_c": 21.5}\'',
    ]


def test_captures_in_json_are_captures(tmp_path: Path) -> None:
    """A check read them, and a plan passed them over."""
    frames = [{"frame": k, "frame_ms": 16.5 + k % 7 / 10} for k in range(90)]
    for card, scene, run in product(("a1", "b2"), ("mill", "lake"), (1, 2)):
        path = tmp_path / "captures" / card / f"{scene}_{run}.json"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps({"card": card, "frames": frames} if run == 1 else frames), encoding="utf-8")
    draft = draft_plan(tmp_path / "captures", beside=tmp_path)
    assert (draft.pattern.text, len(draft.places)) == ("{card}/{scene}_{run}.json", 8)


def _runs_of_draft(tmp_path: Path, *names: str) -> tuple[dict[str, str], list[str], str]:
    """Path to run as a review counts them, what was shown, and the draft."""
    draft = draft_plan(touch(tmp_path / "captures", *names), beside=tmp_path)
    plan = parse_plan(draft.text, file_name="plan.toml", folder=tmp_path)
    runs = {run_name(**run.place): run.name for run in find_runs(plan).runs}
    counted = {name: run for run, name in runs.items() if run not in exclusions_of(plan, runs)}
    assert set(counted) == set(draft.places), "the draft counts what the review counts"
    return counted, draft.understood, draft.text


NUMBERED = [f"{card}/{scene}_{run}.csv" for card in ("GX410", "GX430") for scene in ("lake", "mill") for run in (1, 2)]


def test_a_word_behind_the_number_of_a_run_that_no_other_has_makes_no_difference(tmp_path: Path) -> None:
    names = [*NUMBERED, *(f"{card}/{scene}_3 final.csv" for card in ("GX410", "GX430") for scene in ("lake", "mill"))]
    counted, lines, _ = _runs_of_draft(tmp_path, *names)
    assert set(counted) == set(names)
    assert counted["GX410/lake_3 final.csv"] == "GX410/lake/default/3 final"
    assert any(line.strip().startswith("runs") and line.endswith("3 a cell") for line in lines)


@pytest.mark.parametrize(
    ("odd", "run", "why"),
    [("GX410/lake_aborted.csv", "aborted", "has no number of a run"),
     ("GX410/lake_1 - Copy.csv", "1 - Copy", "carries the number 1, as another run does")],
)  # fmt: skip
def test_what_the_draft_passes_over_the_review_does_not_count(tmp_path: Path, odd: str, run: str, why: str) -> None:
    counted, lines, text = _runs_of_draft(tmp_path, *NUMBERED, odd)
    assert set(counted) == set(NUMBERED)
    assert f"  {odd}: {why}; left out by [[exclude]]" in lines
    assert text.endswith(f'[[exclude]]\nrun = "GX410/lake/default/{run}"\nreason = "{why}"\n')


def test_the_number_of_the_innermost_folder_is_the_run(tmp_path: Path) -> None:
    names = [f"november/data/{card}/{scene}/1080p/log {run}/frames.csv" for card in ("GX 410 8GB", "GX 410 16GB")
             for scene in ("lake", "mill") for run in (1, 2, 3)]  # fmt: skip
    counted, _, text = _runs_of_draft(tmp_path, *names)
    assert counted["november/data/GX 410 8GB/mill/1080p/log 2/frames.csv"] == "GX 410 8GB/mill/1080p/2"
    assert 'pattern = "november/data/{card}/{scene}/{resolution}/log {run}/frames.csv"' in text


def test_a_card_that_is_spelled_in_two_ways_is_one_and_told(tmp_path: Path) -> None:
    names = [f"{'GX-410' if run == 2 and card == 'GX 410' else card}/{scene}_{run}.csv" for card in ("GX 410", "Tarn 6")
             for scene in ("lake", "mill") for run in (1, 2)]  # fmt: skip
    _, lines, _ = _runs_of_draft(tmp_path, *names)
    assert "  cards          2  GX 410 = GX-410 (4), Tarn 6 (4)" in lines
