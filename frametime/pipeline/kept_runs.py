"""Measured runs that are kept, so that a review of an unchanged folder need not measure again.

A kept run is found by what went into it: the bytes of capture and sensor log, every parameter, and the version of
the package. It is never trusted blindly: a file that is damaged, of another version, or of something else is
passed over and the run measured again.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, replace
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.errors import ReadError
from frametime.metrics.metric import Curve, MeasuredRun
from frametime.pipeline.batch_rows import file_sha256
from frametime.pipeline.batch_walk import text_of
from frametime.pipeline.measuring import MeasureRequest
from frametime.version import __version__

if TYPE_CHECKING:
    import msgspec
    from _typeshed import DataclassInstance

FORMAT: Final = b"frametime-kept-run/3\n"
_DIGEST_LENGTH: Final = 64
_SIZE_LENGTH: Final = 8
"""Bytes that hold the length of the run; its curves follow it."""


class KeptCurves(Mapping[str, Curve]):
    """Curves of a kept run, decoded when one is asked for: most of its size, and only charts need them.

    Raises
    ------
    ReadError
        When one is asked for and the bytes are no curves.
    """

    def __init__(self, payload: bytes, name: str) -> None:
        self._payload = payload
        self._name = name
        self._curves: dict[str, Curve] | None = None

    def _decoded(self) -> dict[str, Curve]:
        import msgspec

        if self._curves is None:
            try:
                self._curves = _curves_decoder().decode(self._payload)
            except (msgspec.DecodeError, ValueError) as error:
                raise ReadError.at(
                    self._name, f"this kept run is damaged ({error})", helps="give --measure-again"
                ) from None
        return self._curves

    def __getitem__(self, key: str) -> Curve:
        return self._decoded()[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._decoded())

    def __len__(self) -> int:
        return len(self._decoded())


class KeptRuns:
    """A folder of kept runs."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._shared: dict[int, tuple[object, str]] = {}

    def key(self, request: MeasureRequest) -> str:
        """What a request rests on, as 64 hexadecimal digits.

        Raises
        ------
        OSError
            When the capture or its sensor log cannot be read.
        """
        parts = {
            "version": __version__,
            "capture": file_sha256(Path(request.path)),
            "sensors": None if request.sensors is None else file_sha256(Path(request.sensors)),
            "read": self._text(request.read),
            "measure": self._text(request.measure),
            "conditions": repr(request.conditions),
            "sensor_options": None if request.sensor_options is None else self._text(request.sensor_options),
            "skip_start_auto": request.skip_start_auto,
            "segment": request.segment,
            "keep_curves": request.keep_curves,
        }
        text = json.dumps(parts, sort_keys=True)
        return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()

    def get(self, key: str) -> MeasuredRun | None:
        """The kept run, or ``None`` when there is none that can be used."""
        import msgspec

        try:
            stored = self._path(key).read_bytes()
        except OSError:
            return None
        digest_end = len(FORMAT) + _DIGEST_LENGTH
        head, digest, payload = stored[: len(FORMAT)], stored[len(FORMAT) : digest_end], stored[digest_end:]
        if head != FORMAT or digest.decode("ascii", "replace") != _digest(key, payload):
            return None
        run_end = _SIZE_LENGTH + int.from_bytes(payload[:_SIZE_LENGTH], "big")
        try:
            run = _decoder().decode(payload[_SIZE_LENGTH:run_end])
        except (msgspec.DecodeError, ValueError):
            return None
        return replace(run, curves=KeptCurves(payload[run_end:], str(self._path(key))))

    def put(self, key: str, run: MeasuredRun) -> None:
        """Keep a run. A folder that cannot be written is no reason to fail: the run is measured again next time."""
        # A name that is no text, as in a locale without its letters, cannot be encoded; the review gives its own.
        run = replace(run, provenance=replace(run.provenance, file_name=text_of(run.provenance.file_name)))
        numbers, curves = _encoder().encode(replace(run, curves={})), _encoder().encode(dict(run.curves))
        payload = len(numbers).to_bytes(_SIZE_LENGTH, "big") + numbers + curves
        path = self._path(key)
        partial = path.with_name(f".{path.name}.{os.getpid()}.part")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            partial.write_bytes(FORMAT + _digest(key, payload).encode("ascii") + payload)
            partial.replace(path)
        except OSError:
            with suppress(OSError):
                partial.unlink(missing_ok=True)

    def forget_others(self, keys: set[str]) -> None:
        """Remove the kept runs that are not among ``keys`` and those half written, and nothing else."""
        wanted = {self._path(key).name for key in keys}
        try:
            for path in self._folder.glob("*.run"):
                if path.name not in wanted and _is_kept_run(path):
                    path.unlink(missing_ok=True)
            for partial in self._folder.glob(".*.run.*.part"):  # of a review that was killed
                partial.unlink(missing_ok=True)
        except OSError:
            return

    def _text(self, options: DataclassInstance) -> str:
        """Options as text, made once: the requests of a review share them."""
        known = self._shared.get(id(options))
        if known is None or known[0] is not options:
            known = options, json.dumps(asdict(options), sort_keys=True, default=str)
            self._shared[id(options)] = known
        return known[1]

    def _path(self, key: str) -> Path:
        return self._folder / f"{key[:32]}.run"


def _digest(key: str, payload: bytes) -> str:
    """Binds the content to its key: a kept run that was renamed is not taken for another."""
    return hashlib.sha256(key.encode("ascii") + payload).hexdigest()


def _is_kept_run(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(len(FORMAT)) == FORMAT


@cache
def _encoder() -> msgspec.msgpack.Encoder:
    import msgspec

    return msgspec.msgpack.Encoder(enc_hook=_as_plain)


@cache
def _decoder() -> msgspec.msgpack.Decoder[MeasuredRun]:
    import msgspec

    return msgspec.msgpack.Decoder(MeasuredRun, dec_hook=_from_plain)


@cache
def _curves_decoder() -> msgspec.msgpack.Decoder[dict[str, Curve]]:
    import msgspec

    return msgspec.msgpack.Decoder(dict[str, Curve], dec_hook=_from_plain)


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
