"""The files of a review hold the result, fit their schema, and appear together or not at all."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import jsonschema
import pyarrow.parquet as pq
import pytest
from example_result import design, example_result, placed_run

from frametime.adapters.file_kind import classify_file
from frametime.errors import OutputError
from frametime.pipeline import review_outputs
from frametime.pipeline.review_outputs import DrawnOutputs, text_files, write_review
from frametime.pipeline.review_schema import review_json, review_schema, schema_text
from frametime.pipeline.review_tables import cells_csv, formula_count, runs_table, standings_csv
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs

SCHEMA_FILE = Path(__file__).parents[2] / "docs" / "result.schema.json"
NOTHING_DRAWN = DrawnOutputs(charts=False, report=False)


@pytest.fixture(scope="module")
def result() -> ReviewResult:
    return example_result()


def rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(content.decode("utf-8").splitlines()))


def test_the_published_schema_is_that_of_the_types() -> None:
    assert SCHEMA_FILE.read_text("utf-8") == schema_text(), "write it anew: see docs/review.md"


def test_the_result_fits_the_schema(result: ReviewResult) -> None:
    jsonschema.Draft202012Validator.check_schema(review_schema())
    jsonschema.validate(json.loads(review_json(result)), review_schema())


def test_a_review_of_almost_nothing_fits_the_schema() -> None:
    lone = review_runs(design(), [placed_run("amber-6", "harbor", "1440p", "1", {"average_fps": None})])
    jsonschema.validate(json.loads(review_json(lone)), review_schema())


@pytest.mark.parametrize("change", [("margin", "three"), ("cards", {}), ("headline", None)])
def test_what_does_not_fit_is_found(result: ReviewResult, change: tuple[str, object]) -> None:
    document = json.loads(review_json(result)) | dict([change])
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, review_schema())


def test_every_number_is_finite_and_drawing_material_stays_out(result: ReviewResult) -> None:
    def refuse(text: str) -> float:
        raise AssertionError(text)

    document = json.loads(review_json(result), parse_constant=refuse)
    assert "curves" not in document["runs"][0]
    assert document["schema"] == "frametime.review/2"


def test_cells_csv_holds_every_cell_in_full_precision(result: ReviewResult) -> None:
    found = rows(cells_csv(result))
    assert len(found) == len(result.metrics) * len(result.cells)
    comparison = result.comparisons[0]
    row = next(
        row
        for row in found
        if (row["metric"], row["card"], row["scene"], row["resolution"])
        == (comparison.metric, comparison.candidate, comparison.scene, comparison.resolution)
    )
    assert float(row["ratio"]) == comparison.ratio
    assert comparison.interval_95 is not None
    assert float(row["ratio_low_95pct"]) == comparison.interval_95.low
    assert row["verdict"] == comparison.verdict
    assert row["caveats"].split() == list(dict.fromkeys(caveat.code for caveat in comparison.caveats))
    baseline = next(row for row in found if row["card"] == result.baseline)
    assert (baseline["ratio"], baseline["verdict"]) == ("", "")


def test_standings_csv_holds_every_cut(result: ReviewResult) -> None:
    found = rows(standings_csv(result))
    assert len(found) == len(result.standings)
    for row, standing in zip(found, result.standings, strict=True):
        assert (row["cut"], row["metric"], row["card"]) == (standing.cut, standing.metric, standing.card)
        assert (int(row["best_place"]), int(row["worst_place"])) == (standing.best_place, standing.worst_place)


def test_the_runs_table_is_sound_and_carries_units(result: ReviewResult, tmp_path: Path) -> None:
    table = runs_table(result)
    table.validate(full=True)
    pq.write_table(table, tmp_path / "runs.parquet")
    found = pq.read_table(tmp_path / "runs.parquet")
    assert found.num_rows == len(result.runs)
    assert found.schema.field("average_fps").metadata[b"unit"] == b"{frame}/s"
    assert found.column("average_fps").to_pylist() == [run.values["average_fps"] for run in result.runs]
    flags = found.column("flag").to_pylist()
    assert [flag for flag in flags if flag is not None] == [
        run.flag.sentence for run in result.runs if run.flag is not None
    ]
    outcomes = found.column("flag_grubbs").to_pylist()
    assert outcomes == [None if run.flag is None else run.flag.grubbs.outcome for run in result.runs]
    assert any(outcomes)
    reasons = found.column("excluded_reason").to_pylist()
    assert [reason for reason in reasons if reason] == ["a program update ran in the background"]


def test_all_files_are_written_and_nothing_else(result: ReviewResult, tmp_path: Path) -> None:
    out = tmp_path / "result"
    names = write_review(result, out, drawn=NOTHING_DRAWN, force=False)
    assert set(names) == {"result.json", "runs.parquet", "cells.csv", "standings.csv", "summary.md"}
    assert {path.name for path in out.iterdir()} == set(names)
    assert b"\r" not in (out / "summary.md").read_bytes()


def test_the_same_result_is_written_again_without_a_word(result: ReviewResult, tmp_path: Path) -> None:
    write_review(result, tmp_path, drawn=NOTHING_DRAWN, force=False)
    before = {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
    write_review(result, tmp_path, drawn=NOTHING_DRAWN, force=False)
    assert {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()} == before


def test_another_result_is_not_replaced_without_force(result: ReviewResult, tmp_path: Path) -> None:
    write_review(example_result(8), tmp_path, drawn=NOTHING_DRAWN, force=False)
    before = (tmp_path / "result.json").read_bytes()
    with pytest.raises(OutputError, match="--force"):
        write_review(result, tmp_path, drawn=NOTHING_DRAWN, force=False)
    assert (tmp_path / "result.json").read_bytes() == before
    write_review(result, tmp_path, drawn=NOTHING_DRAWN, force=True)
    assert (tmp_path / "result.json").read_bytes() == review_json(result).encode("ascii")


def test_a_file_of_another_is_not_replaced_without_force(result: ReviewResult, tmp_path: Path) -> None:
    (tmp_path / "summary.md").write_text("my own notes", encoding="utf-8")
    with pytest.raises(OutputError, match=r"summary\.md"):
        write_review(result, tmp_path, drawn=NOTHING_DRAWN, force=False)
    assert (tmp_path / "summary.md").read_text("utf-8") == "my own notes"
    assert not (tmp_path / "result.json").exists()


def test_when_drawing_fails_nothing_is_left_behind(
    result: ReviewResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_: Path) -> None:
        raise OSError(28, "No space left on device")

    def drawn(*_: object) -> Iterator[tuple[str, object]]:
        yield "charts/one.png", fails

    monkeypatch.setattr(review_outputs, "drawn_files", drawn)
    with pytest.raises(OutputError, match="No space left"):
        write_review(result, tmp_path, drawn=DrawnOutputs(charts=True, report=False), force=False)
    assert list(tmp_path.iterdir()) == []


def test_only_what_is_missing_is_drawn_again(
    result: ReviewResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn_names: list[str] = []

    def drawn(*_: object) -> Iterator[tuple[str, object]]:
        for name in ("charts/one.png", "charts/two.png"):

            def write(path: Path, name: str = name) -> None:
                drawn_names.append(name)
                path.write_bytes(b"png")

            yield name, write

    monkeypatch.setattr(review_outputs, "drawn_files", drawn)
    write_review(result, tmp_path, drawn=DrawnOutputs(charts=True, report=False), force=False)
    (tmp_path / "charts" / "two.png").unlink()
    write_review(result, tmp_path, drawn=DrawnOutputs(charts=True, report=False), force=False)
    assert drawn_names == ["charts/one.png", "charts/two.png", "charts/two.png"]


def test_an_output_folder_that_is_a_file_is_refused(result: ReviewResult, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot be written"):
        write_review(result, tmp_path / "out", drawn=NOTHING_DRAWN, force=False)


def test_text_like_a_formula_is_escaped_on_request_and_numbers_never(result: ReviewResult) -> None:
    assert formula_count(result) == 0
    assert cells_csv(result, escape_formulas=True) == cells_csv(result)
    odd = replace(result, baseline="-harbor")
    n_rows = 0
    for table in (cells_csv, standings_csv):
        plain, safe = rows(table(odd)), rows(table(odd, escape_formulas=True))
        n_rows += len(plain)
        assert {row.pop("baseline") for row in plain} == {"-harbor"}
        assert {row.pop("baseline") for row in safe} == {"'-harbor"}
        assert plain == safe
    assert formula_count(odd) == n_rows > 0


def test_the_tables_of_a_review_are_no_captures(result: ReviewResult, tmp_path: Path) -> None:
    for name, content in text_files(result).items():
        (tmp_path / name).write_bytes(content)
        kind = classify_file(tmp_path / name).kind
        assert kind == ("results" if name.endswith((".csv", ".parquet")) else "other"), name
