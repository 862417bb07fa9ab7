"""The made logs are what their generator writes, and measuring them gives the answers of their formulas."""

from __future__ import annotations

import math
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from known_answers import made_files, made_logs, main

from frametime.adapters.base import ReadOptions
from frametime.metrics.metric import MeasuredRun
from frametime.pipeline.measuring import MeasureRequest, measure_file

MADE = Path(__file__).parents[2] / "reference_logs" / "made"
NAMES = sorted(log.name for log in made_logs())


def facts(name: str) -> dict[str, Any]:
    return tomllib.loads((MADE / f"{name}.toml").read_text("utf-8"))


@cache
def measured(name: str) -> MeasuredRun:
    sensors = facts(name).get("sensors")
    request = MeasureRequest(
        path=str(MADE / f"{name}.csv"), read=ReadOptions(), sensors=str(MADE / sensors) if sensors else None
    )
    return measure_file(request)[1]


def test_the_stored_files_are_those_of_the_generator() -> None:
    made = made_files()
    assert {path.name for path in MADE.iterdir()} == set(made)
    for name, content in made.items():
        assert (MADE / name).read_bytes() == content, name


def test_the_generator_writes_the_same_twice(tmp_path: Path) -> None:
    assert main([str(tmp_path / "logs")]) == 0
    assert {path.name: path.read_bytes() for path in (tmp_path / "logs").iterdir()} == dict(made_files())


def test_the_generator_overwrites_only_with_force(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path)]) == 0
    assert main([str(tmp_path)]) == 0, "what is there already is the same"
    for path in sorted(tmp_path.rglob("*.csv"))[:2]:
        path.write_text("mine", encoding="utf-8")
    assert main([str(tmp_path)]) == 3
    assert "1 more exist; --force replaces" in capsys.readouterr().err
    assert main([str(tmp_path), "--force"]) == 0


@pytest.mark.parametrize("name", NAMES)
def test_rows_frames_and_duration_are_as_stated(name: str) -> None:
    stated = facts(name)
    assert (MADE / f"{name}.csv").read_text("utf-8").count("\n") == stated["rows"] + 1
    run = measured(name)
    assert run.n_frames == stated["frames"]
    assert run.duration_s == pytest.approx(stated["duration_s"], rel=1e-12)
    assert run.provenance.adapter == stated["adapter"]
    assert stated["origin"]
    assert stated["licence"]


@pytest.mark.parametrize("name", NAMES)
def test_the_answers_hold(name: str) -> None:
    stated = facts(name)
    values = measured(name).values
    wrong = []
    for key, answer in stated["answers"].items():
        tolerance = stated.get("tolerances", {}).get(key, stated["relative_tolerance"])
        found = values[key].value
        if found is None or not math.isclose(found, answer, rel_tol=tolerance, abs_tol=1e-9):
            wrong.append((key, answer, found))
    assert wrong == []


@pytest.mark.parametrize("name", NAMES)
def test_what_has_no_value_says_why(name: str) -> None:
    values = measured(name).values
    for key in facts(name).get("not_available", []):
        assert values[key].value is None
        assert values[key].reason


@pytest.mark.parametrize("name", NAMES)
def test_what_must_be_warned_of_is(name: str) -> None:
    assert set(facts(name).get("caveats", [])) <= {caveat.code for caveat in measured(name).caveats}
