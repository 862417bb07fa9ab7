"""Folders as people name them: each capture is found at its place, by a truth that was known before the folder was."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product
from pathlib import Path

import pytest
from drafted import draft_plan
from run_cli import frametime

from frametime.errors import PlanError
from frametime.plans.finding_runs import find_runs
from frametime.plans.path_pattern import spelling
from frametime.plans.plan import exclusions_of, parse_plan
from frametime.plans.plan_draft import PlanDraft
from frametime.review.run_set import natural_order, run_name

CARDS = ("Brae 41", "Tarn 6")
SPELLED = {"Brae 41": ("Brae 41", "brae-41", "BRAE41"), "Tarn 6": ("Tarn 6", "tarn_6", "TARN6")}
SCENES = {"dry harbor": ("Dry Harbor", "dry-harbor", "DryHarbor"), "lake": ("Lake", "lake", "LAKE")}
RESOLUTIONS = ("FHD", "4K")
LINES = {"FHD": "1080p", "4K": "4K"}

Way = Callable[[str, str, str, int], str]
"""The path of a capture, from its card, its scene, its resolution and the number of its run from 0 on."""


def bench(folder: Path, way: Way, *, cards: Sequence[str] = CARDS, n_runs: int = 3) -> dict[str, tuple[str, ...]]:
    """Captures named in a way, and where each belongs: card and scene by `SPELLED` and `SCENES`."""
    truth = {}
    for card, scene, resolution, run in product(cards, SCENES, RESOLUTIONS, range(n_runs)):
        name = way(card, scene, resolution, run)
        truth[name] = (card, scene, resolution, str(run + 1))
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(f"frame_time_ms\n16.6\n16.7\n{16 + len(truth) / 100}\n")
    return truth


def counted(draft: PlanDraft, folder: Path) -> dict[str, tuple[str, ...]]:
    """Where a review counts each capture by the drafted plan."""
    plan = parse_plan(draft.text, file_name="plan.toml", folder=folder)
    runs = {run_name(**run.place): run for run in find_runs(plan).runs}
    left_out = exclusions_of(plan, runs)
    return {run.name: tuple(run.place.values()) for name, run in runs.items() if name not in left_out}


@pytest.mark.parametrize(
    "way",
    [
        lambda card, scene, resolution, run: f"{card}/{scene} {resolution} {'abc'[run]}.csv",
        lambda card, scene, resolution, run: f"{card}/{resolution}/{scene}/{'ABC'[run]}.csv",
        lambda card, scene, resolution, run: f"{card}_{scene}_{resolution}_{('first', 'second', 'third')[run]}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene}/{('First', 'Second', 'Third')[run]} run {resolution}.csv",
        lambda card, scene, resolution, run: f"{card} {scene} {resolution} {'I' * (run + 1)}.csv",
        lambda card, scene, resolution, run: f"{scene}_{card}_{('1st', '2nd', '3rd')[run]}_{resolution}.csv",
        lambda card, scene, resolution, run: f"{resolution}/{card}-{scene}-{('one', 'two', 'three')[run]}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene}_{resolution}_run{'ABC'[run]}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene}_{resolution}_take {'I' * (run + 1)}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene} {resolution} {('123', 'abc')[card == 'Tarn 6'][run]}.csv",
        lambda card, scene, resolution, run: f"{SPELLED[card][run]}_{scene}_{resolution}_{run + 1}.csv",
        lambda card, scene, resolution, run: f"{SPELLED[card][run]}/{scene}_{resolution}_{run + 1}.csv",
        lambda card, scene, resolution, run: f"{SPELLED[card][run]} {scene} {resolution} {'abc'[run]}.csv",
        lambda card, scene, resolution, run: f"day{run + 1}/{SPELLED[card][run]}/{scene}_{resolution}.csv",
        lambda card, scene, resolution, run: (
            f"{resolution}/{SPELLED[card][resolution == '4K']}/{scene} run{run + 1}.csv"
        ),
        lambda card, scene, resolution, run: f"{card}/{SCENES[scene][run]}_{resolution}_{run + 1}.csv",
        lambda card, scene, resolution, run: (
            f"{(card, card.lower(), card.upper())[run]} - {SCENES[scene][run]} - {resolution} - {run + 1}.csv"
        ),
        lambda card, scene, resolution, run: (
            f"{SPELLED[card][run if card == 'Brae 41' else 0]}_{SCENES[scene][0]}_{resolution}_{run + 1}.csv"
        ),
        lambda card, scene, resolution, run: f"{card} {scene} {resolution} {run + 1}of3.csv",
        lambda card, scene, resolution, run: (
            f"{card}/{scene}/{resolution}/Run_{run + 1}/{card}_{scene}_{resolution}_{run + 1}.csv"
        ),
        lambda card, scene, resolution, run: f"{card}/{scene} {resolution} ({run + 1} of 3).csv",
        lambda card, scene, resolution, run: f"{card}/{scene} {resolution} run {run + 1} of 3.csv",
        lambda card, scene, resolution, run: f"{card}@{scene}@{resolution}@{run + 1}.csv",
        lambda card, scene, resolution, run: f"{card}, {scene}, {resolution}, {run + 1}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene}_{resolution}_{run + 1}回目.csv",
        lambda card, scene, resolution, run: f"{card}/第{run + 1}次/{scene}_{resolution}.csv",
        lambda card, scene, resolution, run: f"{card}_{scene}_{resolution}_{run + 1}차.csv",
        lambda card, scene, resolution, run: f"{card}/{scene}_Durchlauf{run + 1}_{resolution}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene} {resolution} prueba {run + 1}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene} {resolution} prova{run + 1}.csv",
        lambda card, scene, resolution, run: f"{card}/próba {run + 1}/{scene} {resolution}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene} прогон {run + 1} {resolution}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene}_{resolution}_passage_{run + 1}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene}_{LINES[resolution]}{'abc'[run]}.csv",
        lambda card, scene, resolution, run: f"{card}/{scene} {LINES[resolution]}{run + 1}.csv",
        lambda card, scene, resolution, run: f"{spelling(card)}_{spelling(scene)}_{LINES[resolution]}{run + 1}.csv",
        lambda card, scene, resolution, run: f"{spelling(card)}-{spelling(scene)}{LINES[resolution]}-{run + 1}.csv",
    ],
)
def test_every_capture_of_a_badly_named_folder_is_found_at_its_place(tmp_path: Path, way: Way) -> None:
    truth = bench(tmp_path, way)
    found = counted(draft_plan(tmp_path, beside=tmp_path), tmp_path)
    told = {
        name: (spelling(card), spelling(scene), {"1080p": "FHD", "2160p": "4K"}.get(resolution, resolution), run)
        for name, (card, scene, resolution, run) in found.items()
    }
    assert told == {name: (spelling(card), spelling(scene), *rest) for name, (card, scene, *rest) in truth.items()}
    assert len({place[:2] for place in found.values()}) == len(CARDS) * len(SCENES)


@pytest.mark.parametrize(
    ("form", "card_form", "scene_form", "runs"),
    [
        ("{1}/{0}/{2}_{3:02}.csv", "{n:02}_{0}", "{n:02}_{0}", "123"),
        ("{1}/{0}/{2}/{3}.csv", "GPU {n}", "Scene {n}", "123"),
        ("{1}/{0}/{2}/{3}.csv", "{n}. {0}", "{n}. {0}", "123"),
        ("{0} - {1} - {2} - {3}.csv", "Acme {0} OC 16GB", "{0}", "123"),
        ("week {4}/{0} {1} {2}.csv", "{0}", "{0}", ("week 46", "week 47", "week 48")),
        ("{0}/{1} {2} {5}.csv", "{0}", "{0}", ("9h05", "10h30", "12h15")),
    ],
)
def test_cards_are_told_from_scenes_by_more_than_a_number(
    tmp_path: Path, form: str, card_form: str, scene_form: str, runs: Sequence[str]
) -> None:
    """Numbers of a list, ``Scene 1`` and a week are no models of cards; the widest gap parts card and scene."""
    cards = {card: card_form.format(card, n=n) for n, card in enumerate(CARDS, 1)}
    scenes = {scene: scene_form.format(scene, n=n) for n, scene in enumerate(SCENES, 1)}
    truth = bench(
        tmp_path,
        lambda card, scene, resolution, run: form.format(
            cards[card], scenes[scene], resolution, run + 1, run + 46, ("9h05", "10h30", "12h15")[run]
        ),
    )
    found = counted(draft_plan(tmp_path, beside=tmp_path), tmp_path)
    assert {name: (*place[:3], place[3].lstrip("0")) for name, place in found.items()} == {
        name: (cards[card], scenes[scene], resolution, runs[int(run) - 1])
        for name, (card, scene, resolution, run) in truth.items()
    }


@pytest.mark.parametrize("parting", ["-", "_", " - ", "@", " "])
def test_no_card_is_passed_over_for_a_word_more_in_its_name(tmp_path: Path, parting: str) -> None:
    cards = ("Brae 41", "Tarn 6", "Tarn 6 XT")
    truth = bench(
        tmp_path,
        lambda card, scene, resolution, run: f"{resolution}/{scene}{parting}{run + 1}{parting}{card}.csv",
        cards=cards,
    )
    found = counted(draft_plan(tmp_path, beside=tmp_path), tmp_path)
    assert {name: (place[0], place[-1]) for name, place in found.items()} == {
        name: (place[0], place[-1]) for name, place in truth.items()
    }


def test_runs_of_one_card_that_are_counted_on_are_runs(tmp_path: Path) -> None:
    cards = (*CARDS, "Tarn 6 XT")
    bench(
        tmp_path,
        lambda card, scene, resolution, run: f"{card}/{scene} {resolution} {run + 1 + 3 * (card == 'Tarn 6')}.csv",
        cards=cards,
    )
    found = counted(draft_plan(tmp_path, beside=tmp_path), tmp_path)
    assert {(place[0], place[-1]) for place in found.values()} == {
        (card, str(run + 3 * (card == "Tarn 6"))) for card in cards for run in (1, 2, 3)
    }


def test_spellings_that_are_joined_stand_in_the_table_with_a_sentence(tmp_path: Path) -> None:
    bench(
        tmp_path / "captures",
        lambda card, scene, resolution, run: f"{SPELLED[card][run]}/{scene} {resolution} {run + 1}.csv",
    )
    shown = frametime("plan", tmp_path / "captures", "--out", tmp_path / "plan.toml")
    assert shown.code == 0
    assert "  cards          2  Brae 41 = BRAE41 = brae-41 (12), Tarn 6 = TARN6 = tarn_6 (12)\n" in shown.out
    assert "\nNames joined by = differ only in capitals, spaces, dashes or underscores" in shown.out


def test_two_cards_of_which_one_run_stands_twice_are_not_joined(tmp_path: Path) -> None:
    bench(tmp_path, lambda card, scene, resolution, run: f"{SPELLED[card][run]}/{scene}_{resolution}_1.csv")
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert len(draft.cards) == 6
    assert any(line.startswith("BRAE41 and Brae 41 and brae-41 are kept as 3 cards") for line in draft.understood)
    assert len(counted(draft, tmp_path)) == len(SCENES) * len(RESOLUTIONS) * 6


def test_two_numbers_are_never_one(tmp_path: Path) -> None:
    names = {"Brae 41": "Brae 4-1", "Tarn 6": "Brae 41"}
    bench(tmp_path, lambda card, scene, resolution, run: f"{names[card]}/{scene}_{resolution}_{run + 1}.csv")
    assert draft_plan(tmp_path, beside=tmp_path).cards == ("Brae 4-1", "Brae 41")


def test_a_plan_keeps_apart_the_cards_that_it_names(tmp_path: Path) -> None:
    """Joined spellings are two cards again where a person writes both into the plan."""
    bench(tmp_path, lambda card, scene, resolution, run: f"{SPELLED[card][run > 1]}/{scene}_{resolution}_{run + 1}.csv")
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert {place[0] for place in counted(draft, tmp_path).values()} == set(CARDS)
    text = draft.text + '\n[[cards]]\nkey = "brae-41"\nlabel = "The other sample"\n'
    plan = parse_plan(text, file_name="plan.toml", folder=tmp_path)
    assert {run.place["card"] for run in find_runs(plan).runs} == {*CARDS, "brae-41"}


def test_scenes_that_are_counted_in_letters_are_no_runs(tmp_path: Path) -> None:
    numbered = bench(tmp_path / "1", lambda card, scene, resolution, run: f"{card}/lake {scene[0]}_{run + 1}.csv")
    assert numbered and draft_plan(tmp_path / "1", beside=tmp_path).scenes == ("lake d", "lake l")
    few = bench(tmp_path / "2", lambda card, scene, resolution, run: f"{card}/{('lake I', 'lake II', 'mill')[run]}.csv")
    assert few and draft_plan(tmp_path / "2", beside=tmp_path).scenes == ("lake I", "lake II", "mill")


def test_letters_that_may_be_cards_are_shown_in_every_way(tmp_path: Path) -> None:
    bench(tmp_path / "captures", lambda card, scene, resolution, run: f"{'abc'[run]} {scene} {resolution}.csv")
    shown = frametime("plan", tmp_path / "captures", "--out", tmp_path / "plan.toml")
    assert shown.code == 3 and "{card} {scene} {resolution}.csv" in shown.out


@pytest.mark.parametrize("word", ["crashed", "BAD", "aborted at 40 s", "- failed"])
def test_a_run_whose_name_says_that_it_failed_is_left_out(tmp_path: Path, word: str) -> None:
    truth = bench(tmp_path, lambda card, scene, resolution, run: f"{card}/{scene} {resolution} {run + 1}.csv")
    (tmp_path / "Tarn 6/lake 4K 2.csv").rename(tmp_path / f"Tarn 6/lake 4K 2 {word}.csv")
    (tmp_path / "Tarn 6/lake 4K 3.csv").rename(tmp_path / "Tarn 6/lake 4K 3 badger hill.csv")
    draft = draft_plan(tmp_path, beside=tmp_path)
    del truth["Tarn 6/lake 4K 2.csv"]
    assert {**counted(draft, tmp_path), "Tarn 6/lake 4K 3 badger hill.csv": None}.keys() - truth.keys() == {
        "Tarn 6/lake 4K 3 badger hill.csv"
    }
    assert len(counted(draft, tmp_path)) == len(truth)
    assert any(f"2 {word}.csv: says that the run failed" in line for line in draft.understood)


@pytest.mark.parametrize("copy", ["Copy of {}.csv", "{} - Copy.csv", "{} copy.csv"])
def test_a_copy_changes_no_reading(tmp_path: Path, copy: str) -> None:
    truth = bench(tmp_path, lambda card, scene, resolution, run: f"{card} {scene} {resolution} {run + 1}.csv")
    (tmp_path / copy.format("Tarn 6 lake 4K 2")).write_bytes((tmp_path / "Tarn 6 lake 4K 2.csv").read_bytes())
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert counted(draft, tmp_path) == truth
    assert "Passed over: 1 file" in draft.understood


def test_a_plan_takes_in_the_captures_of_a_card_that_is_spelled_anew(tmp_path: Path) -> None:
    bench(tmp_path / "captures", lambda card, scene, resolution, run: f"{card}/{scene}_{resolution}_{run + 1}.csv")
    assert frametime("plan", tmp_path / "captures", "--out", tmp_path / "plan.toml").code == 0
    bench(tmp_path / "captures", lambda card, scene, resolution, run: f"{card.upper()}/{scene}_{resolution}_4.csv")
    shown = frametime("plan", "--update", tmp_path / "plan.toml")
    assert "New: runs 3 -> 4" in shown.out and "New: card" not in shown.out
    assert "Brae 41 = BRAE 41 (16)" in shown.out


def test_why_a_file_is_passed_over_names_it_once(tmp_path: Path) -> None:
    bench(tmp_path, lambda card, scene, resolution, run: f"{card}/{scene} {resolution} {run + 1}.csv")
    (tmp_path / "notes.txt").write_text("played on Tuesday\n")
    (line,) = [line for line in draft_plan(tmp_path, beside=tmp_path).understood if "notes.txt" in line]
    assert line == "  notes.txt: no rows of numbers were found; the first line is 'played on Tuesday'"


@pytest.mark.parametrize(
    ("form", "settings"),
    [
        ("{0}/{1}_{2}_{4}_{3}.csv", ("native", "scaled")),
        ("{0}/{1}/{2}/{4}/run{3}.csv", ("high", "Ultra")),
        ("{4}/{0}/{1} {2} {3}.csv", ("driver 551", "driver 560")),
        ("{0}_{1}_{2}_{4}_{3}.csv", ("rt_on", "rt_off")),
        ("{0}_{1}_{2}_run{3}_{4}.csv", ("low", "very high")),
        ("{1}/{4}/{0}/{2} {3}.csv", ("80pct", "100pct")),
        ("{0}/{1}/{4}/{2}_{3}.csv", ("fur", "bare")),
        ("{0}/{1} {2} {4} {3}.csv", ("60fps", "120 Hz")),
        ("{0}/{4}/{1} {2} {3}.csv", ("552.44", "560.70")),
        ("{0}/{4}/{1}/{2} {3}.csv", ("24.5.1", "24.10.2")),
    ],
)
def test_a_scene_is_one_in_each_of_its_settings(tmp_path: Path, form: str, settings: Sequence[str]) -> None:
    truth = {}
    for setting in settings:
        part = bench(tmp_path, lambda *place, setting=setting: form.format(*place[:3], place[3] + 1, setting))
        truth |= {name: (card, f"{scene} {setting}", *rest) for name, (card, scene, *rest) in part.items()}
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert counted(draft, tmp_path) == truth
    assert {line for line in draft.understood if "settings" in line and "pattern" not in line} == {
        f"{' and '.join(sorted(settings, key=natural_order))} are taken for settings: a scene is compared in each of "
        "them by itself."
    }
    plan = parse_plan(draft.text, file_name="plan.toml", folder=tmp_path)
    assert {(run.place["scene"], run.conditions.scene_settings) for run in find_runs(plan).runs} == {
        (f"{scene} {setting}", setting) for scene in SCENES for setting in settings
    }


def test_a_scene_with_a_setting_behind_its_name_is_no_setting_alone(tmp_path: Path) -> None:
    """A plan without scenes was drafted, which could not be read."""
    settings = "RT on", "RT off"
    for setting in settings:
        bench(tmp_path, lambda card, scene, _, run, setting=setting: f"{card}/{scene} {setting} {run + 1}.csv")
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert {*draft.scenes} == {f"{scene} {setting}" for scene in SCENES for setting in settings}
    assert len(counted(draft, tmp_path)) == len(CARDS) * len(SCENES) * len(settings) * 3


@pytest.mark.parametrize("form", ["{driver}/{card}/{scene} {run}.csv", "{card}/{driver}/{scene} {run}.csv"])
@pytest.mark.parametrize("n_cards", [2, 3])
@pytest.mark.parametrize("versions", [("Driver 31.0", "driver_9"), ("552.44", "24.5.1")])
def test_a_folder_of_the_driver_of_each_card_is_its_driver(
    tmp_path: Path, form: str, n_cards: int, versions: tuple[str, str]
) -> None:
    """Cards of one maker share theirs; where each card has its own, the driver is no card all the same."""
    drivers = dict.fromkeys(("Brae 41", "Brae 45")[: n_cards - 1], versions[0]) | {"Tarn 6": versions[1]}
    for (card, driver), scene, run in product(drivers.items(), SCENES, (1, 2)):
        path = tmp_path / form.format(card=card, driver=driver, scene=scene, run=run)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("frame_time_ms\n16.6\n16.7\n16.6\n")
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert (draft.pattern.text, draft.cards) == (form, tuple(drivers))
    found = find_runs(parse_plan(draft.text, file_name="plan.toml", folder=tmp_path)).runs
    assert {(run.place["card"], run.conditions.driver) for run in found} == set(drivers.items())


def test_the_version_of_a_game_is_no_number_of_a_model(tmp_path: Path) -> None:
    """Scenes with a version were taken for the cards, for they stand in the outer folder and have a number."""
    truth = bench(tmp_path, lambda card, scene, resolution, run: f"{scene} v1.04/{card}_{resolution}_{run + 1}.csv")
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert {*draft.cards} == {card for card, *_ in truth.values()}


def test_a_number_behind_the_letters_of_a_card_is_that_of_its_model(tmp_path: Path) -> None:
    """A v at the end of its name makes no version of it."""
    bench(
        tmp_path,
        lambda card, scene, resolution, run: f"{scene}/{card}_{resolution}_{run + 1}.csv",
        cards=("Sylv60", "Sylv70"),
    )
    assert draft_plan(tmp_path, beside=tmp_path).cards == ("Sylv60", "Sylv70")


def test_the_version_of_a_game_is_no_driver(tmp_path: Path) -> None:
    """Drivers count higher: one digit before the point is a patch."""
    for card, version in (("Brae 41", "1.04"), ("Brae 45", "1.04"), ("Tarn 6", "1.05")):
        for scene, run in product(SCENES, (1, 2)):
            path = tmp_path / card / version / f"{scene} {run}.csv"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text("frame_time_ms\n16.6\n16.7\n16.6\n")
    assert draft_plan(tmp_path, beside=tmp_path).pattern.text == "{card}/*/{scene} {run}.csv"


def test_names_of_runs_alone_are_no_settings(tmp_path: Path) -> None:
    bench(
        tmp_path, lambda card, scene, resolution, run: f"{card}/{scene} {resolution} {('old', 'new', 'odd')[run]}.csv"
    )
    with pytest.raises(PlanError, match="cannot be told from paths"):
        draft_plan(tmp_path, beside=tmp_path)


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ("{0}/{1} {2} {4}.csv", ("Mon", "Tue", "Wed")),
        ("{4}/{0}/{1} {2}.csv", ("Montag", "Dienstag", "Mittwoch")),
        ("{4}/{0}/{1} {2}.csv", ("12 Nov 2026", "13 Nov 2026", "2 Dec 2026")),
        ("{0}/{4}/{1} {2}.csv", ("Nov 12 2026", "Nov 13 2026", "Dec 2 2026")),
        ("{0}/{1} {2} {4}.csv", ("12.11.26", "13.11.26", "02.12.26")),
        ("{0}/{1} {2} {4}.csv", ("Jan", "Feb", "Mar")),
        ("{0}/{1}/{2}/{4}.csv", ("first", "retest", "final")),
        ("{0}/{1} {2}{4}.csv", ("", " retest", " final")),
        ("{0}/{1} {2}{4}.csv", ("", " again", " again 2")),
    ],
)
def test_runs_are_told_apart_by_days_and_words(tmp_path: Path, form: str, words: Sequence[str]) -> None:
    truth = bench(tmp_path, lambda *place: form.format(*place[:3], place[3] + 1, words[place[3]]))
    found = counted(draft_plan(tmp_path, beside=tmp_path), tmp_path)
    runs = {"": "1", "first": "1"}
    assert found == {
        name: (*place[:3], runs.get(words[int(run) - 1].strip(), words[int(run) - 1].strip()))
        for name, (*place, run) in truth.items()
    }


@pytest.mark.parametrize(
    "form",
    ["{4}/{0}/{1} {2} {3}.csv", "{0}/{1} {2} {4} run{3}.csv", "{0}/{4}/{1}_{2}_{3}.csv", "{0}/{1}/{2}/{4}/{3}.csv"],
)
@pytest.mark.parametrize(
    "days", [("day 1", "day 2"), ("Monday", "Tuesday"), ("morning", "evening"), ("2026-Nov", "2026-Dec")]
)
def test_days_with_runs_counted_on_each_are_sessions(tmp_path: Path, form: str, days: Sequence[str]) -> None:
    truth = bench(tmp_path, lambda *place: form.format(*place[:3], place[3] % 2 + 1, days[place[3] // 2]), n_runs=4)
    found = counted(draft_plan(tmp_path, beside=tmp_path), tmp_path)
    assert found == {
        name: (*place, f"{days[int(run) > 2]} {1 + (int(run) - 1) % 2}") for name, (*place, run) in truth.items()
    }


@pytest.mark.parametrize("day", ["day", "Sun", "may"])
def test_a_scene_that_is_called_like_a_day_is_a_scene(tmp_path: Path, day: str) -> None:
    bench(
        tmp_path,
        lambda card, scene, resolution, run: (
            f"{card}/{ {'lake': f'{day} 1 lake'}.get(scene, scene) } {resolution} {run + 1}.csv"
        ),
    )
    assert {place[1] for place in counted(draft_plan(tmp_path, beside=tmp_path), tmp_path).values()} == {
        f"{day} 1 lake",
        "dry harbor",
    }


def test_a_bare_resolution_at_the_end_of_a_scene_is_one_where_there_are_two(tmp_path: Path) -> None:
    """``Night1080-2.csv`` gave a scene ``Night1080`` without a resolution."""
    lines = {"FHD": "1080", "4K": "2160"}
    truth = bench(
        tmp_path / "2", lambda card, scene, resolution, run: f"{card}/{scene}{lines[resolution]}-{run + 1}.csv"
    )
    assert counted(draft_plan(tmp_path / "2", beside=tmp_path), tmp_path) == {
        name: (card, scene, lines[resolution], run) for name, (card, scene, resolution, run) in truth.items()
    }
    bench(tmp_path / "1", lambda card, scene, resolution, run: f"{card}/{scene}1080-{run}{resolution == '4K':d}.csv")
    with pytest.raises(PlanError, match="cannot be told from paths"):
        draft_plan(tmp_path / "1", beside=tmp_path)


def test_copies_of_files_are_told_as_such(tmp_path: Path) -> None:
    truth = bench(tmp_path, lambda card, scene, resolution, run: f"{card}/{scene} {resolution}.csv", n_runs=1)
    for copy in (" - Copy", " - Copy (2)", " copy 3"):
        (tmp_path / f"Tarn 6/lake 4K{copy}.csv").write_bytes((tmp_path / "Tarn 6/lake 4K.csv").read_bytes())
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert counted(draft, tmp_path) == truth
    assert any("is a copy of another file (3 such files)" in line for line in draft.understood)


@pytest.mark.parametrize(
    ("captures", "sensors", "pattern"),
    [
        ("{0}/{1}_{2}_{3}.csv", "{0}/hw/{1}_{2}_{3}.csv", "{card}/hw/{scene}_{resolution}_{run}.csv"),
        ("f/{0}/{1}_{2}_{3}.csv", "power/{0}/{1}_{2}_{3}.csv", "power/{card}/{scene}_{resolution}_{run}.csv"),
        ("{0}/{1}_{2}_{3}.csv", "{0}/sensors_{1}_{2}_{3}.csv", "{card}/sensors_{scene}_{resolution}_{run}.csv"),
        ("{0}/{1}/{2}/run{3}.csv", "{0}/{1}/{2}/gpu{3}.csv", "{card}/{scene}/{resolution}/gpu{run}.csv"),
        ("{0}/{1}/{2}/{3}/frames.csv", "{0}/{1}/{2}/{3}/gpu.csv", "{card}/{scene}/{resolution}/{run}/gpu.csv"),
        ("{0}/{1} {2} {3}.csv", "{0}/board 2 {1} {2} {3}.csv", "{card}/board 2 {scene} {resolution} {run}.csv"),
        ("{0}/{1} {2} {5}.csv", "{0}/board/{1} {2} {5}.csv", "{card}/board/{scene} {resolution} {run}.csv"),
        ("{0}/{1} {2} {3}.csv", "{0}/board {1} {2} at {4}.csv", None),
    ],
)
def test_sensor_logs_that_are_named_like_the_captures_are_found(
    tmp_path: Path, captures: str, sensors: str, pattern: str | None
) -> None:
    truth = bench(tmp_path, lambda *place: captures.format(*place[:3], place[3] + 1, 0, "abc"[place[3]]))
    for minute, place in enumerate(truth.values(), 10):
        path = tmp_path / sensors.format(*place, minute, " abc"[int(place[3])])
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("time_s,gpu power (W)\n0,200\n1,201\n2,199\n3,200\n")
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert (None if draft.sensors is None else draft.sensors.text) == pattern
    plan = parse_plan(draft.text, file_name="plan.toml", folder=tmp_path)
    found = find_runs(plan)
    assert len(found.runs) == len(truth) and len(found.without_sensors) == 0
    untold = "  sensor logs   24  no pattern fits them: enter one as sensors under [captures]"
    assert (untold in draft.understood) is (pattern is None)
    if pattern is not None:
        assert {run.name: str(run.sensors and run.sensors.relative_to(tmp_path).as_posix()) for run in found.runs} == {
            name: sensors.format(*place, 0, " abc"[int(place[3])]) for name, place in truth.items()
        }


def test_sensor_logs_in_the_folder_of_a_day_are_those_of_scenes_with_names_of_several_words(tmp_path: Path) -> None:
    for card in ("Board 10 OC", "Board 15"):
        for scene in ("a pier", "night market"):
            for run in (1, 2):
                path = tmp_path / "2026-11-25" / card / f"{scene} {run}.csv"
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text("frame_time_ms\n16.6\n16.7\n16.6\n")
                path.with_stem(f"{path.stem} sensors").write_text("time_s,gpu power (W)\n0,200\n1,201\n2,199\n")
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert draft.sensors is not None and draft.sensors.text == "*/{card}/{scene} {run} sensors.csv"
    found = find_runs(parse_plan(draft.text, file_name="plan.toml", folder=tmp_path))
    assert (len(found.runs), found.without_sensors) == (8, ())
    assert all(run.sensors == run.path.with_stem(f"{run.path.stem} sensors") for run in found.runs)


def test_sensor_logs_may_spell_the_cards_in_another_way(tmp_path: Path) -> None:
    """``HW/ORRIN 40.csv`` beside the captures of ``orrin-40``; no such log was found."""
    for card, scene, run in product(("orrin-40", "vela_9xt"), ("harbor", "canyon"), (1, 2)):
        path = tmp_path / card / f"{scene}_1080p_{run}.csv"
        path.parent.mkdir(exist_ok=True)
        path.write_text("frame_time_ms\n" + "16.6\n16.8\n" * 20)
    (tmp_path / "HW").mkdir()
    for name in ("ORRIN 40", "Vela 9XT"):
        (tmp_path / "HW" / f"{name}.csv").write_text("time_s,gpu power (W)\n0,200\n1,201\n2,199\n3,200\n")
    draft = draft_plan(tmp_path, beside=tmp_path)
    assert draft.sensors is not None and draft.sensors.text == "HW/{card}.csv"
    found = find_runs(parse_plan(draft.text, file_name="plan.toml", folder=tmp_path))
    assert found.without_sensors == ()
    assert {(run.place["card"], run.sensors and run.sensors.stem) for run in found.runs} == {
        ("orrin-40", "ORRIN 40"),
        ("vela_9xt", "Vela 9XT"),
    }


def test_a_folder_that_is_not_there_is_told_before_a_plan_that_is(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text("", "utf-8")
    done = frametime("plan", tmp_path / "nofolder", "--out", tmp_path / "plan.toml")
    assert done.code == 3
    assert "there is no such folder" in done.err
    assert "the file exists" not in done.err


@pytest.mark.parametrize(
    "way",
    [
        lambda card, scene, resolution, run: (
            f"{card.replace(' ', '')}{scene.title().replace(' ', '')}{LINES[resolution]}{run + 1}.csv"
        ),
        lambda card, scene, resolution, run: f"2026/11/{20 + len(card) % 2}/{card}/{scene}/{resolution} {run + 1}.csv",
        lambda card, scene, resolution, run: (
            f"2026/{8 + len(card) % 2:02d}/05/{card}/{scene} {resolution} {run + 1}.csv"
        ),
    ],
    ids=["nothing between the names", "folders for days", "folders for months"],
)
def test_names_without_marks_and_folders_of_a_date_are_read(tmp_path: Path, way: Way) -> None:
    truth = bench(tmp_path, way, cards=("Brae 41", "Tarn 6"))
    found = counted(draft_plan(tmp_path, beside=tmp_path), tmp_path)
    assert found.keys() == truth.keys()
    for at in range(4):
        pairs = {
            (spelling(truth[name][at]).replace(" ", ""), spelling(found[name][at]).replace(" ", "")) for name in truth
        }
        assert len(pairs) == len({one for one, _ in pairs}) == len({other for _, other in pairs})


def test_a_card_that_ends_in_capitals_parts_from_its_scene(tmp_path: Path) -> None:
    cards = ("Brae41", "Brae41XT", "Tarn6")
    for card, scene, run in product(cards, ("Old", "Night"), (1, 2, 3)):
        (tmp_path / f"{card}{scene}4K{run}.csv").write_text(f"frame_time_ms\n16\n17\n16.{run}{len(scene)}\n")
    places = {(card, scene) for card, scene, *_ in counted(draft_plan(tmp_path, beside=tmp_path), tmp_path).values()}
    assert places == set(product(cards, ("Old", "Night")))


def test_paths_with_percent_signs_for_spaces_are_not_taken_for_cards(tmp_path: Path) -> None:
    bench(
        tmp_path,
        lambda card, scene, resolution, run: f"{card} {scene} {run + 1}.csv".replace(" ", "%20"),
        cards=("Brae 41",),
    )
    with pytest.raises(PlanError, match=r"cannot be told from paths such as 'Brae%2041%20"):
        draft_plan(tmp_path, beside=tmp_path)
