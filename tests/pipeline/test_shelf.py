"""The shelf: a session is put on it whole or not at all, and taken off again; other engines can read it."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from example_result import METRICS, design, placed_run
from part_of_demo import copy_of_two_scenes
from run_cli import frametime

from frametime.adapters.file_kind import classify_file
from frametime.errors import OutputError, PlanError
from frametime.pipeline.shelf import SUMS, placed_runs, runs_on, sessions_on, shelve, take_off, taken_from_shelf
from frametime.plans.plan import ReviewPlan, parse_plan
from frametime.review.design import ReviewDesign
from frametime.review.run_set import PlacedRun

pytestmark = pytest.mark.usefixtures("same_bytes_are_measured_once")

PLAN = """\
title = "Two cards"
bench = ["open bench", "16 cores"]
baseline = "amber-6"
metrics = ["average_fps"]
resolutions = ["1440p"]
cards = [{ key = "amber-6", label = "Amber 6" }, { key = "birch 9 %" }]
scenes = [{ key = "harbor" }]
captures = { folder = "logs" }
shelf = { folder = "shelf", session = "spring" }
"""
CARDS = ("amber-6", "birch 9 %")


def plan_in(folder: Path, text: str = PLAN) -> ReviewPlan:
    return parse_plan(text, file_name="plan.toml", folder=folder)


def measured(*, n_runs: int = 3, fps: float = 100.0) -> tuple[ReviewDesign, list[PlacedRun]]:
    runs: list[PlacedRun] = [
        placed_run(
            card, "harbor", "1440p", str(run), {"average_fps": fps + run, "average_power_w": 200.0}, driver="71.3"
        )
        for card in CARDS
        for run in range(n_runs)
    ]
    asked = design(CARDS, ("harbor",), ("1440p",), metrics=METRICS[:1])
    return asked, runs


def test_a_session_comes_back_as_it_was_measured(tmp_path: Path) -> None:
    plan, (asked, made) = plan_in(tmp_path), measured()
    assert shelve(plan, asked, made) == ("spring", 6)
    rows = runs_on(tmp_path / "shelf", ["average_fps"]).collect()
    assert set(rows["card"]) == set(CARDS)
    assert rows["average_fps"].to_list() == [100.0, 101.0, 102.0] * 2
    assert rows["driver"].to_list() == ["71.3"] * 6
    back = {run.name: run.measured for run in placed_runs(rows)}
    assert back == {run.name: run.measured for run in made}


def test_other_engines_read_it_with_units(tmp_path: Path) -> None:
    shelve(plan_in(tmp_path), *measured())
    (path,) = (tmp_path / "shelf").glob("session=spring/card=amber-6/runs.parquet")
    schema = pq.read_schema(path)
    assert schema.field("average_fps").metadata == {b"unit": b"{frame}/s"}
    assert json.loads(schema.metadata[b"frametime"])["schema"] == "frametime.shelf/1"


def test_a_shelf_among_captures_is_no_capture(tmp_path: Path) -> None:
    shelve(plan_in(tmp_path), *measured())
    files = [path for path in (tmp_path / "shelf").rglob("*") if path.is_file()]
    kinds = {path.name: classify_file(path).kind for path in files}
    assert kinds == {"runs.parquet": "results", SUMS: "other"}


def test_the_same_session_again_changes_nothing_and_another_of_its_name_is_refused(tmp_path: Path) -> None:
    plan = plan_in(tmp_path)
    shelve(plan, *measured())
    files = {path: path.stat().st_mtime_ns for path in (tmp_path / "shelf").rglob("*.parquet")}
    shelve(plan, *measured())
    assert {path: path.stat().st_mtime_ns for path in (tmp_path / "shelf").rglob("*.parquet")} == files
    with pytest.raises(OutputError, match=r"another session 'spring'.*shelf remove"):
        shelve(plan, *measured(fps=90.0))
    assert sessions_on(tmp_path / "shelf")["runs"].to_list() == [3, 3]


def test_a_session_is_taken_off_whole(tmp_path: Path) -> None:
    shelve(plan_in(tmp_path), *measured())
    shelve(plan_in(tmp_path, PLAN.replace("spring", "May / 2")), *measured(n_runs=2))
    take_off(tmp_path / "shelf", "May / 2")
    assert set(sessions_on(tmp_path / "shelf")["session"]) == {"spring"}
    with pytest.raises(OutputError, match="no session 'May'; it holds 'spring'"):
        take_off(tmp_path / "shelf", "May")
    take_off(tmp_path / "shelf", "spring")
    assert list((tmp_path / "shelf").iterdir()) == []
    with pytest.raises(OutputError, match="no shelf, or an empty one"):
        runs_on(tmp_path / "shelf", ["average_fps"])


def test_a_write_that_fails_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pq, "write_table", full)
    with pytest.raises(OutputError, match="No space left"):
        shelve(plan_in(tmp_path), *measured())
    assert not [path for path in (tmp_path / "shelf").rglob("*") if path.is_file()]


def test_a_plan_must_name_the_shelf_and_the_session_where_runs_tell_no_day(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="names no shelf"):
        shelve(plan_in(tmp_path, PLAN.partition("shelf =")[0]), *measured())
    with pytest.raises(PlanError, match="on which day"):
        shelve(plan_in(tmp_path, PLAN.replace(', session = "spring"', "")), *measured())


def test_a_plan_that_leaves_out_every_run_is_refused_in_a_sentence(tmp_path: Path) -> None:
    asked, runs = measured()
    nothing = replace(asked, exclusions={run.name: "the wrong driver" for run in runs})
    with pytest.raises(PlanError, match="no run is left to put on the shelf"):
        shelve(plan_in(tmp_path), nothing, runs)
    assert not (tmp_path / "shelf").exists()


def test_a_cell_counts_once_in_the_mean_of_a_card_however_often_it_was_played(tmp_path: Path) -> None:
    """With a fourth run of a fast scene the list said 2 % more than the standings of the same runs."""
    played = {"harbor": (100.0,) * 4, "canyon": (25.0,)}
    runs = [
        placed_run("amber-6", scene, "1440p", str(run), {"average_fps": value})
        for scene, values in played.items()
        for run, value in enumerate(values)
    ]
    asked = design(CARDS, tuple(played), ("1440p",), metrics=METRICS[:1])
    shelve(
        plan_in(tmp_path, PLAN.replace('[{ key = "harbor" }]', '[{ key = "harbor" }, { key = "canyon" }]')), asked, runs
    )
    (row,) = sessions_on(tmp_path / "shelf").rows(named=True)
    assert (row["cells"], row["runs"], row["average_fps"]) == (2, 5, pytest.approx(50.0, rel=1e-12))


def test_the_command_line_fills_lists_and_empties_it(tmp_path: Path) -> None:
    plan = copy_of_two_scenes(tmp_path / "review", {"orchard", "lanterns"})
    out, shelf = str(tmp_path / "out"), str(tmp_path / "shelf")
    refused = frametime("review", str(plan), "--out", out, "--shelve")
    assert (refused.code, "names no shelf" in refused.err, Path(out).exists()) == (3, True, False)
    with plan.open("a", encoding="utf-8") as stream:
        stream.write('\n[shelf]\nfolder = "../shelf"\nsession = "spring"\n')
    told = frametime("review", str(plan), "--out", out, "--no-charts", "--no-report", "--shelve")
    assert "on the shelf as session 'spring'" in told.err
    told = frametime("shelf", "list", shelf)
    assert told.code == 0
    assert "spring" in told.out and "FPS over its cells" in told.out  # cards with other cells do not compare
    card = told.out.splitlines()[-1].split()[1]
    assert "Scene" in frametime("shelf", "show", shelf, card).out
    assert frametime("shelf", "show", shelf, "nobody").code == 3
    assert frametime("shelf", "remove", shelf, "spring").code == 0
    assert frametime("shelf", "list", shelf).code == 3


LATER = """\
title = "A new card"
baseline = "amber-6"
metrics = ["average_fps"]
resolutions = ["1440p"]
cards = [{ key = "amber-6" }, { key = "cedar-12" }]
scenes = [{ key = "harbor" }]
captures = { folder = "logs" }
shelf = { folder = "shelf", session = "autumn", TAKES }
"""


def later(folder: Path, takes: str, **conditions: str) -> tuple[ReviewPlan, ReviewDesign, list[PlacedRun]]:
    """A plan that takes cards from the shelf, and its runs of today."""
    runs = [
        placed_run(card, "harbor", "1440p", str(run), {"average_fps": 110.0 + run}, **conditions)
        for card in ("amber-6", "cedar-12")
        for run in range(3)
    ]
    plan = plan_in(folder, LATER.replace("TAKES", takes))
    return plan, plan.design, runs


def taken(*what: Any) -> Any:
    """What a plan takes, where nothing is measured again."""
    return taken_from_shelf(*what, None, lambda _plan: ())


def test_a_card_that_is_named_comes_from_its_latest_session(tmp_path: Path) -> None:
    shelve(plan_in(tmp_path), *measured())
    shelve(plan_in(tmp_path, PLAN.replace("spring", "summer")), *measured(fps=90.0))
    found, others, caveats = taken(*later(tmp_path, 'cards = ["birch 9 %"]'))
    assert found.shelved == {"birch 9 %": "summer"}
    assert [card.key for card in found.cards] == ["amber-6", "cedar-12", "birch 9 %"]
    assert [run.value("average_fps") for run in others.runs] == [90.0, 91.0, 92.0]
    assert set(others.values) == {"spring", "summer"}
    assert others.values["spring"]["amber-6", "harbor", "1440p"] == {"average_fps": [100.0, 101.0, 102.0]}
    assert caveats == ()


def test_cards_near_the_subject_are_chosen_by_speed(tmp_path: Path) -> None:
    for name, fps in (("x", 40.0), ("y", 109.0), ("z", 300.0)):
        asked, runs = measured(fps=fps)
        renamed = [replace(run, card=name) for run in runs if run.card != "amber-6"]
        entry = replace(asked.cards[1], key=name)
        shelve(plan_in(tmp_path, PLAN.replace("spring", name)), replace(asked, cards=(asked.cards[0], entry)), renamed)
    found, _, _ = taken(*later(tmp_path, "near = 1"))
    assert found.shelved == {"y": "y"}
    found, _, _ = taken(*later(tmp_path, 'cards = ["z"], near = 1'))
    assert list(found.shelved) == ["z", "y"]


@pytest.mark.parametrize(
    ("takes", "conditions", "words"),
    [
        ('cards = ["birch 9"]', {}, "the shelf holds no card 'birch 9' of another session; did you mean"),
        ('cards = ["amber-6"]', {}, "'amber-6' was measured in this session"),
        ('cards = ["birch 9 %"]', {"scene_settings": "ultra"}, "no cell that is comparable"),
        (
            'cards = ["birch 9 %"] }\nmeasure = { quantile_type = 6',
            {},
            "other .measure., and cannot be .*: .*plan.toml",
        ),
        ("near = 1, near_by = 'price'", {}, "near_by is \"price\", and 'cedar-12' has none"),
    ],
)
def test_what_the_shelf_has_not_is_refused(takes: str, conditions: dict[str, str], words: str, tmp_path: Path) -> None:
    shelve(plan_in(tmp_path), *measured())
    with pytest.raises(PlanError, match=words):
        taken(*later(tmp_path, takes, **conditions))


def test_the_session_of_the_plan_itself_is_not_another(tmp_path: Path) -> None:
    shelve(plan_in(tmp_path), *measured())
    shelve(*later(tmp_path, 'cards = ["birch 9 %"]'))
    _, others, _ = taken(*later(tmp_path, 'cards = ["birch 9 %"]'))
    assert set(others.values) == {"spring"}


def test_a_session_with_captures_of_today_is_this_one_whatever_it_is_called(tmp_path: Path) -> None:
    shelve(plan_in(tmp_path), *measured())
    plan, asked, runs = later(tmp_path, 'cards = ["birch 9 %"]')
    shelve(plan, asked, runs)
    unnamed = plan_in(tmp_path, LATER.replace('session = "autumn", TAKES', 'cards = ["birch 9 %"]'))
    _, others, _ = taken(unnamed, asked, runs)
    assert set(others.values) == {"spring"}


def test_another_session_of_the_same_day_is_another(tmp_path: Path) -> None:
    asked, made = measured()
    unnamed = PLAN.replace(', session = "spring"', "")
    shelve(plan_in(tmp_path, unnamed), asked, [replace(run, start_h=480_000.0) for run in made])
    plan = plan_in(tmp_path, LATER.replace('session = "autumn", TAKES', 'cards = ["birch 9 %"]'))
    _, _, runs = later(tmp_path, "near = 1")
    found, _, _ = taken(plan, plan.design, [replace(run, start_h=480_001.0) for run in runs])
    assert found.shelved == {"birch 9 %": "2024-10-04"}


def test_cards_near_the_subject_are_chosen_by_price(tmp_path: Path) -> None:
    for name in ("x", "y"):
        asked, runs = measured()
        renamed = [replace(run, card=name) for run in runs if run.card != "amber-6"]
        entry = replace(asked.cards[1], key=name)
        shelve(plan_in(tmp_path, PLAN.replace("spring", name)), replace(asked, cards=(asked.cards[0], entry)), renamed)
    _, _, today = later(tmp_path, "near = 1, near_by = 'price'")
    for prices, chosen in (({}, {}), ({"x": 260, "y": 900}, {"y": "y"}), ({"x": 300, "y": 1000}, {"x": "x"})):
        priced = "".join(f', {{ key = "{name}", price = {price} }}' for name, price in prices.items())
        text = LATER.replace("TAKES", "near = 1, near_by = 'price'").replace(
            '{ key = "cedar-12" }', f'{{ key = "cedar-12", price = 500 }}{priced}'
        )
        plan = plan_in(tmp_path, text)
        assert taken(plan, plan.design, today)[0].shelved == chosen


def test_another_version_of_a_scene_is_not_comparable(tmp_path: Path) -> None:
    shelve(plan_in(tmp_path, PLAN.replace('"harbor" }', '"harbor", version = "1.2" }')), *measured())
    plan, _, runs = later(tmp_path, 'cards = ["birch 9 %"]')
    with pytest.raises(PlanError, match="no cell that is comparable; other scenes, or another version"):
        taken(plan, plan.design, runs)
    text = LATER.replace("TAKES", 'cards = ["birch 9 %"]').replace('"harbor" }', '"harbor", version = "1.2" }')
    plan = plan_in(tmp_path, text)
    assert taken(plan, plan.design, runs)[0].shelved == {"birch 9 %": "spring"}


def test_a_session_with_other_parameters_is_measured_again_from_its_captures(tmp_path: Path) -> None:
    """The lows of another share are those of a review of that session itself."""
    review = tmp_path / "review"
    text = copy_of_two_scenes(review, {"orchard", "lanterns"}).read_text("utf-8")
    shelf = '\n[shelf]\nfolder = "../shelf"\nsession = "SESSION"\n'
    measure = "\n[measure]\nslowest_pcts = [5]\n"
    lowest = text.replace('"low_1pct_percentile_fps"', '"low_5pct_mean_fps"')
    (review / "spring.toml").write_text(text + shelf.replace("SESSION", "spring"), "utf-8")
    (review / "all.toml").write_text(lowest + measure, "utf-8")
    without = re.sub(r'(?s)\[\[cards\]\]\nkey = "hollin-2".*?(?=\[\[)', "", lowest)
    (review / "later.toml").write_text(
        without + measure + shelf.replace("SESSION", "later") + 'cards = ["hollin-2"]\n', "utf-8"
    )
    quick = ("--no-charts", "--no-report", "-q")
    assert frametime("review", str(review / "spring.toml"), "--out", str(tmp_path / "a"), *quick, "--shelve").code == 0

    def lows(name: str) -> list[tuple[str, str]]:
        told = frametime("review", str(review / f"{name}.toml"), "--out", str(tmp_path / name), *quick)
        assert told.code == 0, told.err
        rows = csv.DictReader((tmp_path / name / "cells.csv").read_text("utf-8").splitlines())
        return [(row["scene"], row["value"]) for row in rows if row["card"] == "hollin-2" and "5pct" in row["metric"]]

    assert lows("later") == lows("all") != []
    assert "shelf-measured-again" in (tmp_path / "later" / "result.json").read_text("utf-8")
    shutil.rmtree(review / "captures" / "hollin-2" / "lanterns")
    again = frametime("review", str(review / "later.toml"), "--out", str(tmp_path / "gone"), *quick)
    assert again.code == 3
    assert "cannot be measured again: captures of it have changed, or are gone; leave it out" in again.err


def damaged(content: bytes) -> bytes:
    """One bit of what was measured is another: it reads as well, as another number."""
    middle = len(content) // 2
    return content[:middle] + bytes([content[middle] ^ 1]) + content[middle + 1 :]


@pytest.mark.parametrize("change", [lambda _: b"junk", lambda _: b"", damaged, lambda content: content[:-9]])
@pytest.mark.parametrize("command", ["list", "show", "review", "shelve"])
def test_a_file_of_the_shelf_that_is_broken_is_named(command: str, change: Any, tmp_path: Path) -> None:
    shelve(plan_in(tmp_path), *measured())
    shelf = tmp_path / "shelf"
    path = next(shelf.rglob("card=amber-6/runs.parquet"))
    path.write_bytes(change(path.read_bytes()))
    words = "runs.parquet: this file of the shelf is damaged or gone; put it back, or take its session off"
    if command in ("list", "show"):
        told = frametime("shelf", command, str(shelf), *(["amber-6"] if command == "show" else []))
        assert (told.code, told.out) == (3, "")
        assert words in told.err
        assert f"frametime shelf remove {shelf} 'spring'" in told.err
    else:
        with pytest.raises(OutputError, match=words):
            if command == "shelve":
                shelve(plan_in(tmp_path), *measured())
            else:
                taken(*later(tmp_path, 'cards = ["birch 9 %"]'))
    assert frametime("shelf", "remove", str(shelf), "spring").code == 0


@pytest.mark.parametrize("lost", ["card=amber-6/runs.parquet", "sha256sums.txt"])
def test_a_file_of_the_shelf_that_is_gone_is_named(lost: str, tmp_path: Path) -> None:
    shelve(plan_in(tmp_path), *measured())
    (tmp_path / "shelf" / "session=spring" / lost).unlink()
    with pytest.raises(OutputError, match=r"card=amber-6/runs\.parquet: this file of the shelf is damaged or gone"):
        sessions_on(tmp_path / "shelf")


def test_files_of_a_session_have_their_hashes_beside_them(tmp_path: Path) -> None:
    """As ``sha256sum --check`` reads them."""
    shelve(plan_in(tmp_path), *measured())
    place = tmp_path / "shelf" / "session=spring"
    paths = sorted(place.glob("*/runs.parquet"))
    lines = [f"{sha256(path.read_bytes()).hexdigest()}  {path.relative_to(place).as_posix()}" for path in paths]
    assert (place / "sha256sums.txt").read_text("utf-8").splitlines() == lines
    assert len(lines) == 2


def test_a_damaged_file_of_a_card_is_told_by_a_list(tmp_path: Path) -> None:
    """However old it is."""
    shelve(plan_in(tmp_path), *measured())
    shelf, (path, *_) = tmp_path / "shelf", sorted(tmp_path.rglob("runs.parquet"))
    path.write_bytes(b"junk")
    os.utime(path, (0, 0))
    with pytest.raises(OutputError, match="damaged"):
        sessions_on(shelf)
    with pytest.raises(OutputError, match="damaged"):
        runs_on(shelf, ["average_fps"])


def test_a_session_of_an_earlier_version_is_read(tmp_path: Path) -> None:
    """It has a list of its runs beside them, which counts as no run."""
    shelve(plan_in(tmp_path), *measured())
    shelf = tmp_path / "shelf"
    before, place = sessions_on(shelf), shelf / "session=spring"
    listed = place / "listed.pq"
    listed.write_bytes(next(place.glob("*/runs.parquet")).read_bytes())
    with (place / SUMS).open("a", encoding="utf-8", newline="\n") as sums:
        sums.write(f"{sha256(listed.read_bytes()).hexdigest()}  listed.pq\n")
    assert sessions_on(shelf).equals(before)
    listed.unlink()
    with pytest.raises(OutputError, match=r"listed\.pq: this file of the shelf is damaged or gone"):
        sessions_on(shelf)
