"""Ways in which people name their captures: each is understood, or both of its meanings are shown."""

from __future__ import annotations

from itertools import product

import pytest

from frametime.plans.path_gaps import read_paths
from frametime.plans.path_pattern import PathPattern, resolution_name
from frametime.plans.path_reading import fields_by_pattern

CARDS = ("GPU-70", "GPU-80 XL", "Amber 6")
SCENES = ("harbor", "paper-lanterns", "bottling hall")
RESOLUTIONS = ("1080p", "2160p")


def named(
    way: str,
    *,
    cards: tuple[str, ...] = CARDS,
    scenes: tuple[str, ...] = SCENES,
    resolutions: tuple[str, ...] = RESOLUTIONS,
    n_runs: int = 3,
) -> dict[str, dict[str, str]]:
    """Paths built in one way, with the fields that they stand for."""
    paths = {}
    for card, scene, resolution, run in product(cards, scenes, resolutions, range(1, n_runs + 1)):
        minute = run + 10
        path = way.format(card=card, scene=scene, resolution=resolution, run=run, minute=minute)
        paths[path] = {"card": card, "scene": scene, "resolution": resolution, "run": str(run)}
    return paths


FULL = [
    ("{card}/{scene}/{resolution}/run{run}.csv", "{card}/{scene}/{resolution}/run{run}.csv"),
    ("{card}-{scene}-{resolution}-{run}.csv", "{card}-{scene}-{resolution}-{run}.csv"),
    ("{scene}_{resolution}_{card}_{run}.csv", "{scene}_{resolution}_{card}_{run}.csv"),
    ("{card} {resolution}/{scene}_{run}.log", "{card} {resolution}/{scene}_{run}.log"),
    ("2026-05-01/{card}/{scene}/{resolution}/run {run}.csv", "*/{card}/{scene}/{resolution}/run {run}.csv"),
    ("{resolution}/{card}/{scene}/{run}.csv.gz", "{resolution}/{card}/{scene}/{run}.csv.gz"),
    ("{card} - {scene} - {resolution} ({run}).csv", "{card} - {scene} - {resolution} ({run}).csv"),
    ("{card}/{scene}/{resolution}/{scene}{run}.csv", "{card}/{scene}/{resolution}/{scene}{run}.csv"),
    ("{card}/{card}_{scene}_{resolution}_{run}.csv", "{card}/{card}_{scene}_{resolution}_{run}.csv"),
    ("{run}_{card}_{scene}_{resolution}.csv", "{run}_{card}_{scene}_{resolution}.csv"),
    ("{scene}/{card}/{resolution}/{run}.csv", "{scene}/{card}/{resolution}/{run}.csv"),
    ("{scene}.{resolution}/{card}.r{run}.txt", "{scene}.{resolution}/{card}.r{run}.txt"),
    ("run {run}/{card}/{resolution}/{scene}.csv", "run {run}/{card}/{resolution}/{scene}.csv"),
    ("Session {run}/{card}/{scene}_{resolution}.csv", "Session {run}/{card}/{scene}_{resolution}.csv"),
    ("{card}/{scene}_{resolution}_day{run}.csv", "{card}/{scene}_{resolution}_day{run}.csv"),
    ("{card}/captures/{resolution}/{scene}#{run}.csv", "{card}/captures/{resolution}/{scene}#{run}.csv"),
]


@pytest.mark.parametrize(("way", "pattern"), FULL)
def test_a_way_of_naming_is_understood(way: str, pattern: str) -> None:
    paths = named(way)
    (reading,) = read_paths(list(paths))
    assert reading.pattern.text == pattern
    assert reading.fields == paths


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("FHD", "ultrawide 3440x1440", "4K"), {"1080p", "3440x1440", "2160p"}),
        (("Full HD", "2.5K", "Ultra HD"), {"1080p", "1440p", "2160p"}),
    ],
)
def test_words_for_resolutions_are_known(words: tuple[str, ...], names: set[str]) -> None:
    paths = named("{card}/{scene}/{resolution}_{run}.csv", resolutions=words)
    (reading,) = read_paths(list(paths))
    assert reading.fields == paths
    assert {resolution_name(name) for name in reading.values("resolution")} == names


def test_without_a_run_number_there_is_one_run() -> None:
    paths = named("{card}/{scene} {resolution}.csv", n_runs=1)
    (reading,) = read_paths(list(paths))
    assert reading.pattern.text == "{card}/{scene} {resolution}.csv"
    assert reading.values("scene") == set(SCENES)


def test_a_time_stamp_is_the_run_where_nothing_else_tells_runs_apart() -> None:
    (reading,) = read_paths(list(named("{card}/{scene}/{resolution}_2026-05-01_17-{minute}-00.csv")))
    assert reading.pattern.text == "{card}/{scene}/{resolution}_{run}.csv"


def test_a_date_is_a_session_where_runs_are_numbered_anew() -> None:
    days = [list(named(f"{{card}}/{{scene}}/2026-05-0{day}/{{resolution}}-{{run}}.csv")) for day in (1, 2)]
    (reading,) = read_paths([*days[0], *days[1]])
    assert reading.pattern.text == "{card}/{scene}/{session}/{resolution}-{run}.csv"


def test_one_scene_needs_no_name() -> None:
    (reading,) = read_paths([f"{card}_{run}.csv" for card in CARDS for run in (1, 2)])
    assert reading.pattern.text == "{card}_{run}.csv"


@pytest.mark.parametrize(
    ("paths", "patterns"),
    [
        (
            named("{card}_{scene}_{run}.csv", cards=("amber", "birch"), resolutions=("",)),
            ["{card}_{scene}_{run}.csv", "{scene}_{card}_{run}.csv"],
        ),
        (
            named("{card}_{scene}.csv", cards=("Hollin 1", "Hollin 2"), resolutions=("",), n_runs=1),
            ["{card} {run}_{scene}.csv", "{card}_{scene}.csv"],
        ),
        (
            named("{scene}/{card}.csv", cards=("Hollin 1", "Hollin 2"), resolutions=("",), n_runs=1),
            ["{card}/{scene} {run}.csv", "{scene}/{card}.csv"],
        ),
    ],
)
def test_two_meanings_are_both_given(paths: dict[str, dict[str, str]], patterns: list[str]) -> None:
    assert [reading.pattern.text for reading in read_paths(list(paths))] == patterns


def test_model_numbers_that_no_run_has_are_names() -> None:
    cards = ("Hollin 1", "Hollin 2", "Tarn 6")
    (reading,) = read_paths(list(named("{scene}/{card}.csv", cards=cards, resolutions=("",), n_runs=1)))
    assert (reading.pattern.text, reading.values("card")) == ("{scene}/{card}.csv", set(cards))


def test_bare_numbers_of_runs_are_never_cards() -> None:
    assert read_paths(["1.csv", "2.csv"]) == ()
    assert read_paths(["1/harbor.csv", "1/canyon.csv"])[0].values("card") == {"harbor", "canyon"}
    (reading,) = read_paths([f"{run}/{card}/harbor.csv" for run in (1, 2) for card in ("amber", "birch")])
    assert (reading.pattern.text, reading.values("card")) == ("{run}/{card}/{scene}.csv", {"amber", "birch"})


@pytest.mark.parametrize(
    ("way", "pattern"),
    [
        ("{scene}/{run}.csv", "{scene}/{run}.csv"),
        ("{scene}_{resolution}_{run}.dat", "{scene}_{resolution}_{run}.dat"),
        ("logs/{scene} run {run}.txt", "logs/{scene} run {run}.txt"),
        ("{scene}.csv", "{scene}.csv"),
    ],
)
def test_of_one_card_the_paths_name_scenes_alone(way: str, pattern: str) -> None:
    paths = named(way, cards=("",), n_runs=2 if "{run}" in way else 1)
    (reading,) = read_paths(list(paths), is_one_card=True)
    assert (reading.pattern.text, reading.values("scene")) == (pattern, set(SCENES))
    assert reading.values("card") == set()


def test_of_one_card_and_one_scene_the_runs_are_enough() -> None:
    (reading,) = read_paths(["run1.csv", "run2.csv"], is_one_card=True)
    assert (reading.pattern.text, reading.values("run")) == ("run{run}.csv", {"1", "2"})


def test_every_ending_of_a_log_is_no_name() -> None:
    (reading,) = read_paths([f"GPU-{n}_{scene}_{run}.dat" for n in (1, 2) for scene in SCENES for run in (1, 2)])
    assert reading.pattern.text == "{card}_{scene}_{run}.dat"


def test_missing_captures_do_not_hide_the_pattern() -> None:
    paths = named("{card}-{scene}-{resolution}-{run}.csv")
    some = {path: fields for at, (path, fields) in enumerate(paths.items()) if at % 7 != 3}
    (reading,) = read_paths(list(some))
    assert reading.fields == some


@pytest.mark.parametrize(
    "paths", [["run1.csv"], ["a/b/c/d/run1.csv"], ["a/b/run1.csv", "a/run1.csv"], ["calm.csv", "busy.csv"]]
)
def test_too_little_is_not_read(paths: list[str]) -> None:
    assert read_paths(paths) == ()


def test_a_given_pattern_parts_joined_names_by_how_they_cross() -> None:
    paths = named("{scene}-{card}-{resolution}-{run}.csv")
    assert fields_by_pattern(PathPattern.parse("{scene}-{card}-{resolution}-{run}.csv"), list(paths)) == paths


@pytest.mark.parametrize("sign", ["#{run}", "({run})"])
def test_a_run_behind_a_sign_is_found_however_many_words_stand_before_it(sign: str) -> None:
    paths = named("{card}." + sign + ".{scene}.{resolution}.csv", cards=("hollow", "amber_6", "velo_z9_x"))
    (reading,) = read_paths(list(paths))
    assert len(reading.fields) == len(paths)
    assert reading.values("card") == {"hollow", "amber_6", "velo_z9_x"} and reading.values("run") == {"1", "2", "3"}


def test_a_scene_whose_name_ends_in_a_word_for_runs_leaves_the_other_scenes_in() -> None:
    paths = named("{card}/{scene} 0{run} {resolution}.csv", scenes=("bridge-run", "fun-run", "arena"))
    (reading,) = read_paths(list(paths))
    assert len(reading.fields) == len(paths) and len(reading.values("scene")) == 3


def test_where_inner_names_hold_more_model_numbers_than_the_outer_folders_either_may_be_the_card() -> None:
    def readings(cards: tuple[str, ...]) -> list[set[str]]:
        paths = named("{scene}/{card} {resolution} Run {run}.csv", cards=cards, scenes=("docks", "city"))
        return [reading.values("card") for reading in read_paths(list(paths))]

    assert readings(("Brisk", "GX-420")) == [{"docks", "city"}, {"Brisk", "GX-420"}]
    assert readings(("GX-410", "GX-420")) == [{"GX-410", "GX-420"}]
    assert readings(("Brisk", "Hollow")) == [{"docks", "city"}], "the outer folder is the card"
