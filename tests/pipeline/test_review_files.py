"""Captures are found, measured once, kept, and compared; what is wrong with a folder is named."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

import pytest
from example_result import design, measured_run

from frametime.adapters.base import ReadOptions
from frametime.adapters.file_kind import classify_file
from frametime.adapters.reading import read_capture
from frametime.capture import Conditions
from frametime.errors import PlanError, ReadError, RunSetError
from frametime.metrics.metric import MeasuredRun
from frametime.metrics.options import MeasureOptions, StutterRule
from frametime.pipeline.kept_runs import CapturedCurves, KeptRuns, beside_sha256, read_curves
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest, file_sha256, measure_one
from frametime.pipeline.review_files import review_plan
from frametime.pipeline.review_outputs import review_json
from frametime.plans.finding_runs import find_runs
from frametime.plans.plan import ReviewPlan, parse_plan
from frametime.render.review_text import coverage_text
from frametime.review.result import RunEntry
from frametime.review.run_set import PlacedRun, run_entry

KEPT = "kept_runs.parquet"
RECORDED_RUN = Path(__file__).parents[2] / "reference_logs/recorded/preset-base/atlas/1080p/run1.csv.gz"

PLAN = """\
title = "Two cards"
baseline = "amber-6"
metrics = ["average_fps"]
resolutions = ["1440p"]
runs = 2

[captures]
folder = "captures"
pattern = "{card}/{scene}/{resolution}/run{run}.csv"

[[cards]]
key = "amber-6"
settings = "stock"

[[cards]]
key = "birch-9"

[[scenes]]
key = "harbor"
"""


class Measuring:
    """Stands in for measuring: a capture holds its average rate as text. Counts what it was asked for."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def __call__(self, requests: Sequence[MeasureRequest]) -> Iterator[MeasureOutcome]:
        for request in requests:
            self.asked.append(Path(request.path).parent.parent.parent.name + "/" + Path(request.path).name)
            text = Path(request.path).read_text("utf-8")
            if text == "broken":
                yield MeasureOutcome(request=request, run=None, error=f"{request.path}: this is not a log")
                continue
            run = measured_run({"average_fps": float(text)}, conditions=request.conditions, file_name=request.path)
            sha256 = file_sha256(Path(request.path))
            run = run._replace(provenance=replace(run.provenance, sha256=sha256, size_bytes=len(text)))
            yield MeasureOutcome(request=request, run=run, error=None)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    for card, rates in (("amber-6", (100.0, 101.0)), ("birch-9", (110.0, 111.0))):
        for number, rate in enumerate(rates, start=1):
            write(tmp_path, f"{card}/harbor/1440p/run{number}.csv", str(rate))
    return tmp_path


def write(folder: Path, name: str, text: str) -> None:
    path = folder / "captures" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def plan_in(folder: Path, text: str = PLAN) -> ReviewPlan:
    return parse_plan(text, file_name="plan.toml", folder=folder)


def test_a_review_from_files(bench: Path) -> None:
    result = review_plan(plan_in(bench), measuring=Measuring())
    assert [run.name for run in result.runs] == [
        "amber-6/harbor/1440p/1",
        "amber-6/harbor/1440p/2",
        "birch-9/harbor/1440p/1",
        "birch-9/harbor/1440p/2",
    ]
    assert result.runs[0].provenance.file_name == "amber-6/harbor/1440p/run1.csv"
    assert result.comparisons[0].ratio == pytest.approx(1.0995, abs=1e-4)
    assert result.coverage.is_complete


def test_where_the_folder_lies_does_not_show_in_the_result(bench: Path, tmp_path: Path) -> None:
    other = tmp_path / "elsewhere"
    other.mkdir()
    (bench / "captures").rename(other / "captures")
    moved = review_json(review_plan(plan_in(other), measuring=Measuring()))
    (other / "captures").rename(bench / "captures")
    assert str(tmp_path) not in moved
    assert review_json(review_plan(plan_in(bench), measuring=Measuring())) == moved


def test_an_unchanged_folder_is_not_measured_again(bench: Path) -> None:
    first, second = Measuring(), Measuring()
    kept = bench / KEPT
    one = review_json(review_plan(plan_in(bench), kept_file=kept, measuring=first))
    assert classify_file(kept).kind == "results"  # among captures it is none
    two = review_json(review_plan(plan_in(bench), kept_file=kept, measuring=second))
    assert len(first.asked) == 4
    assert second.asked == []
    assert one == two


def test_only_what_changed_is_measured_again(bench: Path) -> None:
    kept = bench / KEPT
    review_plan(plan_in(bench), kept_file=kept, measuring=Measuring())
    write(bench, "birch-9/harbor/1440p/run2.csv", "120.0")
    again = Measuring()
    review_plan(plan_in(bench), kept_file=kept, measuring=again)
    assert again.asked == ["birch-9/run2.csv"]
    assert n_kept(kept) == 4


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('settings = "stock"', 'settings = "tuned"'),
        ('folder = "captures"', 'folder = "captures"\nskip_start_s = 1.0'),
        ("runs = 2", "runs = 2\n[measure]\nquantile_type = 6\n"),
    ],
)
def test_another_parameter_measures_again(bench: Path, old: str, new: str) -> None:
    kept = bench / KEPT
    review_plan(plan_in(bench), kept_file=kept, measuring=Measuring())
    again = Measuring()
    review_plan(plan_in(bench, PLAN.replace(old, new)), kept_file=kept, measuring=again)
    assert again.asked


def test_a_run_of_a_file_that_changed_meanwhile_is_kept_for_what_was_read(bench: Path) -> None:
    kept = bench / KEPT

    class Late(Measuring):
        def __call__(self, requests: Sequence[MeasureRequest]) -> Iterator[MeasureOutcome]:
            write(bench, "birch-9/harbor/1440p/run2.csv", "120.0")
            yield from super().__call__(requests)

    review_plan(plan_in(bench), kept_file=kept, measuring=Late())
    write(bench, "birch-9/harbor/1440p/run2.csv", "111.0")
    again = Measuring()
    review_plan(plan_in(bench), kept_file=kept, measuring=again)
    assert again.asked == ["birch-9/run2.csv"]


@pytest.mark.parametrize("damage", ["cut", "foreign", "empty", "another table", *range(20)])
def test_a_damaged_file_of_kept_runs_is_passed_over(bench: Path, damage: str | int) -> None:
    import polars as pl

    kept = bench / KEPT
    before = review_json(review_plan(plan_in(bench), kept_file=kept, measuring=Measuring()))
    content = kept.read_bytes()
    if damage == "another table":
        pl.DataFrame({"key": ["a"]}).write_parquet(kept)
    elif isinstance(damage, int):
        at = 4 + damage * (len(content) - 12) // 20
        kept.write_bytes(content[:at] + bytes([content[at] ^ 0x15]) + content[at + 1 :])
    else:
        kept.write_bytes({"cut": content[:-10], "foreign": b"something else\n" * 20, "empty": b""}[damage])
    damaged = kept.read_bytes()
    again = Measuring()
    after = review_json(review_plan(plan_in(bench), kept_file=kept, measuring=again))
    assert after == before
    assert isinstance(damage, int) or len(again.asked) == 4
    # A file of someone else keeps its place, and nothing is kept; one that is damaged is made anew.
    if damage in {"foreign", "empty", "another table"}:
        assert kept.read_bytes() == damaged
    elif again.asked:
        assert kept.read_bytes() == content


def test_a_kept_run_comes_back_equal(tmp_path: Path) -> None:
    from fractions import Fraction

    from frametime.metrics.options import Refresh

    capture = tmp_path / "run1.csv"
    capture.write_text("a log", encoding="utf-8")
    run = measured_run({"average_fps": 100.0, "average_power_w": None}, conditions=Conditions(card="amber-6"))
    options = MeasureOptions(refresh=Refresh(low_hz=Fraction(60_000, 1001), high_hz=Fraction(60_000, 1001)))
    origin = replace(run.provenance, file_name=str(capture), sha256=file_sha256(capture), size_bytes=5)
    run = run._replace(options=options, provenance=origin)
    request = MeasureRequest(path=str(capture), read=ReadOptions())
    kept = KeptRuns(tmp_path / KEPT)
    kept.add(MeasureOutcome(request=request, run=run, error=None), None)
    kept.write()
    assert KeptRuns(tmp_path / KEPT).find(request) == run
    assert KeptRuns(tmp_path / KEPT).find(replace(request, skip_start_auto=True)) is None


def test_a_folder_that_cannot_hold_kept_runs_is_no_reason_to_fail(bench: Path) -> None:
    blocked = bench / "blocked"
    blocked.write_text("a file where the folder should be", encoding="utf-8")
    result = review_plan(plan_in(bench), kept_file=blocked / KEPT, measuring=Measuring())
    assert len(result.runs) == 4


@pytest.mark.parametrize("broken", ["capture", "sensors", "beside"])
def test_a_capture_that_failed_is_tried_again_and_what_it_rests_on_is_watched(bench: Path, broken: str) -> None:
    text = PLAN.replace('run{run}.csv"', 'run{run}.csv"\nsensors = "{card}/{scene}/{resolution}/run{run}.sensors.csv"')
    kept, own = bench / KEPT, "birch-9/harbor/1440p/run2"
    frames = "frame_time_ms\n" + "8.25\n8.5\n" * 2400
    sensors = "time_utc,board_power_w\n" + "".join(
        f"2026-03-01T10:00:{second:02d}Z,{200 + second}\n" for second in range(50)
    )
    beside = '{"recorded_from_utc": "2026-03-01T10:00:05Z"}'
    good = {
        "capture": (f"{own}.csv", frames),
        "sensors": (f"{own}.sensors.csv", sensors),
        "beside": (f"{own}.json", beside),
    }
    for card in ("amber-6", "birch-9"):
        for number in (1, 2):
            write(bench, f"{card}/harbor/1440p/run{number}.csv", frames)
    for name, content in good.values():
        write(bench, name, content)

    changes = {"capture": ("8.5", "8.6"), "sensors": (",210", ",310"), "beside": ("00:05", "00:06")}

    def numbers() -> list[tuple[float | None, ...]]:
        result = review_plan(plan_in(bench, text), kept_file=kept, workers=1)
        keys = ("average_fps", "average_power_w")
        return [tuple(map(run.values.get, keys)) for run in result.runs if run.name == "birch-9/harbor/1440p/2"]

    name, content = good[broken]
    write(bench, name, '{"recorded_from_utc": "noon"}' if broken == "beside" else "no log")
    # A sensor log, or what says when it was made, costs its own numbers alone.
    failed = [] if broken == "capture" else [(numbers()[0][0], None)]
    assert numbers() == failed
    assert numbers() == failed
    write(bench, name, content)
    first = numbers()
    assert len(first) == 1 and first == numbers() and None not in first[0]
    # And a run that was kept is measured again once that file is another, of the same length.
    write(bench, name, content.replace(*changes[broken]))
    assert len(numbers()) == 1 and numbers() != first
    assert n_kept(kept) == 4


def test_a_first_review_an_unchanged_and_a_changed_one_hash_each_capture_once(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import hashlib

    kept, n_bytes, sha256 = bench / KEPT, 0, hashlib.sha256

    class Counted:
        """Counts what a reader takes in piece by piece; a text that is hashed at once is no capture."""

        def __init__(self, text: bytes = b"") -> None:
            self._digest = sha256(text)

        def update(self, data: bytes) -> None:
            nonlocal n_bytes
            n_bytes += len(data)
            self._digest.update(data)

        def hexdigest(self) -> str:
            return self._digest.hexdigest()

    def digest_of(stored: BinaryIO, _name: str) -> Counted:
        digest = Counted()
        digest.update(stored.read())
        return digest

    monkeypatch.setattr(hashlib, "sha256", Counted)
    monkeypatch.setattr(hashlib, "file_digest", digest_of)
    captures = sorted((bench / "captures").rglob("*.csv"))
    for number, path in enumerate(captures):
        path.write_text("frame_time_ms\n" + "8.25\n8.5\n" * (400 + number), encoding="utf-8")
    for change in ("first", "unchanged", "changed", "unchanged"):
        if change == "changed":
            captures[0].write_text("frame_time_ms\n" + "8.25\n" * 900, encoding="utf-8")
        n_bytes = 0
        review_plan(plan_in(bench), kept_file=kept, workers=1)
        assert n_bytes == sum(path.stat().st_size for path in captures), change


def n_kept(path: Path) -> int:
    import polars as pl

    return pl.read_parquet(path).height


def test_a_capture_that_cannot_be_used_is_listed_and_the_review_goes_on(bench: Path) -> None:
    write(bench, "birch-9/harbor/1440p/run2.csv", "broken")
    result = review_plan(plan_in(bench), measuring=Measuring())
    assert [(item.file_name, item.error) for item in result.unreadable] == [
        ("birch-9/harbor/1440p/run2.csv", "birch-9/harbor/1440p/run2.csv: this is not a log")
    ]
    assert [(item.run, item.reason) for item in result.coverage.to_make] == [("2", "unreadable")]


def test_files_that_fit_the_pattern_but_not_the_plan_are_told(bench: Path) -> None:
    write(bench, "cedar-12/harbor/1440p/run1.csv", "1.0")
    write(bench, "amber-6/notes.txt", "x")
    result = review_plan(plan_in(bench), measuring=Measuring())
    assert [caveat.code for caveat in result.caveats] == ["files-not-in-plan"]
    assert "1 file (cedar-12/harbor/1440p/run1.csv) fits" in result.caveats[0].message


def test_sensor_logs_are_found_beside_their_captures(bench: Path) -> None:
    pattern = 'run{run}.csv"'
    text = PLAN.replace(pattern, pattern + '\nsensors = "{card}/{scene}/{resolution}/run{run}.sensors.csv"')
    write(bench, "amber-6/harbor/1440p/run1.sensors.csv", "x")
    found = find_runs(plan_in(bench, text))
    assert [run.sensors is not None for run in found.runs] == [True, False, False, False]
    assert len(found.without_sensors) == 3


def test_two_files_for_one_run_are_refused(bench: Path) -> None:
    write(bench, "amber-6/harbor/1440p/run1.csv.gz", "1.0")
    open_ended = PLAN.replace('run{run}.csv"', 'run{run}.csv*"')
    left_out = '[[exclude]]\nrun = "amber-6/harbor/1440p/1"\nreason = "an update ran"\n'
    for text in (open_ended, open_ended + left_out):  # which of them is left out cannot be told
        with pytest.raises(PlanError, match="both stand for the run 'amber-6/harbor/1440p/1'; remove or rename one"):
            find_runs(plan_in(bench, text))


def test_a_path_that_contradicts_the_plan_is_refused(bench: Path) -> None:
    write(bench, "amber-6/tuned/harbor/1440p/run1.csv", "1.0")
    text = PLAN.replace('"{card}/{scene}', '"{card}/{card_settings}/{scene}')
    with pytest.raises(PlanError, match="card settings is 'stock' in the plan, but 'tuned' in the path"):
        find_runs(plan_in(bench, text))


def test_a_condition_may_come_from_the_path(tmp_path: Path) -> None:
    write(tmp_path, "birch-9/tuned/harbor/1440p/run1.csv", "1.0")
    text = PLAN.replace('"{card}/{scene}', '"{card}/{card_settings}/{scene}')
    (found,) = find_runs(plan_in(tmp_path, text)).runs
    assert found.conditions.card_settings == "tuned"


def test_a_cell_that_was_never_planned_is_not_missing(bench: Path) -> None:
    text = PLAN.replace('["1440p"]', '["1440p", "2160p"]').replace(
        'key = "harbor"', 'key = "harbor"\nresolutions = ["1440p"]'
    )
    write(bench, "amber-6/harbor/2160p/run1.csv", "50.0")
    result = review_plan(plan_in(bench, text), measuring=Measuring())
    assert result.coverage.is_complete and result.coverage.n_planned == 4
    assert {cell.resolution for cell in result.coverage.cells} == {"1440p"}
    (told,) = [caveat.message for caveat in result.caveats if caveat.code == "files-not-in-plan"]
    assert "amber-6/harbor/2160p/run1.csv" in told
    assert re.search(r"harbor +1440p", coverage_text(result))
    assert "harbor at 2160p" not in coverage_text(result)


def test_runs_are_left_out_by_a_pattern(bench: Path) -> None:
    text = PLAN + '\n[[exclude]]\nrun = "*/harbor/1440p/2"\nreason = "the window was open"\n'
    result = review_plan(plan_in(bench, text), measuring=Measuring())
    assert [(item.run_name, item.reason) for item in result.exclusions] == [
        ("amber-6/harbor/1440p/2", "the window was open"),
        ("birch-9/harbor/1440p/2", "the window was open"),
    ]


def test_an_exclusion_of_a_run_that_is_not_there_is_refused(bench: Path) -> None:
    text = PLAN + '\n[[exclude]]\nrun = "amber-6/harbor/1440p/9"\nreason = "x"\n'
    with pytest.raises(PlanError, match="no such capture"):
        review_plan(plan_in(bench, text), measuring=Measuring())


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('folder = "captures"', 'folder = "nowhere"'),
        ("run{run}.csv", "take{run}.csv"),
        ('key = "harbor"', 'key = "moor"'),
    ],
)
def test_a_plan_that_finds_nothing_says_where_it_looked(bench: Path, old: str, new: str) -> None:
    with pytest.raises(PlanError, match=r"check \[captures\]"):
        review_plan(plan_in(bench, PLAN.replace(old, new)), measuring=Measuring())


def test_settings_that_differ_within_a_set_are_refused(tmp_path: Path) -> None:
    for settings, number in (("stock", 1), ("tuned", 2)):
        write(tmp_path, f"birch-9/{settings}/harbor/1440p/run{number}.csv", "100.0")
        write(tmp_path, f"amber-6/stock/harbor/1440p/run{number}.csv", "100.0")
    text = PLAN.replace('"{card}/{scene}', '"{card}/{card_settings}/{scene}')
    with pytest.raises(RunSetError, match="card settings are 'tuned', but 'stock'"):
        review_plan(plan_in(tmp_path, text), measuring=Measuring())


def test_the_hash_is_that_of_the_stored_bytes(tmp_path: Path) -> None:
    import hashlib

    content = b"0123456789" * 300_000
    (tmp_path / "x").write_bytes(content)
    assert file_sha256(tmp_path / "x") == hashlib.sha256(content).hexdigest()


def kept_twice(folder: Path) -> tuple[MeasuredRun, MeasuredRun]:
    """A recorded run as it was measured, and as it comes back, from a copy of the capture."""
    # Percentiles and the local median are drawn by the options as well, and of the part that counts.
    options = MeasureOptions(quantile_type=6, stutter=StutterRule(window_s=3.0))
    request = MeasureRequest(path=str(folder / "run1.csv.gz"), read=ReadOptions(skip_start_s=2.0), measure=options)
    Path(request.path).write_bytes(RECORDED_RUN.read_bytes())
    kept = KeptRuns(folder / KEPT)
    outcome = measure_one(request)
    kept.add(outcome, beside_sha256(request))
    kept.write()
    again = KeptRuns(folder / KEPT).find(request)
    assert outcome.run is not None and again is not None
    return outcome.run, again


def test_a_run_is_kept_with_the_layouts_beside_its_capture(tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    log.write_text("frame time\n" + "15\n16\n" * 200)
    request, kept = MeasureRequest(path=str(log), read=ReadOptions()), KeptRuns(tmp_path / KEPT)
    kept.add(measure_one(request), beside_sha256(request))
    kept.write()
    assert KeptRuns(tmp_path / KEPT).find(request) is not None
    read_capture(log, options=ReadOptions(time_column="frame time", unit="ms", remember=True))
    assert KeptRuns(tmp_path / KEPT).find(request) is None


@pytest.mark.parametrize("ahead", [False, True])
def test_curves_of_a_kept_run_are_read_from_the_capture_also_in_another_process(tmp_path: Path, ahead: bool) -> None:
    import pickle

    run, again = kept_twice(tmp_path)
    curves = again.curves
    assert isinstance(curves, CapturedCurves)
    assert list(curves) == list(run.curves) and "trace_low" in curves and len(curves) > 3
    assert "trace_top" not in curves and curves.get("trace_top") is None
    assert not curves.is_read
    if ahead:
        read_curves([entry_of(again)], workers=1)
        assert curves.is_read
        Path(run.provenance.file_name).unlink()
    sent = pickle.loads(pickle.dumps(again))
    assert dict(again.curves) == dict(run.curves) == dict(sent.curves)
    assert again._replace(curves={}) == run._replace(curves={})


@pytest.mark.parametrize("change", ["gone", "another"])
def test_curves_of_a_capture_that_changed_since_are_refused(tmp_path: Path, change: str) -> None:
    run, again = kept_twice(tmp_path)
    capture = Path(run.provenance.file_name)
    if change == "gone":
        capture.unlink()
    else:
        capture.write_text("frame_time_ms\n" + "8.25\n8.5\n" * 400, encoding="utf-8")
    with pytest.raises(ReadError, match=r"run1\.csv\.gz: this capture has changed since .*; run the review again"):
        again.curves["trace_low"]
    with pytest.raises(ReadError, match="has changed since"):
        read_curves([entry_of(again)], workers=1)


def test_kept_runs_are_a_fraction_of_the_captures(tmp_path: Path) -> None:
    kept = KeptRuns(tmp_path / KEPT)
    logs = sorted(RECORDED_RUN.parents[2].rglob("*.csv.gz"))
    for log in logs:
        kept.add(measure_one(MeasureRequest(path=str(log), read=ReadOptions())), None)
    kept.write()
    assert n_kept(tmp_path / KEPT) == len(logs) > 10
    assert (tmp_path / KEPT).stat().st_size <= sum(log.stat().st_size for log in logs) / 4


def entry_of(run: MeasuredRun) -> RunEntry:
    """What `read_curves` looks at."""
    placed = PlacedRun(name="a/b/c/1", card="a", scene="b", resolution="c", run="1", measured=run)
    return run_entry(placed, {}, design(("a",), ("b",), ("c",)))
