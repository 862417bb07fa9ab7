"""Names of which some lack what others have: read where one reading is plausible, else each with its command."""

from __future__ import annotations

from collections import Counter
from itertools import product
from pathlib import Path

import pytest
from drafted import draft_plan
from run_cli import frametime

from frametime.errors import PlanError
from frametime.plans.finding_runs import find_runs
from frametime.plans.path_gaps import read_paths
from frametime.plans.path_pattern import PathPattern
from frametime.plans.plan import parse_plan, read_plan
from frametime.plans.plan_draft import PlanDraft, draft_plans

CARDS = ("amber 6", "birch 9")
SCENES = ("harbor", "paper lanterns")


def bench(folder: Path, *ways: str, runs: tuple[int, ...] = (1, 2)) -> Path:
    """Captures named in these ways, each of other content."""
    names = sorted({way.format(card=c, scene=s, run=run) for way in ways for c, s, run in product(CARDS, SCENES, runs)})
    for number, name in enumerate(names):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(f"frame_time_ms\n16.6\n16.7\n{16 + number / 100}\n")
    return folder


def places(draft: PlanDraft, folder: Path) -> dict[str, tuple[str, ...]]:
    """Where the review finds the runs; the draft says the same."""
    found = find_runs(parse_plan(draft.text, file_name="plan.toml", folder=folder))
    by_name = {run.name: tuple(run.place.values()) for run in found.runs}
    assert by_name == dict(draft.places)
    return by_name


@pytest.mark.parametrize(("second", "first_run"), [(" (2)", "1"), (" (1)", "0"), ("_(2)", "1"), ("(2)", "1")])
def test_a_second_copy_in_brackets_is_a_second_run(tmp_path: Path, second: str, first_run: str) -> None:
    folder = bench(tmp_path, "{card}/{scene}.csv", "{card}/{scene}" + second + ".csv")
    draft = draft_plan(folder, beside=tmp_path)
    gap = second.partition("(")[0]
    assert draft.pattern.text == f"{{card}}/{{scene}}<{gap}({{run}})>.csv"
    found = places(draft, tmp_path)
    assert found["amber 6/paper lanterns.csv"] == ("amber 6", "paper lanterns", "default", first_run)
    assert found[f"amber 6/paper lanterns{second}.csv"][3] == second[-2]
    note = "Numbers in brackets, as copies of a file get them, are runs; the one without is the first."
    assert note in draft.understood


def test_a_copy_beside_numbered_runs_is_no_run(tmp_path: Path) -> None:
    folder = bench(tmp_path, "{card}/{scene} {run}.csv")
    (folder / "amber 6" / "harbor 1 (2).csv").write_text("frame_time_ms\n1\n2\n3\n")
    draft = draft_plan(folder, beside=tmp_path)
    assert (draft.pattern.text, draft.left_over) == ("{card}/{scene} {run}.csv", ("amber 6/harbor 1 (2).csv",))


def test_a_copy_of_the_same_bytes_is_told(tmp_path: Path) -> None:
    folder = bench(tmp_path / "captures", "{card}/{scene}.csv")
    for path in list(folder.rglob("*.csv")):
        path.write_text("frame_time_ms\n" + "16.6\n16.7\n" * 600)
        path.with_name(f"{path.stem} (2).csv").write_bytes(path.read_bytes())
    (tmp_path / "plan.toml").write_text(draft_plan(folder, beside=tmp_path).text, "utf-8")
    quick = ("--no-charts", "--no-report")
    assert frametime("review", tmp_path / "plan.toml", "--out", tmp_path / "out", *quick).code == 0
    assert "same-file-twice" in (tmp_path / "out" / "result.json").read_text("utf-8")


def test_names_with_a_sign_and_names_with_a_word_are_runs_alike(tmp_path: Path) -> None:
    folder = bench(tmp_path / "halves", "amber 6/{scene} #{run}.csv", "birch 9/{scene} run {run}.csv")
    draft = draft_plan(folder, beside=tmp_path)
    assert (draft.cards, draft.scenes, draft.n_runs) == (CARDS, SCENES, 2)
    places(draft, tmp_path)
    few = bench(tmp_path / "few", "{card}/{scene} #1.csv")
    bench(few, "{card}/{scene} run {run}.csv", runs=(2, 3))
    draft = draft_plan(few, beside=tmp_path)
    assert (draft.cards, draft.scenes, draft.n_runs, draft.left_over) == (CARDS, SCENES, 3, ())


@pytest.mark.parametrize(
    ("bare", "named", "pattern"),
    [
        ("{card}/{scene} {run}.csv", "{card}/{scene} 4K {run}.csv", "{card}/{scene}< {resolution}> {run}.csv"),
        (
            "{card}_{scene}_run{run}.csv",
            "{card}_{scene}_QHD_run{run}.csv",
            "{card}_{scene}<_{resolution}>_run{run}.csv",
        ),
        ("{card}/{scene}-{run}.csv", "{card}/{scene}-{run}-1440p.csv", "{card}/{scene}-{run}<-{resolution}>.csv"),
        ("{card}/{scene} {run}.csv", "{card}/4K {scene} {run}.csv", "{card}/<{resolution} >{scene} {run}.csv"),
        ("{card}/{scene} {run}.csv", "{card}/{scene} (4K) {run}.csv", "{card}/{scene}< ({resolution})> {run}.csv"),
    ],
)
def test_names_without_a_resolution_beside_the_same_with_one_have_one_of_their_own(
    tmp_path: Path, bare: str, named: str, pattern: str
) -> None:
    draft = draft_plan(bench(tmp_path, bare, named), beside=tmp_path)
    assert draft.pattern.text == pattern
    assert draft.resolutions[0] == "default"
    assert any(line.startswith("No resolution stands in the names of 8 captures") for line in draft.understood)
    assert Counter(place[2] for place in places(draft, tmp_path).values()) == dict.fromkeys(draft.resolutions, 8)
    # The plan says which it is.
    text = draft.text.replace('"default"', '"1080p"')
    found = find_runs(parse_plan(text, file_name="plan.toml", folder=tmp_path))
    assert Counter(run.place["resolution"] for run in found.runs)["1080p"] == 8


def test_names_that_may_have_the_resolution_of_the_others_are_read_in_two_ways(tmp_path: Path) -> None:
    folder = bench(tmp_path / "captures", "amber 6/{scene} {run}.csv", "birch 9/{scene} 1440p {run}.csv")
    shown = frametime("plan", folder, "--out", tmp_path / "plan.toml")
    assert shown.code == 3
    patterns = ["{card}/{scene}< {resolution}> {run}.csv", "{card}/{scene}< 1440p> {run}.csv"]
    for pattern, n_cells in zip(patterns, (8, 4), strict=True):
        assert f"--path-pattern '{pattern}'" in shown.out
        made = frametime("plan", folder, "--path-pattern", pattern, "--out", tmp_path / "plan.toml", "--force")
        assert made.code == 0
        plan = read_plan(tmp_path / "plan.toml")
        assert (len(plan.design.cards) * len(plan.design.cells), len(find_runs(plan).runs)) == (n_cells, 8)
    assert [draft.pattern.text for draft in draft_plans(folder, beside=tmp_path)] == patterns


def test_a_few_odd_names_change_no_reading() -> None:
    names = [f"{c}/{s} 4K {run}.csv" for c, s, run in product(CARDS, SCENES, (1, 2, 3))]
    (reading,) = read_paths([*names, "amber 6/harbor 9.csv"])
    assert (reading.pattern.text, len(reading.fields)) == ("{card}/{scene} {resolution} {run}.csv", 12)


def test_what_may_be_missing_has_limits() -> None:
    with pytest.raises(PlanError, match="more than 4 parts in < >"):
        PathPattern.parse("{card}" + "<-x>" * 5 + ".csv")
    pattern = PathPattern.parse("{card}< {resolution}>.sensors.csv")
    assert pattern.path_of({"card": "amber"}) == "amber.sensors.csv"
    assert pattern.path_of({"card": "amber", "resolution": "4K"}) == "amber 4K.sensors.csv"


def test_the_sensor_log_of_a_run_without_the_piece_is_found(tmp_path: Path) -> None:
    folder = bench(tmp_path, "{card}/{scene}.csv", "{card}/{scene} (2).csv")
    for path in list(folder.rglob("*.csv")):
        path.with_name(f"{path.stem}.sensors.csv").write_text("time_s,power_w\n0,200\n1,210\n")
    draft = draft_plan(folder, beside=tmp_path)
    found = find_runs(parse_plan(draft.text, file_name="plan.toml", folder=tmp_path))
    assert all(run.sensors == run.path.with_name(f"{run.path.stem}.sensors.csv") for run in found.runs)
    assert len(found.runs) == 8


def test_resolutions_that_some_paths_have_in_a_folder_and_others_in_the_name_are_no_gap() -> None:
    # Put in where it seemed to lack, the resolution was looked for again without an end.
    in_folders = [
        f"spring/{scene}/{size}/run{run}.csv"
        for scene in ("harbor", "lake")
        for size in ("1080p", "2160p")
        for run in "12"
    ]
    in_names = [
        f"autumn/{scene}_{size}_{run}.csv"
        for scene in ("harbor", "lake")
        for size in ("1080p", "2160p")
        for run in "12"
    ]
    readings = read_paths([*in_folders, *in_names])
    assert all("<" not in reading.pattern.text for reading in readings)


@pytest.mark.parametrize("odd", ["4Kx", "max a", "UHDa", "000pzz"])
def test_resolutions_of_which_some_are_not_known_end(tmp_path: Path, odd: str) -> None:
    """One in three names a resolution that nobody knows, joined to the run: no reading, or one, but an end."""
    for card, scene, lines, run in product(("Brae 41", "Tarn 6"), ("lake", "mill"), ("1080p", "1440p", odd), "abc"):
        path = tmp_path / card / f"{scene}-{lines}{run}.csv"
        path.parent.mkdir(exist_ok=True)
        path.write_text("frame_time_ms\n16.6\n16.7\n16.8\n")
    names = sorted(path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*.csv"))
    assert all(len(reading.fields) <= len(names) for reading in read_paths(names))
