"""A batch as a function: taken up again after any number of stops, parted into folders, on any executor."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from log_files import write_log

from frametime.adapters.base import ReadOptions
from frametime.adapters.reading import read_capture
from frametime.errors import OutputError, ReadError
from frametime.metrics.catalog import CATALOG
from frametime.pipeline.batch import BatchCount, BatchOptions, Row, batch_frame, journal_of, run_batch
from frametime.pipeline.tables import check_output, is_batch_table, write_partitions
from frametime.plans.folder_walk import walk_captures
from frametime.plans.path_pattern import PathPattern
from frametime.render.data_output import Column

pytestmark = pytest.mark.usefixtures("same_bytes_are_measured_once")

PATTERN = PathPattern.parse("{card}/{scene}/run{run}.csv")


@pytest.fixture
def captures(tmp_path: Path) -> Path:
    """Twelve captures: two cards, three scenes, two runs."""
    folder = tmp_path / "captures"
    for card in range(2):
        for scene in range(3):
            for run in range(2):
                first_ms = 5 + 6 * card + 2 * scene + run
                path = folder / f"card{card}" / f"scene{scene}" / f"run{run}.csv"
                write_log(path, first_ms, first_ms + 1, times=40)
    return folder


def run(folder: Path, out: Path, *, pattern: PathPattern | None = PATTERN, **chosen: Any) -> BatchCount:
    partition_by = chosen.pop("partition_by", ())
    sensors = chosen.pop("sensors_pattern", None)
    options = BatchOptions(
        read=ReadOptions(), path_pattern=pattern, partition_by=partition_by, sensors_pattern=sensors, workers=1
    )
    walk = walk_captures(folder, pattern=pattern, leave_out=out)
    return run_batch(folder, out, options=options, walk=walk, **chosen)


class StoppedError(Exception):
    """The batch is stopped, as by a signal."""


def stop_after(n_measured: int, measured: list[str]) -> Callable[[Row], None]:
    """Stop a batch when so many of its captures were measured."""

    def count(row: Row) -> None:
        if str(row["file"]) in measured:
            return
        measured.append(str(row["file"]))
        if len(measured) % n_measured == 0:
            raise StoppedError

    return count


def content(out: Path) -> dict[str, bytes]:
    """Every file at or below a path."""
    if out.is_file():
        return {"": out.read_bytes()}
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()}


FORMATS = [("runs.csv", ()), ("runs.jsonl", ()), ("runs.parquet", ()), ("runs", ("card", "scene"))]


@pytest.mark.parametrize(("name", "partition_by"), FORMATS)
def test_a_batch_stopped_twice_measures_the_rest_alone(
    name: str, partition_by: tuple[str, ...], captures: Path, tmp_path: Path
) -> None:
    (tmp_path / "whole").mkdir()
    run(captures, tmp_path / "whole" / name, partition_by=partition_by)
    out = tmp_path / name
    measured: list[str] = []
    for _ in range(2):
        with pytest.raises(StoppedError):
            run(captures, out, partition_by=partition_by, resume=True, on_row=stop_after(4, measured))
        assert not out.exists()
    # A power cut in the middle of the last line.
    journal = journal_of(out)
    journal.write_bytes(journal.read_bytes()[:-7])
    count = run(captures, out, partition_by=partition_by, resume=True)
    assert (count.n_measured, count.n_kept, count.n_failed) == (12 - 7, 7, 0)
    assert content(out) == content(tmp_path / "whole" / name)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(["captures", "whole", name])


@pytest.mark.parametrize(("name", "partition_by"), FORMATS)
def test_a_finished_table_is_gone_on_with(
    name: str, partition_by: tuple[str, ...], captures: Path, tmp_path: Path
) -> None:
    out = tmp_path / name
    run(captures, out, partition_by=partition_by)
    write_log(captures / "card0" / "scene0" / "run7.csv", 30, 31, times=40)
    write_log(captures / "card1" / "scene0" / "run0.csv", 40, 41, times=40)

    def stop_at_the_new_one(row: Row) -> None:
        if row["file"] == "card0/scene0/run7.csv":
            raise StoppedError

    with pytest.raises(StoppedError):
        run(captures, out, partition_by=partition_by, resume=True, on_row=stop_at_the_new_one)
    count = run(captures, out, partition_by=partition_by, resume=True)
    assert (count.n_measured, count.n_kept) == (1, 12)
    (tmp_path / "whole").mkdir()
    run(captures, tmp_path / "whole" / name, partition_by=partition_by)
    assert content(out) == content(tmp_path / "whole" / name)


def test_what_the_path_says_is_taken_from_the_path(captures: Path, tmp_path: Path) -> None:
    for ending in ("csv", "parquet"):
        out, whole = tmp_path / f"runs.{ending}", tmp_path / f"whole.{ending}"
        run(captures, out, pattern=None)
        assert run(captures, out, resume=True).n_kept == 12
        run(captures, whole)
        assert out.read_bytes() == whole.read_bytes()


def test_another_sensor_log_is_another_measurement(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "runs.csv"
    pattern = PathPattern.parse("{card}/{scene}/run{run}.sensors.csv")
    sensors = captures / "card0" / "scene0" / "run0.sensors.csv"

    def write(watts: int) -> None:
        rows = "".join(f"{second / 10},{watts}\n" for second in range(6))
        sensors.write_text(f"elapsed_s,board_power_w\n{rows}", encoding="utf-8")

    def kept() -> int:
        return run(captures, out, sensors_pattern=pattern, resume=True).n_kept

    write(200)
    kept()
    assert kept() == 12
    assert ",200.0," in out.read_text("utf-8")
    write(300)
    assert kept() == 11
    assert ",300.0," in out.read_text("utf-8")
    sensors.unlink()
    assert kept() == 11
    assert run(captures, out, resume=True).n_kept == 0  # no sensors were asked for: that is another table


def test_each_partition_is_what_other_engines_read(captures: Path, tmp_path: Path) -> None:
    import polars as pl
    import pyarrow.dataset as ds
    import pyarrow.parquet as pq

    out = tmp_path / "runs"
    run(captures, out, partition_by=("card", "scene"))
    inside = pq.ParquetFile(out / "card=card0" / "scene=scene2" / "part-0.parquet").schema_arrow.names
    assert "run" in inside and not {"card", "scene"} & set(inside)
    run(captures, tmp_path / "one.parquet")
    expected = sorted(pq.read_table(tmp_path / "one.parquet").to_pylist(), key=lambda row: row["file"])
    dataset = ds.dataset(out, partitioning="hive").to_table()
    assert sorted(dataset.to_pylist(), key=lambda row: row["file"]) == expected
    scanned = pl.scan_parquet(out, hive_partitioning=True)
    assert scanned.sort("file").select(list(expected[0])).collect().to_dicts() == expected
    few = scanned.filter((pl.col("card") == "card1") & (pl.col("scene") == "scene0")).select("file").collect()
    assert sorted(few["file"]) == ["card1/scene0/run0.csv", "card1/scene0/run1.csv"]


@pytest.mark.skipif(sys.platform == "win32", reason="such names cannot be made there")
def test_names_of_partitions_are_those_that_engines_read(tmp_path: Path) -> None:
    import polars as pl
    import pyarrow as pa
    import pyarrow.dataset as ds

    cards: list[str | None] = ["brae 70", "ü%=&+", "a.b~-_'\"", "x:*?", "\u202egnp", "line\nfeed", "7", None, "1/2"]
    columns = (Column(name="card", kind="text"), Column(name="n", kind="whole", unit="1"))
    rows: list[Row] = [{"card": card, "n": at} for at, card in enumerate(cards)]
    out = tmp_path / "runs"
    write_partitions(rows, out, columns=columns, partition_by=["card"])
    hive = ds.partitioning(pa.schema([("card", pa.string())]), flavor="hive")
    # RFC 3986, section 2.3: letters, digits and - . _ ~ stand for themselves, anything else as % and two digits.
    names = {f"card={quote(card, safe='') if card is not None else '__HIVE_DEFAULT_PARTITION__'}" for card in cards}
    assert {path.name for path in out.iterdir()} == names
    found = ds.dataset(out, partitioning=hive).to_table().sort_by("n").to_pylist()
    assert [row["card"] for row in found] == cards
    scanned = pl.scan_parquet(out, hive_partitioning=True, hive_schema={"card": pl.String}).sort("n").collect()
    assert scanned["card"].to_list() == cards


def test_a_frame_is_the_table_without_a_file(captures: Path, tmp_path: Path) -> None:
    import polars as pl

    (captures / "card0" / "scene0" / "run8.csv").write_text("frame_time_ms\n16.7\n", encoding="utf-8")
    run(captures, tmp_path / "runs.parquet")
    options = BatchOptions(read=ReadOptions(), path_pattern=PATTERN, workers=1)
    found = batch_frame(captures, options=options)
    assert found.equals(pl.read_parquet(tmp_path / "runs.parquet"))
    assert found.height == 13 and found["status"].to_list().count("failed") == 1
    assert batch_frame(str(captures)).drop("parameters").equals(found.drop("card", "scene", "run", "parameters"))


def test_a_value_that_means_no_value_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "captures"
    write_log(folder / "__HIVE_DEFAULT_PARTITION__" / "scene0" / "run0.csv", 5, 6, times=40)
    with pytest.raises(OutputError, match="read back as no value"):
        run(folder, tmp_path / "runs", partition_by=("card",))
    assert not (tmp_path / "runs").exists()


def test_a_folder_is_replaced_only_where_a_batch_wrote_it(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "runs"
    check_output(out, force=False, partition_by=("card",))
    run(captures, out, partition_by=("scene",))
    with pytest.raises(OutputError, match="the folder exists"):
        check_output(out, force=False, partition_by=("card",))
    check_output(out, force=True, partition_by=("card",))
    run(captures, out, partition_by=("card",))
    assert sorted(path.name for path in out.iterdir()) == ["card=card0", "card=card1"]
    (out / "card=card0" / "thesis.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"thesis\.txt'.*would be lost"):
        check_output(out, force=True, partition_by=("card",))
    with pytest.raises(OutputError, match="would be lost"):
        run(captures, out, partition_by=("card",))
    with pytest.raises(OutputError, match="would be lost"):
        check_output(captures, force=True, partition_by=("card",))
    (tmp_path / "notes").write_text("mine")
    with pytest.raises(OutputError, match="not a folder"):
        check_output(tmp_path / "notes", force=True, partition_by=("card",))
    (tmp_path / "link").symlink_to(out)
    with pytest.raises(OutputError, match="not a folder"):
        check_output(tmp_path / "link", force=True, partition_by=("card",))
    for name in (".", ".."):
        with pytest.raises(OutputError, match="no folder of its own"):
            check_output(Path(name), force=True, partition_by=("card",))
    assert (out / "card=card0" / "thesis.txt").read_text() == "mine"


def test_a_folder_of_tables_inside_the_captures_is_left_out(captures: Path) -> None:
    out = captures / "runs"
    run(captures, out, partition_by=("card",))
    assert len(walk_captures(captures, leave_out=out).captures) == 12


def test_parquet_columns_say_their_units(captures: Path, tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    run(captures, tmp_path / "runs.parquet")
    schema = pq.read_schema(tmp_path / "runs.parquet")
    for key, metric in CATALOG.items():
        assert schema.field(key).metadata[b"unit"].decode() == metric.unit
    units = {name: schema.field(name).metadata[b"unit"] for name in ("size_bytes", "n_frames", "duration_s")}
    assert units == {"size_bytes": b"By", "n_frames": b"1", "duration_s": b"s"}
    assert b"unit" not in (schema.field("card").metadata or {})
    assert b"frametime.batch/1" in schema.metadata[b"frametime"]


class AtOnce(Executor):
    """The least that an executor can be: it does each job as it comes, in this process."""

    def __init__(self) -> None:
        self.n_jobs = 0

    def submit(self, job: Callable[..., Any], /, *arguments: Any, **named: Any) -> Future[Any]:
        self.n_jobs += 1
        future: Future[Any] = Future()
        future.set_result(job(*arguments, **named))
        return future


def test_any_executor_gives_the_same_bytes(captures: Path, tmp_path: Path) -> None:
    run(captures, tmp_path / "own.csv")
    at_once = AtOnce()
    run(captures, tmp_path / "at_once.csv", executor=at_once)
    assert at_once.n_jobs == 2  # twelve captures, eight at once
    with ThreadPoolExecutor(3) as threads:
        run(captures, tmp_path / "threads.csv", executor=threads)
        assert threads.submit(len, "open").result() == 4
    own = (tmp_path / "own.csv").read_bytes()
    assert (tmp_path / "at_once.csv").read_bytes() == own == (tmp_path / "threads.csv").read_bytes()


def test_few_captures_are_under_way_at_once(captures: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(60):
        write_log(captures / "card2" / "scene0" / f"run{number}.csv", 5 + number % 7, 6 + number % 7, times=40)
    under_way = peak = 0
    plain_request = BatchOptions.request_of

    def ask(*arguments: Any, **named: Any) -> Any:
        nonlocal under_way, peak
        under_way += 1
        peak = max(peak, under_way)
        return plain_request(*arguments, **named)

    def told(_row: Row) -> None:
        nonlocal under_way
        under_way -= 1

    monkeypatch.setattr(BatchOptions, "request_of", ask)
    with ThreadPoolExecutor(1) as threads:
        run(captures, tmp_path / "runs.csv", executor=threads, on_row=told)
    assert 8 <= peak <= 3 * 8 + 8


@pytest.mark.skipif(sys.platform in {"win32", "darwin"}, reason="names are text there")
@pytest.mark.parametrize(("name", "partition_by"), FORMATS)
def test_names_that_are_no_text_are_written_as_escapes(
    name: str, partition_by: tuple[str, ...], captures: Path, tmp_path: Path
) -> None:
    source = captures / "card0" / "scene0" / "run0.csv"
    odd = os.fsencode(captures) + b"/card\xff/scene0"
    os.makedirs(odd)  # noqa: PTH103 - pathlib takes no bytes
    Path(os.fsdecode(odd), "run0.csv").write_bytes(source.read_bytes())
    out = tmp_path / name
    assert run(captures, out, partition_by=partition_by).n_measured == 13
    whole = content(out)
    assert any(rb"card\xff/scene0/run0.csv" in data.replace(b"\\\\", b"\\") for data in whole.values())
    assert run(captures, out, partition_by=partition_by, resume=True).n_kept == 13
    assert content(out) == whole


def test_options_name_known_fields_once() -> None:
    with pytest.raises(ValueError, match="'driver' is no field of the path pattern; its fields: card"):
        BatchOptions(read=ReadOptions(), path_pattern=PATTERN, partition_by=("driver",))
    with pytest.raises(ValueError, match="twice"):
        BatchOptions(read=ReadOptions(), path_pattern=PATTERN, partition_by=("card", "card"))


@pytest.mark.parametrize("ending", [".csv", ".parquet", ".jsonl"])
def test_the_table_of_an_earlier_batch_is_no_capture(captures: Path, ending: str) -> None:
    run(captures, captures / f"first{ending}", pattern=None)
    earlier = captures / f"first{ending}"
    out = captures / f"second{ending}"
    walk = walk_captures(captures, leave_out=out)
    assert list(walk.others) == ["earlier result tables"]
    assert len(walk.captures) == 12
    count = run(captures, out, pattern=None)
    assert count.n_failed == 0
    assert out.read_bytes() == earlier.read_bytes()


def test_a_table_of_others_with_a_few_of_the_names_is_told(captures: Path) -> None:
    (captures / "mine.csv").write_text("file,status,parameters,frame_time_ms\na,ok,x,none\n", encoding="utf-8")
    walk = walk_captures(captures)
    assert "mine.csv" in [found.name for found in walk.captures]
    assert not walk.others
    assert not is_batch_table(captures / "mine.csv")


@pytest.mark.parametrize("ending", [".csv", ".parquet", ".jsonl"])
def test_a_table_of_results_given_as_a_capture_is_refused_as_one(captures: Path, ending: str) -> None:
    out = captures / f"first{ending}"
    run(captures, out, pattern=None)
    assert is_batch_table(out)
    with pytest.raises(ReadError, match="this holds results that 'frametime batch' wrote, and is no log; give"):
        read_capture(out)


def test_a_layout_that_is_kept_later_beside_a_capture_counts_for_resume(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / "logs" / name).mkdir(parents=True)
        (tmp_path / "logs" / name / "run.csv").write_text("frame time\n" + "15\n16\n" * 200)
    out = tmp_path / "runs.csv"
    assert run(tmp_path / "logs", out, pattern=None).n_measured == 2
    keep_unit(tmp_path / "logs" / "a" / "run.csv", "ms")
    again = run(tmp_path / "logs", out, pattern=None, resume=True)
    assert (again.n_measured, again.n_kept) == (1, 1) and "layout-remembered" in out.read_text("utf-8")
    again = run(tmp_path / "logs", out, pattern=None, resume=True)
    assert (again.n_measured, again.n_kept) == (0, 2)


def keep_unit(log: Path, unit: str) -> None:
    read_capture(log, options=ReadOptions(time_column="frame time", unit=unit, remember=True))
