"""Captures are found, measured once, kept, and compared; what is wrong with a folder is named."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from example_result import measured_run

from frametime.adapters.base import ReadOptions
from frametime.capture import Conditions
from frametime.errors import PlanError, ReadError, RunSetError
from frametime.metrics.options import MeasureOptions
from frametime.pipeline.batch_rows import file_sha256
from frametime.pipeline.found_runs import find_runs
from frametime.pipeline.kept_runs import KeptCurves, KeptRuns
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest, measure_file
from frametime.pipeline.plan import ReviewPlan, parse_plan
from frametime.pipeline.review_files import review_plan
from frametime.pipeline.review_schema import review_json
from frametime.render.review_text import coverage_text

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
    plain = review_json(review_plan(plan_in(bench), measuring=Measuring()))
    # The invented hash of the stand-in holds the path; everything else is equal.
    assert len(plain) == len(moved)


def test_an_unchanged_folder_is_not_measured_again(bench: Path) -> None:
    first, second = Measuring(), Measuring()
    kept = bench / "kept"
    one = review_json(review_plan(plan_in(bench), kept_folder=kept, measuring=first))
    two = review_json(review_plan(plan_in(bench), kept_folder=kept, measuring=second))
    assert len(first.asked) == 4
    assert second.asked == []
    assert one == two


def test_only_what_changed_is_measured_again(bench: Path) -> None:
    kept = bench / "kept"
    review_plan(plan_in(bench), kept_folder=kept, measuring=Measuring())
    write(bench, "birch-9/harbor/1440p/run2.csv", "120.0")
    again = Measuring()
    review_plan(plan_in(bench), kept_folder=kept, measuring=again)
    assert again.asked == ["birch-9/run2.csv"]
    assert len(list(kept.glob("*.run"))) == 4


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('settings = "stock"', 'settings = "tuned"'),
        ('folder = "captures"', 'folder = "captures"\nskip_start_s = 1.0'),
        ("runs = 2", "runs = 2\n[measure]\nquantile_type = 6\n"),
    ],
)
def test_another_parameter_measures_again(bench: Path, old: str, new: str) -> None:
    kept = bench / "kept"
    review_plan(plan_in(bench), kept_folder=kept, measuring=Measuring())
    again = Measuring()
    review_plan(plan_in(bench, PLAN.replace(old, new)), kept_folder=kept, measuring=again)
    assert again.asked


def test_a_run_of_a_file_that_changed_meanwhile_is_not_kept(bench: Path) -> None:
    kept = bench / "kept"

    class Late(Measuring):
        def __call__(self, requests: Sequence[MeasureRequest]) -> Iterator[MeasureOutcome]:
            write(bench, "birch-9/harbor/1440p/run2.csv", "120.0")
            yield from super().__call__(requests)

    review_plan(plan_in(bench), kept_folder=kept, measuring=Late())
    assert len(list(kept.glob("*.run"))) == 3
    write(bench, "birch-9/harbor/1440p/run2.csv", "111.0")
    again = Measuring()
    review_plan(plan_in(bench), kept_folder=kept, measuring=again)
    assert again.asked == ["birch-9/run2.csv"]


@pytest.mark.parametrize("damage", ["cut", "bit", "foreign", "empty", "renamed"])
def test_a_damaged_kept_run_is_passed_over(bench: Path, damage: str) -> None:
    kept = bench / "kept"
    before = review_json(review_plan(plan_in(bench), kept_folder=kept, measuring=Measuring()))
    files = sorted(kept.glob("*.run"))
    content = files[0].read_bytes()
    if damage == "renamed":
        files[0].write_bytes(files[1].read_bytes())
    else:
        files[0].write_bytes(
            {
                "cut": content[:-10],
                "bit": content[:-5] + bytes([content[-5] ^ 1]) + content[-4:],
                "foreign": b"something else\n" * 20,
                "empty": b"",
            }[damage]
        )
    again = Measuring()
    after = review_json(review_plan(plan_in(bench), kept_folder=kept, measuring=again))
    assert len(again.asked) == 1
    assert after == before


def test_a_kept_run_comes_back_equal(tmp_path: Path) -> None:
    from fractions import Fraction

    from frametime.metrics.options import MeasureOptions, Refresh

    kept = KeptRuns(tmp_path)
    run = measured_run({"average_fps": 100.0, "average_power_w": None}, conditions=Conditions(card="amber-6"))
    options = MeasureOptions(refresh=Refresh(low_hz=Fraction(60_000, 1001), high_hz=Fraction(60_000, 1001)))
    run = replace(run, options=options)
    kept.put("a" * 64, run)
    found = kept.get("a" * 64)
    assert found == run
    assert kept.get("b" * 64) is None


def test_a_folder_that_cannot_hold_kept_runs_is_no_reason_to_fail(bench: Path) -> None:
    blocked = bench / "blocked"
    blocked.write_text("a file where the folder should be", encoding="utf-8")
    result = review_plan(plan_in(bench), kept_folder=blocked, measuring=Measuring())
    assert len(result.runs) == 4


def test_only_kept_runs_are_ever_removed(bench: Path) -> None:
    kept = bench / "kept"
    kept.mkdir()
    (kept / "notes.run").write_text("not ours", encoding="utf-8")
    (kept / "notes.txt").write_text("not ours", encoding="utf-8")
    review_plan(plan_in(bench), kept_folder=kept, measuring=Measuring())
    assert (kept / "notes.run").exists()
    assert (kept / "notes.txt").exists()


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
    with pytest.raises(PlanError, match="two files stand for the run 'amber-6/harbor/1440p/1'"):
        find_runs(plan_in(bench, PLAN.replace('run{run}.csv"', 'run{run}.csv*"')))


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
    assert "harbor at 1440p" in coverage_text(result)
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


def test_curves_of_a_kept_run_are_the_same_also_in_another_process(tmp_path: Path) -> None:
    import pickle

    request = MeasureRequest(path=str(RECORDED_RUN), read=ReadOptions(), measure=MeasureOptions())
    _, run = measure_file(request)
    kept = KeptRuns(tmp_path)
    kept.put(kept.key(request), run)
    again = kept.get(kept.key(request))
    assert again is not None
    sent = pickle.loads(pickle.dumps(again))
    assert len(run.curves) > 3
    assert dict(again.curves) == dict(run.curves) == dict(sent.curves)
    assert replace(again, curves={}) == replace(run, curves={})


def test_curves_that_are_none_are_refused_where_they_are_asked_for() -> None:
    curves = KeptCurves(b"\xc1", "result/kept_runs/a.run")
    with pytest.raises(ReadError, match=r"a\.run: this kept run is damaged .*; give --measure-again"):
        len(curves)
