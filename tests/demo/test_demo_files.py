"""``frametime demo``: the stored review is what it writes, the same each time, small, and never over other files."""

from __future__ import annotations

import gzip
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import pytest
from part_of_demo import BASELINE
from run_cli import frametime

from frametime.demo.demo_files import demo_files
from frametime.demo.scenario import BAD_RUN, CARDS, RESOLUTIONS, RUNS, SCENES, demo_runs
from frametime.plans.plan import parse_plan

REVIEW = Path(__file__).parents[2] / "reference_logs" / "review"
MIB = 1024 * 1024


@pytest.fixture(scope="module")
def files() -> Mapping[str, bytes]:
    return demo_files(full=False)


def content(name: str, stored: bytes) -> bytes:
    # The compressed bytes differ with the compression library of the machine, the content does not.
    return gzip.decompress(stored) if name.endswith(".gz") else stored


def test_the_stored_review_is_what_the_command_writes(files: Mapping[str, bytes]) -> None:
    stored = {path.relative_to(REVIEW).as_posix() for path in REVIEW.rglob("*") if path.is_file()}
    assert stored == set(files)
    for name, made in files.items():
        assert content(name, (REVIEW / name).read_bytes()) == content(name, made), name


def test_it_stays_small(files: Mapping[str, bytes]) -> None:
    assert sum(map(len, files.values())) < 2.5 * MIB


def test_every_run_has_a_capture_and_a_sensor_log(files: Mapping[str, bytes]) -> None:
    for run in demo_runs():
        stem = f"captures/{run.card.key}/{run.scene.key}/{run.resolution}/run{run.run}"
        assert f"{stem}.csv.gz" in files
        last = files[f"{stem}.sensors.csv"].decode().splitlines()[-1]
        assert float(last.split(",")[0]) >= 30.0


def test_no_name_comes_from_elsewhere(files: Mapping[str, bytes]) -> None:
    known = {"captures", *(card.key for card in CARDS), *(scene.key for scene in SCENES), *RESOLUTIONS}
    for name in files:
        if name.startswith("captures/"):
            *folders, last = name.split("/")
            assert set(folders) <= known
            assert last.startswith("run")


def test_the_plan_names_what_the_captures_are_made_from(files: Mapping[str, bytes]) -> None:
    text = files["plan.toml"].decode()
    design = parse_plan(text, file_name="plan.toml", folder=REVIEW).design
    assert [card.key for card in design.cards] == [card.key for card in CARDS]
    assert [(scene.key, scene.tags) for scene in design.scenes] == [(scene.key, scene.tags) for scene in SCENES]
    assert (design.baseline, design.resolutions, design.runs_planned) == (BASELINE, RESOLUTIONS, len(RUNS))
    assert f'# run = "{"/".join(map(str, BAD_RUN))}"' in text


def test_the_command_writes_the_same_twice_and_only_with_force(
    files: Mapping[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The first command makes them anew; those after it differ in what is put where.
    monkeypatch.setattr("frametime.demo.demo_files.demo_files", cache(demo_files))
    first = frametime("demo", tmp_path / "first")
    assert (first.code, first.err) == (0, "")
    assert "132 captures" in first.out
    assert {
        path.relative_to(tmp_path / "first").as_posix(): path.read_bytes()
        for path in (tmp_path / "first").rglob("*")
        if path.is_file()
    } == dict(files)
    (tmp_path / "first" / "plan.toml").write_text("mine", encoding="utf-8")
    again = frametime("demo", tmp_path / "first")
    assert again.code == 3
    assert "plan.toml: the file exists; --force replaces it" in again.err
    assert (tmp_path / "first" / "plan.toml").read_text("utf-8") == "mine"
    assert frametime("demo", tmp_path / "first", "--force").code == 0
    assert (tmp_path / "first" / "plan.toml").read_bytes() == files["plan.toml"]


@pytest.mark.slow
def test_the_full_review_has_runs_of_a_minute_and_an_endurance_run() -> None:
    full = demo_files(full=True)

    def seconds(name: str) -> float:
        return sum(map(int, gzip.decompress(full[name]).decode().split()[1:])) / 1e6

    assert 59.5 < seconds("captures/tarn-6/orchard/2160p/run1.csv.gz") <= 60.0
    assert 44.9 < seconds("tuning/endurance.csv.gz") / 60.0 <= 45.0
    assert float(full["tuning/endurance.sensors.csv"].decode().splitlines()[-1].split(",")[0]) >= 2_700.0
    assert 'logs = ["endurance.csv.gz"]' in full["tuning/tuning.toml"].decode()
