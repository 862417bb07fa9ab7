"""The files of a review hold the result, fit their schema, and appear together or not at all."""

from __future__ import annotations

import csv
import errno
import json
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import jsonschema
import pyarrow.parquet as pq
import pytest
from example_result import design, example_result, placed_run
from result_schema import SCHEMA_FILE, review_schema, schema_text

from frametime.adapters.file_kind import classify_file
from frametime.errors import OutputError
from frametime.pipeline import review_outputs
from frametime.pipeline.chart_files import ChartRequest
from frametime.pipeline.review_outputs import (
    KEPT_RUNS_FILE,
    RECORD_FILE,
    Writing,
    n_formulas,
    plan_of_folder,
    review_json,
    runs_table,
    text_files,
    write_review,
)
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs


@pytest.fixture(scope="module")
def result() -> ReviewResult:
    return example_result()


def rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(content.decode("utf-8").splitlines()))


def test_the_published_schema_is_that_of_the_types() -> None:
    assert SCHEMA_FILE.read_text("utf-8") == schema_text(), "write it anew: python tests/docs/result_schema.py"


@cache
def validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(review_schema())


def test_the_result_fits_the_schema(result: ReviewResult) -> None:
    validator().check_schema(review_schema())
    validator().validate(json.loads(review_json(result)))


def test_a_review_of_almost_nothing_fits_the_schema() -> None:
    lone = review_runs(design(), [placed_run("amber-6", "harbor", "1440p", "1", {"average_fps": None})])
    validator().validate(json.loads(review_json(lone)))


@pytest.mark.parametrize("change", [("margin", "three"), ("cards", {}), ("headline", None)])
def test_what_does_not_fit_is_found(result: ReviewResult, change: tuple[str, object]) -> None:
    document = json.loads(review_json(result)) | dict([change])
    with pytest.raises(jsonschema.ValidationError):
        validator().validate(document)


def test_every_number_is_finite_and_drawing_material_stays_out(result: ReviewResult) -> None:
    def refuse(text: str) -> float:
        raise AssertionError(text)

    document = json.loads(review_json(result), parse_constant=refuse)
    assert "curves" not in document["runs"][0]
    assert document["schema"] == "frametime.review/2"


def test_cells_csv_holds_every_cell_in_full_precision(result: ReviewResult) -> None:
    found = rows(text_files(result)["cells.csv"])
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
    found = rows(text_files(result)["standings.csv"])
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


def test_frames_hold_what_the_files_hold(result: ReviewResult, tmp_path: Path) -> None:
    import polars as pl

    import frametime

    for name, content in text_files(result).items():
        (tmp_path / name).write_bytes(content)
    assert frametime.runs_frame(result).equals(pl.read_parquet(tmp_path / "runs.parquet"))
    for name, frame in (("cells", frametime.cells_frame(result)), ("standings", frametime.standings_frame(result))):
        read = pl.read_csv(tmp_path / f"{name}.csv", schema=frame.schema)
        # An empty text and no text are one in CSV.
        assert frame.with_columns(pl.col(pl.String).replace("", None)).equals(read)
        assert frame.height > 0


def test_all_files_are_written_and_nothing_else(result: ReviewResult, tmp_path: Path) -> None:
    out = tmp_path / "result"
    names, left_out = write_review(result, out)
    assert left_out is None
    assert set(names) == {"result.json", "runs.parquet", "cells.csv", "standings.csv"}
    assert {path.name for path in tmp_path.rglob("*")} == {"result", RECORD_FILE, *names}
    assert b"\r" not in (out / "result.json").read_bytes()


def test_the_same_result_is_written_again_without_a_word(result: ReviewResult, tmp_path: Path) -> None:
    write_review(result, tmp_path)
    before = {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
    write_review(result, tmp_path)
    assert {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()} == before


def test_another_result_is_not_replaced_without_force(result: ReviewResult, tmp_path: Path) -> None:
    write_review(example_result(8), tmp_path)
    before = (tmp_path / "result.json").read_bytes()
    with pytest.raises(OutputError, match="--force"):
        write_review(result, tmp_path)
    assert (tmp_path / "result.json").read_bytes() == before
    write_review(result, tmp_path, Writing(force=True))
    assert (tmp_path / "result.json").read_bytes() == review_json(result).encode("ascii")


@pytest.mark.parametrize("name", ["notes.txt", "charts/mine.png", ".hidden/notes.txt", KEPT_RUNS_FILE])
@pytest.mark.parametrize("force", [False, True])
def test_a_file_that_no_review_wrote_is_never_lost(
    result: ReviewResult, tmp_path: Path, name: str, force: bool
) -> None:
    write_review(result, tmp_path)
    (tmp_path / name).parent.mkdir(exist_ok=True)
    (tmp_path / name).write_text("my own notes", encoding="utf-8")
    before = files_in(tmp_path)
    with pytest.raises(OutputError, match=rf"it holds '{re.escape(name)}', which no review has written"):
        write_review(example_result(8), tmp_path, Writing(force=force))
    assert files_in(tmp_path) == before


@pytest.mark.parametrize("record", [None, "{", "[]", '{"schema": "another"}'])
def test_a_folder_that_does_not_say_what_is_in_it_is_not_replaced(
    result: ReviewResult, tmp_path: Path, record: str | None
) -> None:
    write_review(result, tmp_path)
    (tmp_path / RECORD_FILE).unlink()
    if record is not None:
        (tmp_path / RECORD_FILE).write_text(record, encoding="utf-8")
    with pytest.raises(OutputError, match="which no review has written"):
        write_review(result, tmp_path, Writing(force=True))


def test_the_result_of_the_same_plan_is_replaced_whole_and_unasked(result: ReviewResult, tmp_path: Path) -> None:
    out, plan = tmp_path / "bench" / "result", tmp_path / "bench" / "plan.toml"
    write_review(example_result(8), out, Writing(plan_file=plan))
    (out / "charts").mkdir()
    (out / "charts" / "ratios-of-the-old-baseline.png").write_bytes(b"png")
    record = json.loads((out / RECORD_FILE).read_text("utf-8"))
    record["files"].append("charts/ratios-of-the-old-baseline.png")
    (out / RECORD_FILE).write_text(json.dumps(record), encoding="utf-8")
    (out / KEPT_RUNS_FILE).write_bytes(b"PAR1 and so on")
    (out / ".DS_Store").write_bytes(b"of a program that shows folders")
    # The bench moves to another disk, and the plan goes with its result.
    (tmp_path / "bench").rename(tmp_path / "moved")
    out, plan = tmp_path / "moved" / "result", tmp_path / "moved" / "plan.toml"
    write_review(result, out, Writing(plan_file=plan))
    assert (out / "result.json").read_bytes() == review_json(result).encode("ascii")
    assert files_in(tmp_path / "moved").keys() == {
        f"result/{name}" for name in (RECORD_FILE, KEPT_RUNS_FILE, *text_files(result))
    }
    with pytest.raises(OutputError, match=r"the result of another plan, '\.\./plan\.toml'; --force replaces it"):
        write_review(example_result(8), out, Writing(plan_file=tmp_path / "plan.toml"))


@pytest.mark.parametrize("in_the_way", ["a disk is mounted on it", "the folder above is closed"])
def test_where_the_folder_cannot_be_renamed_its_content_is_replaced(
    result: ReviewResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, in_the_way: str
) -> None:
    out = tmp_path / "result"
    write_review(example_result(8), out)
    rename, mkdir, moved = Path.rename, Path.mkdir, shutil.move

    def renamed(path: Path, target: Path) -> Path:
        if path == out:
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
        return rename(path, target)

    def made(path: Path, *how: int, **more: bool) -> None:
        if in_the_way == "the folder above is closed" and path.parent == tmp_path and not path.exists():
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        mkdir(path, *how, **more)

    names: list[str] = []
    monkeypatch.setattr(Path, "rename", renamed)
    monkeypatch.setattr(Path, "mkdir", made)
    monkeypatch.setattr(shutil, "move", lambda source, target: (names.append(source.name), moved(source, target)))
    write_review(result, out, Writing(force=True))
    assert files_in(tmp_path).keys() == {f"result/{name}" for name in (RECORD_FILE, *text_files(result))}
    assert (out / "result.json").read_bytes() == review_json(result).encode("ascii")
    assert (names[0], names[-1]) == (RECORD_FILE, "result.json")


def files_in(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_when_drawing_fails_nothing_is_left_behind(
    result: ReviewResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_: Path) -> None:
        raise OSError(28, "No space left on device")

    def drawn(*_: object, **__: object) -> Iterator[tuple[str, object]]:
        yield "charts/one.png", fails

    monkeypatch.setattr(review_outputs, "drawn_files", drawn)
    with pytest.raises(OutputError, match="No space left"):
        write_review(result, tmp_path, Writing(charts=ChartRequest()))
    assert list(tmp_path.iterdir()) == []


def test_only_what_is_missing_is_drawn_again(
    result: ReviewResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn_names: list[str] = []

    def drawn(*_: object, **__: object) -> Iterator[tuple[str, object]]:
        for name in ("charts/one.png", "charts/two.png"):

            def write(path: Path, name: str = name) -> None:
                drawn_names.append(name)
                path.write_bytes(b"png")

            yield name, write

    monkeypatch.setattr(review_outputs, "drawn_files", drawn)
    write_review(result, tmp_path, Writing(charts=ChartRequest()))
    (tmp_path / "charts" / "two.png").unlink()
    write_review(result, tmp_path, Writing(charts=ChartRequest()))
    assert drawn_names == ["charts/one.png", "charts/two.png", "charts/two.png"]
    write_review(result, tmp_path, Writing(charts=ChartRequest(), force=True))
    assert drawn_names[3:] == ["charts/one.png", "charts/two.png"]


def test_a_folder_names_its_plan_where_a_review_of_a_plan_has_written_all_of_it(
    result: ReviewResult, tmp_path: Path
) -> None:
    write_review(result, tmp_path / "bare")
    write_review(result, tmp_path / "out", Writing(plan_file=tmp_path / "plan.toml"))
    assert plan_of_folder(tmp_path / "out") == tmp_path / "plan.toml"
    (tmp_path / "out" / "result.json").unlink()
    for name in ("bare", "out"):
        with pytest.raises(OutputError, match="this is no result of a review"):
            plan_of_folder(tmp_path / name)


def test_an_output_folder_that_is_a_file_is_refused(result: ReviewResult, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="this is not a folder"):
        write_review(result, tmp_path / "out")


def test_text_like_a_formula_is_escaped_on_request_and_numbers_never(result: ReviewResult) -> None:
    assert n_formulas(result) == 0
    assert text_files(result, escape_formulas=True) == text_files(result)
    cards = (*result.cards, replace(result.cards[0], key="-harbor"))
    odd = replace(result, baseline="-harbor", cards=cards)
    n_rows = 0
    for table in ("cells.csv", "standings.csv"):
        plain, safe = (rows(text_files(odd, escape_formulas=escaped)[table]) for escaped in (False, True))
        n_rows += len(plain)
        assert {row.pop("baseline") for row in plain} == {"-harbor"}
        assert {row.pop("baseline") for row in safe} == {"'-harbor"}
        assert plain == safe
    assert n_formulas(odd) == n_rows > 0


def test_the_tables_of_a_review_are_no_captures(result: ReviewResult, tmp_path: Path) -> None:
    for name, content in text_files(result).items():
        (tmp_path / name).write_bytes(content)
        assert classify_file(tmp_path / name).kind == "results", name
