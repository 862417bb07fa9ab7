"""A review as one file that others can check: packed by the Data Package standard, and made again from what is in it.

The archive holds the plan, each capture as Parquet with its sensor samples (or, without frames, what was measured of
each run), the rows of the shelf that cards come from, the files of the result, and ``datapackage.json`` (Data Package
2.0, Open Knowledge Foundation, datapackage.org) with size, hash and, of tables, columns and units. Nothing of it is
ever written to a disk by who checks it.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import re
import stat
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar

import msgspec
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from frametime import __version__
from frametime.adapters.arrow.arrow_file import write_capture
from frametime.adapters.arrow.arrow_source import open_arrow
from frametime.adapters.base import ReadOptions
from frametime.adapters.reading import read_capture
from frametime.adapters.sensors.sensor_log import SensorOptions
from frametime.adapters.stored_log import LogStream
from frametime.caveats import Caveat, Weight
from frametime.errors import FrametimeError, OutputError, ReadError, printable
from frametime.pipeline import review_outputs
from frametime.pipeline.kept_runs import decoded_run, encoded_run
from frametime.pipeline.measuring import MeasureRequest, read_part
from frametime.pipeline.review_files import MeasuredPlan, measure_options_of, measured_plan
from frametime.pipeline.shelf import runs_on
from frametime.plans.plan import ReviewPlan, exclusions_of, parse_plan, read_plan
from frametime.replacing import claiming, replacing
from frametime.review.design import AtPlace
from frametime.review.result import UnreadableFile
from frametime.review.run_set import PlacedRun, run_name
from frametime.words import command_line

_Read = TypeVar("_Read")

MANIFEST: Final = "datapackage.json"
PLAN: Final = "plan.toml"
RESULT: Final = "result/"
CAPTURES: Final = "captures/"
MEASURED: Final = "measured_runs.parquet"
SHELF: Final = "shelf.parquet"

MOST_FILES: Final = 100_000
MOST_BYTES: Final = 64 << 30
"""Most bytes that all files of a package may unpack to."""
MOST_OF_FILE: Final = 4 << 30
MOST_RATIO: Final = 1000
"""Most times its stored size that a file may unpack to; as text and tables of a review go, 50 is much."""
DIGITS: Final = 1e-9
"""Relative difference up to which numbers count as equal: other machines add up in another order."""

_LIMITS: Final = ReadOptions(max_decompressed_bytes=1 << 30, max_decompression_ratio=200.0)
"""What one capture or table of a package may unpack to."""

_DISTRUST: Final = "do not trust where it comes from"
_EPOCH: Final = (1980, 1, 1, 0, 0, 0)
_TYPES: Final = {"int64": "integer", "double": "number", "bool": "boolean"}
_SCHEMA: Final = "https://datapackage.org/profiles/2.0/datapackage.json"
_WITHOUT: Final = (review_outputs.KEPT_RUNS_FILE, review_outputs.RECORD_FILE)


@dataclass(frozen=True, kw_only=True)
class _PackedRun(AtPlace):
    """A run, and where its capture lies in the package; without frames it is a row of the measured runs."""

    path: str
    name: str
    run: str
    start_h: float | None


# -- packing -----------------------------------------------------------------------------------------------------------


def pack(
    folder: Path,
    out: Path,
    *,
    frames: bool = True,
    force: bool = False,
    read: ReadOptions | None = None,
    sensors: SensorOptions | None = None,
) -> int:
    """Write the package of a result, and say how many captures lie in it.

    Parameters
    ----------
    folder : pathlib.Path
        That of a review.
    out : pathlib.Path
        The package.
    frames : bool
        Whether the captures go with it.
    force : bool
        Replace a file that is there.
    read, sensors : ReadOptions and SensorOptions, optional
        As the review was made with, where its command line said how logs are read.

    Raises
    ------
    OutputError
        When the folder is not that of a review, or plan and captures no longer give its result.
    FrametimeError
        When plan or captures cannot be read.
    """
    plan_file = review_outputs.plan_of_folder(folder)
    plan = replace(read_plan(plan_file), read=read, sensors=sensors)
    measured = measured_plan(plan, kept_file=folder / review_outputs.KEPT_RUNS_FILE)
    stored = (folder / review_outputs.RESULT_FILE).read_text("utf-8")
    result = measured.review(plan)
    if review_outputs.review_json(result) != stored:
        again = printable(command_line(["frametime", "review", str(plan_file), "--out", str(folder)]), limit=1000)
        helps = f"give the reading options that the review was made with, or make it again: {again}"
        raise OutputError.at(str(folder), "plan and captures do not give this result", helps=helps)
    if any(caveat.code == "shelf-measured-again" for caveat in result.caveats):
        found = "cards of its shelf were measured again for it"
        raise OutputError.at(str(folder), found, helps="shelve their session with the parameters of this plan first")
    with claiming([out], force=force), replacing(out) as temporary, zipfile.ZipFile(temporary, "w") as archive:
        resources = [_added(archive, name, content) for name, content in _texts_of(plan, plan_file, folder)]
        if plan.shelf is not None and plan.shelf.takes_cards:
            metrics = [metric.key for metric in plan.design.metrics]
            rows = runs_on(Path(plan.shelf.folder), metrics).with_columns(plan=pl.lit(None, pl.String)).collect()
            resources.append(_added(archive, SHELF, _parquet(rows), is_packed=True))
        if not frames:
            names = [run.name for run in measured.placed]
            kept = {"run": names, "measured": [encoded_run(run.measured) for run in measured.placed]}
            resources.append(_added(archive, MEASURED, _parquet(pl.DataFrame(kept)), is_packed=True))
        runs = [_packed(run, at if frames else None) for at, run in enumerate(measured.placed, 1)]
        for packed, run in zip(runs, measured.placed, strict=True) if frames else ():
            content = _capture_bytes(run, measured.requests[run.name])
            resources.append(_added(archive, packed.path, content, is_packed=True))
        own = {"version": __version__, "holds_frames": frames, "runs": runs}
        own |= {"unreadable": measured.unreadable, "caveats": measured.caveats}
        manifest = {
            "$schema": _SCHEMA,
            "name": re.sub(r"[^a-z0-9]+", "-", plan.design.title.lower()).strip("-") or "review",
            "title": plan.design.title,
            "frametime": msgspec.to_builtins(own),
            "resources": resources,
        }
        _write(archive, MANIFEST, (json.dumps(manifest, indent=1, sort_keys=True) + "\n").encode("ascii"))
    return len(runs) if frames else 0


def _packed(run: PlacedRun, at: int | None) -> _PackedRun:
    place = {key: getattr(run, key) for key in ("name", "card", "scene", "resolution", "run", "start_h")}
    return _PackedRun(path="" if at is None else f"{CAPTURES}{at:05d}.parquet", **place)


def _parquet(frame: pl.DataFrame) -> bytes:
    content = io.BytesIO()
    frame.write_parquet(content)
    return content.getvalue()


def _texts_of(plan: ReviewPlan, plan_file: Path, folder: Path) -> Iterator[tuple[str, bytes]]:
    yield PLAN, plan_file.read_bytes()
    for layout in sorted({path for path in (plan.captures.layout, plan.captures.sensor_layout) if path is not None}):
        yield f"layouts/{layout.name}", layout.read_bytes()
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and not path.is_symlink() and name not in _WITHOUT and not path.name.startswith("."):
            yield RESULT + name, path.read_bytes()


def _capture_bytes(run: PlacedRun, request: MeasureRequest) -> bytes:
    """The capture as it was measured, under the name that the result knows it by."""
    capture = read_part(request, use_threads=False, sensor_weight=Weight.NOTE)
    named = replace(capture.provenance, file_name=run.measured.provenance.file_name)
    sensors = capture.sensors
    if sensors is not None:
        name = Path(sensors.provenance.file_name).name
        sensors = replace(sensors, provenance=replace(sensors.provenance, file_name=name))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "capture.parquet")
        write_capture(replace(capture, provenance=named, sensors=sensors), path)
        return path.read_bytes()


def _added(archive: zipfile.ZipFile, name: str, content: bytes, *, is_packed: bool = False) -> dict[str, Any]:
    """Put a file into the archive, and describe it."""
    _write(archive, name, content, is_packed=is_packed)
    fields = _fields(name, content)
    return {
        "name": re.sub(r"[^a-z0-9._-]+", "-", name.lower()),
        "path": name,
        "format": name.rpartition(".")[2],
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
        **({"type": "table", "schema": {"fields": fields}} if fields else {}),
    }


def _write(archive: zipfile.ZipFile, name: str, content: bytes, *, is_packed: bool = False) -> None:
    about = zipfile.ZipInfo(name, _EPOCH)
    about.create_system, about.external_attr = 3, 0o644 << 16
    about.compress_type = zipfile.ZIP_STORED if is_packed else zipfile.ZIP_DEFLATED
    archive.writestr(about, content)


def _fields(name: str, content: bytes) -> list[dict[str, str]]:
    """Columns of a table with type and unit; nothing for other files."""
    if name.endswith(".parquet"):
        schema = pq.ParquetFile(io.BytesIO(content)).schema_arrow
    elif name.endswith(".csv"):
        schema = pl.read_csv(content, infer_schema_length=None).to_arrow().schema
    else:
        return []
    told = [{"name": field.name, "type": _TYPES.get(str(field.type), "string")} for field in schema]
    for field, item in zip(schema, told, strict=True):
        if unit := (field.metadata or {}).get(b"unit"):
            item["unit"] = unit.decode()
    return told


# -- checking ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Checked:
    """One file or table of a package: whether it is as it should be, and the first difference where not."""

    name: str
    is_equal: bool
    words: str


def verify(path: Path) -> list[Checked]:
    """Make the review again from what lies in a package, and compare table by table.

    Raises
    ------
    ReadError
        When it is no package, or one that no honest program writes.
    FrametimeError
        When plan or captures in it cannot be read.
    """
    if not path.is_file():
        raise ReadError.at(str(path), "there is no such file", helps="frametime pack makes a package of a review")
    try:
        with zipfile.ZipFile(path) as archive:
            _refuse_harmful(archive, path)
            if MANIFEST not in archive.namelist():
                raise ReadError.at(str(path), f"holds no {MANIFEST} of frametime")
            manifest = json.loads(archive.read(MANIFEST))
            own = manifest["frametime"]
            found = list(_hashes(archive, {resource["path"]: resource["hash"] for resource in manifest["resources"]}))
            if not all(item.is_equal for item in found):
                return found
            return [*found, *_made_again(archive, own, path)]
    except FrametimeError:
        raise
    except (zipfile.BadZipFile, NotImplementedError, EOFError, RuntimeError) as error:
        reason = printable(str(error), limit=80)
        raise ReadError.at(str(path), f"this is no package that can be read ({reason})") from error
    except (KeyError, TypeError, ValueError, OSError, pl.exceptions.PolarsError) as error:
        found_wrong = f"its {MANIFEST} does not fit what lies in it ({printable(str(error), limit=80)})"
        raise ReadError.at(str(path), found_wrong) from error


def _refuse_harmful(archive: zipfile.ZipFile, path: Path) -> None:
    """Refuse an archive with a file that would do harm; what unpacks to more than it says fails by its checksum."""
    listed = archive.infolist()
    members = {info.filename: info for info in listed}
    refused = None
    if len(listed) > MOST_FILES or len(members) < len(listed):
        refused = f"holds {len(listed)} files, some of one name, or more than {MOST_FILES}"
    if sum(info.file_size for info in listed) > MOST_BYTES:
        refused = f"would unpack to more than {MOST_BYTES >> 30} GiB"
    for name, info in members.items():
        parts = name.split("/")
        if "\\" in name or ":" in name or any(part in ("", ".", "..") for part in parts) or not name.isprintable():
            refused = f"holds a file whose path leads out of it, '{printable(name, limit=80)}'"
        elif stat.S_IFMT(info.external_attr >> 16) not in (0, stat.S_IFREG):
            refused = f"holds '{printable(name, limit=80)}', which is a link or no file"
        elif info.file_size > min(MOST_OF_FILE, MOST_RATIO * max(info.compress_size, 1)):
            refused = f"holds '{printable(name, limit=80)}', which unpacks to {info.file_size} bytes"
    if refused is not None:
        raise ReadError.at(str(path), refused, helps=_DISTRUST)


def _hashes(archive: zipfile.ZipFile, named: Mapping[str, str]) -> Iterator[Checked]:
    """Each file against the hash that the package names, and files that it names or holds alone."""
    members = set(archive.namelist())
    for name in sorted({*named, *members} - {MANIFEST}):
        words = "hash"
        if name not in members or name not in named:
            words = "is named but not in the package" if name in named else "is in the package but not named"
        elif named[name] != f"sha256:{(digest := hashlib.sha256(archive.read(name)).hexdigest())}":
            words = f"has another hash, {digest[:12]}..."
        yield Checked(name=name, is_equal=words == "hash", words=words)


def _made_again(archive: zipfile.ZipFile, own: Mapping[str, Any], path: Path) -> Iterator[Checked]:
    """The tables of the review by the plan and the captures of a package, against those in it."""
    from frametime.metrics.measure import measure

    unreadable = msgspec.convert(own["unreadable"], tuple[UnreadableFile, ...])
    text = archive.read(PLAN).decode("utf-8-sig")
    plan = parse_plan(text, file_name=f"{path.name}/{PLAN}", folder=Path())
    kept = {}
    if not own["holds_frames"]:
        table = pl.DataFrame(_table(f"{path.name}/{MEASURED}", archive.read(MEASURED)))
        kept = dict(table.select("run", "measured").iter_rows())
    shelf = None
    if SHELF in archive.namelist():
        # No path that a package names is followed.
        table = pl.DataFrame(_table(f"{path.name}/{SHELF}", archive.read(SHELF)))
        shelf = table.lazy().with_columns(plan=pl.lit(None, pl.String))
    placed = []
    for run in msgspec.convert(own["runs"], tuple[_PackedRun, ...]):
        if own["holds_frames"]:
            name, of_package = f"{path.name}/{run.path}", partial(read_capture, options=_LIMITS)
            measured = measure(_read(name, archive.read(run.path), of_package), measure_options_of(plan, run.card))
        else:
            measured = decoded_run(kept[run.name])
        place = {key: value for key, value in asdict(run).items() if key != "path"}
        placed.append(PlacedRun(**place, measured=measured))
    broken = [run_name(item.card, item.scene, item.resolution, item.run) for item in unreadable]
    result = MeasuredPlan(
        design=replace(plan.design, exclusions=exclusions_of(plan, [*(run.name for run in placed), *broken])),
        placed=tuple(placed),
        unreadable=unreadable,
        caveats=msgspec.convert(own["caveats"], tuple[Caveat, ...]),
        requests={},
        shelf=shelf,
    ).review(plan)
    made = [review_outputs.text_files(result, escape_formulas=escaped) for escaped in (False, True)]
    for name in made[0]:
        stored = archive.read(RESULT + name) if RESULT + name in archive.namelist() else b""
        differences = [_difference(name, stored, files[name]) for files in made]
        words = None if None in differences else differences[0]
        yield Checked(name=RESULT + name, is_equal=words is None, words=words or "made again: equal")


def _read(name: str, content: bytes, read: Callable[[Any], _Read]) -> _Read:
    try:
        return read(LogStream(io.BytesIO(content), name=name, size=len(content)))
    except ReadError as error:  # what helps with a log does not help here
        raise ReadError(f"{error.place}: {error.found}; {_DISTRUST}") from error


def _table(name: str, content: bytes) -> pa.Table:
    """A table of a package, read by Arrow: polars ends the program where a file is not as it says."""
    return _read(name, content, lambda log: (source := open_arrow(log)).read(_LIMITS).cast(source.schema))


def _difference(name: str, stored: bytes, made: bytes) -> str | None:
    """Where two tables differ first; ``None`` where they are equal."""
    if stored == made:
        return None
    try:
        pairs = [dict(_cells(name, content)) for content in (stored, made)]
    except (FrametimeError, ValueError, RecursionError, csv.Error) as error:
        return f"cannot be read ({printable(str(error), limit=60)})"
    for key in {**pairs[0], **pairs[1]}:
        one, other = (pair.get(key, "nothing") for pair in pairs)
        if not _are_equal(one, other) and not key.startswith("versions/"):
            there, again = (printable(str(value), limit=60) for value in (one, other))
            return f"{printable(key, limit=200)}: {there} in the package, {again} made again"
    return None


def _cells(name: str, content: bytes) -> Iterator[tuple[str, object]]:
    """Every value of a table or document, with where it stands."""
    if name.endswith(".json"):
        return _leaves("", json.loads(content), "/")
    if name.endswith(".parquet"):
        rows = _table(name, content).to_pylist()
    else:
        rows = list(csv.DictReader(io.StringIO(content.decode("utf-8"))))
    return _leaves("", {f"row {number}": row for number, row in enumerate(rows, 1)}, ", ")


def _leaves(where: str, value: object, joint: str) -> Iterator[tuple[str, object]]:
    if isinstance(value, dict | list):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _leaves(f"{where}{joint}{key}" if where else str(key), item, joint)
    else:
        yield where, value


def _are_equal(one: object, other: object) -> bool:
    if one == other:
        return True
    try:
        numbers = [float(str(value)) for value in (one, other)]
    except ValueError:
        return False
    return math.isclose(*numbers, rel_tol=DIGITS, abs_tol=1e-300) or all(map(math.isnan, numbers))
