"""Measured runs that are kept in one file, so that a review of an unchanged folder need not measure again.

A kept run is found by what went into it: the bytes of the capture, of its sensor log and of the file beside it, every
parameter, and the version of the package. Pages of the file carry checksums: one that is damaged is passed over, and
its runs are measured again. Curves are not kept: they are most of the size, and only charts need them.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import msgspec
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from frametime import __version__
from frametime.errors import FrametimeError, OutputError, ReadError
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import Curve, MeasuredRun
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest, file_sha256, layouts_sha256, read_part
from frametime.pipeline.measuring_many import FEW, Lost, WorkerLimits, WorkerPool, worker_count
from frametime.replacing import clear_leftovers, replacing

if TYPE_CHECKING:
    from frametime.review.result import RunEntry

SCHEMA: Final = "frametime.kept-runs/1"
_MAGIC: Final = b"PAR1"


_Found: TypeAlias = tuple[str, Mapping[str, Curve]] | str
"""SHA-256 and curves of a capture, or why it cannot be read."""


class CapturedCurves(Mapping[str, Curve]):
    """Curves of a kept run, read from its capture when one is asked for.

    Raises
    ------
    ReadError
        When one is asked for and the capture is no longer the one that was measured.
    """

    def __init__(self, request: MeasureRequest, names: Sequence[str], sha256: str) -> None:
        self.request = request
        self.is_read = False
        self._names = dict.fromkeys(names)
        self._sha256 = sha256
        self._curves: Mapping[str, Curve] = {}

    def take(self, found: _Found) -> None:
        """Take the curves of the capture, read again."""
        if isinstance(found, str) and Path(self.request.path).exists():
            raise ReadError(found)
        if isinstance(found, str) or found[0] != self._sha256:
            wrong = "this capture has changed since it was measured, and its curves cannot be drawn"
            raise ReadError.at(self.request.path, wrong, helps="run the review again")
        self._curves, self.is_read = found[1], True

    def __getitem__(self, name: str) -> Curve:
        if name not in self._names:
            raise KeyError(name)
        if not self.is_read:
            self.take(_curves_in(self.request))
        return self._curves[name]

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def read_curves(runs: Iterable[RunEntry], *, workers: int | None = None) -> None:
    """Read the curves of kept runs that are going to be drawn, in several processes.

    Raises
    ------
    ReadError
        When a capture is no longer the one that was measured.
    """
    waiting = [run.curves for run in runs if isinstance(run.curves, CapturedCurves) and not run.curves.is_read]
    of_few = workers == 1 or len(waiting) <= FEW
    with WorkerPool(_curve_reader, None, workers=workers or worker_count(), limits=WorkerLimits()) as pool:
        requests = [curves.request for curves in waiting]
        read = zip(requests, map(_curves_in, requests), strict=True) if of_few else pool.map(requests)
        for curves, (_, found) in zip(waiting, read, strict=True):
            curves.take(found.reason if isinstance(found, Lost) else found)


def _curve_reader(_given: None) -> Callable[[MeasureRequest], _Found]:
    return _curves_in


def _curves_in(request: MeasureRequest) -> _Found:
    """What is drawn of a capture; sensors have no part in it, and no metric is computed."""
    from frametime.metrics.curves import run_curves

    try:
        capture = read_part(replace(request, sensors=None), use_threads=False)
    except (FrametimeError, OSError) as error:
        return str(error)
    return capture.provenance.sha256, dict(run_curves(FrameSeries.of(capture, request.measure)))


class KeptRuns:
    """The runs of a file, and those that are going to stand in it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._kept = _rows_of(path)
        self._sizes = {row["size_bytes"] for row in self._kept.values()}
        self._used: dict[str, dict[str, Any]] = {}

    def find(self, request: MeasureRequest) -> MeasuredRun | None:
        """The run of a request, or ``None`` when there is none that can be used.

        A capture as large as none that was kept is not read: nothing here can be of it.
        """
        try:
            if Path(request.path).stat().st_size not in self._sizes:
                return None
            sha256 = file_sha256(Path(request.path))
            sensors = None if request.sensors is None else file_sha256(Path(request.sensors))
        except OSError:
            return None  # measuring it will say what is wrong
        key = self._key(request, sha256, sensors, beside_sha256(request))
        try:
            row = self._kept[key]
            run = decoded_run(row["run"])
        except (KeyError, msgspec.DecodeError, ValueError):
            return None
        self._used[key] = row
        curves = CapturedCurves(request, row["curves"].split(), sha256)
        return run._replace(provenance=replace(run.provenance, file_name=request.path), curves=curves)

    def add(self, outcome: MeasureOutcome, beside: str | None) -> None:
        """Keep a run that was measured, under the bytes that were read; ``beside`` as before it was measured."""
        if (run := outcome.run) is None:
            return  # tried again the next time, whatever it failed of
        key = self._key(outcome.request, run.provenance.sha256, outcome.sensors_sha256, beside)
        # The name is that of the request, and may be no text, which cannot be encoded.
        plain = run._replace(provenance=replace(run.provenance, file_name=""))
        with suppress(UnicodeEncodeError):  # a name in an option may be no text either; it is measured again then
            about = {"key": key, "size_bytes": run.provenance.size_bytes, "curves": " ".join(run.curves)}
            self._used[key] = {**about, "run": encoded_run(plain)}

    def write(self) -> None:
        """Write the runs that were found or added, and no others, unless they are what the file holds.

        A file that cannot be written is no reason to fail: the runs are measured again next time.
        """
        if self._used.keys() == self._kept.keys() or not is_free(self._path):
            return
        # Not by Arrow's from_pylist, which imports pandas wherever that is installed.
        table = pl.DataFrame(list(self._used.values())).to_arrow()
        with suppress(OSError, OutputError):
            with replacing(self._path) as temporary:
                pq.write_table(
                    table.replace_schema_metadata({"frametime": SCHEMA}),
                    temporary,
                    compression="zstd",
                    use_dictionary=False,
                    write_statistics=False,
                    write_page_checksum=True,
                    data_page_size=_PAGE_BYTES,
                )
            clear_leftovers(self._path)

    def _key(self, request: MeasureRequest, sha256: str, sensors: str | None, beside: str | None) -> str:
        text = repr((__version__, sha256, sensors, beside, replace(request, path="", sensors=None)))
        return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def beside_sha256(request: MeasureRequest) -> str | None:
    """What bears on a run beside the bytes of its logs: the layouts that are kept there, and what tells its start.

    That is the file beside it, its name, its last change; nothing without a sensor log, whose clock alone it bears on.
    """
    from frametime.adapters.capture_start import sidecar_of

    path, start = Path(request.path), None
    if request.sensors is not None:
        beside = sidecar_of(request.path)
        with suppress(OSError):
            if beside is not None and beside.is_file():
                start = file_sha256(beside)
            else:
                start = f"{path.name} {path.stat().st_mtime_ns} {time.tzname} {time.timezone}"
    told = [layouts_sha256(path), start]
    return None if told == [None, None] else json.dumps(told)


def is_free(path: Path) -> bool:
    """Whether kept runs may take this name: there is no file, or one of kept runs, whole or damaged."""
    try:
        with path.open("rb") as stream:
            head = stream.read(len(_MAGIC))
    except FileNotFoundError:
        return not path.is_symlink()
    except OSError:
        return False
    if head != _MAGIC:
        return False
    try:
        return (pq.read_metadata(path).metadata or {}).get(b"frametime") == SCHEMA.encode()
    except (pa.ArrowException, OSError):
        return True


def _rows_of(path: Path) -> dict[str, dict[str, Any]]:
    """Rows by their keys; nothing where the file cannot be used."""
    try:
        # Not read_table, which imports pandas wherever that is installed.
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            if (file.schema_arrow.metadata or {}).get(b"frametime") != SCHEMA.encode():
                return {}
            return {row["key"]: row for row in file.read().to_pylist()}
    except (pa.ArrowException, OSError):
        return {}


_PAGE_BYTES: Final = 16 << 20
"""Runs are alike: the more of them are packed together, the smaller they become."""


def encoded_run(run: MeasuredRun) -> bytes:
    """A measured run as bytes, without its curves."""
    return msgspec.msgpack.encode(run._replace(curves={}), enc_hook=_as_plain)


def decoded_run(content: bytes) -> MeasuredRun:
    """The run of `encoded_run`.

    Raises
    ------
    ValueError
        When the bytes are none.
    """
    return _DECODER.decode(content)


def _as_plain(value: object) -> object:
    if isinstance(value, Fraction):
        return str(value)
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, float):
        return float(value)
    raise NotImplementedError(f"a kept run cannot hold {type(value).__name__}")


def _from_plain(kind: type, value: object) -> object:
    if kind is Fraction and isinstance(value, str):
        return Fraction(value)
    raise NotImplementedError(f"a kept run cannot hold {kind.__name__}")


_DECODER: Final = msgspec.msgpack.Decoder(MeasuredRun, dec_hook=_from_plain)
