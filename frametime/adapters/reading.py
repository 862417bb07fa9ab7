"""From a file to a capture: choose the adapter, parse, check, say where it all came from, cut as told."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, BinaryIO, Final, cast

from frametime.adapters.arrow.arrow_columns import fault_of
from frametime.adapters.arrow.arrow_file import ArrowFileAdapter
from frametime.adapters.base import HEAD_BYTES, Adapter, ParsedLog, ReadOptions
from frametime.adapters.frames.frame_log import FrameLogAdapter
from frametime.adapters.stored_log import OpenedLog, address_space_is_limited, opened_log
from frametime.adapters.text.text_source import not_text
from frametime.capture import FRAME_COLUMNS, Capture, Conditions, Provenance, cut_capture
from frametime.caveats import Caveat
from frametime.errors import ReadError, printable
from frametime.words import begun

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint


_DEFAULT_OPTIONS = ReadOptions()
_NO_CONDITIONS = Conditions()
_CUTS = ("skip_start_s", "skip_end_s", "from_s", "to_s")


def read_capture(
    source: str | os.PathLike[str] | BinaryIO,
    *,
    options: ReadOptions = _DEFAULT_OPTIONS,
    conditions: Conditions = _NO_CONDITIONS,
    use_threads: bool = True,
) -> Capture:
    """Read one frame log.

    Parameters
    ----------
    source : path, '-' or binary stream
        The log; ``-`` is standard input. Compressed logs (gzip, bz2, xz, zstd, a zip of one file) are unpacked.
    options : ReadOptions
        The defaults find everything in the log, or refuse.
    conditions : Conditions
        Under which the run was made, as far as known.
    use_threads : bool
        Let the table reader use several cores. A batch that reads several logs at once sets it to False.

    Returns
    -------
    Capture
        Its ``provenance`` holds the layout that was found, with the evidence.

    Raises
    ------
    ReadError
        If the log cannot be read, or cannot be read without a guess: one line with file, line or column, what was
        found, and what helps.

    Examples
    --------
    >>> import io
    >>> capture = read_capture(io.BytesIO(b"frame time (ms)\\n16.6\\n16.7\\n16.8\\n"))
    >>> capture.n_frames, capture.frames["timestamp_ns"].to_pylist()
    (3, [0, 16600000, 33300000, 50100000])
    """
    use_threads = use_threads and not address_space_is_limited()
    with opened_log(source, options, use_threads=use_threads) as opened:
        head = opened.log.read(HEAD_BYTES)
        opened.log.seek(0)
        adapter, caveats = choose_adapter(opened.stored.name, head, options.adapter)
        parsed = adapter.parse(cast("BinaryIO", opened.log), replace(options, use_threads=use_threads))
        if parsed.capture is not None:
            given = {name: value for name, value in vars(conditions).items() if value is not None}
            capture = replace(parsed.capture, conditions=replace(parsed.capture.conditions, **given))
        else:
            if type(adapter) not in BUILT_IN:
                # What a reader of others gives back is foreign data too.
                few = "fewer than two frames" if parsed.frames.num_rows < 3 else None
                if (fault := fault_of(parsed.frames, FRAME_COLUMNS) or few) is not None:
                    found = f"the adapter '{printable(adapter.name, limit=60)}' gave {fault}"
                    raise ReadError.at(opened.stored.name, found, helps="mend the adapter")
            capture = _capture(parsed, opened, adapter.name, options, conditions)
        capture = replace(capture, caveats=(*caveats, *capture.caveats)) if caveats else capture
    return cut_capture(capture, **{name: getattr(options, name) for name in _CUTS})


def _capture(
    parsed: ParsedLog, opened: OpenedLog, adapter: str, options: ReadOptions, conditions: Conditions
) -> Capture:
    same = ("rows_read", "rows_rejected", "rejected_rows", "layout_toml", "evidence", "recorded_from_utc")
    about = {**opened.about(), **{name: getattr(parsed, name) for name in same}}
    metadata = MappingProxyType(dict(parsed.metadata))
    provenance = Provenance(adapter=adapter, options=_options_set(options), metadata=metadata, **about)
    sensors = None
    if any(column.is_of_sensor for column in parsed.other_columns):
        # Imported only where a name or unit speaks of one.
        from frametime.adapters.sensors.sensor_trace import own_sensors

        sensors = own_sensors(parsed, provenance)
    return Capture(
        frames=parsed.frames, conditions=conditions, provenance=provenance, sensors=sensors, caveats=parsed.caveats
    )


def _options_set(options: ReadOptions) -> Mapping[str, str]:
    """The options that are not at their default; cuts are added where they are made."""
    given = {name: value for name, value in vars(options).items() if name not in {"layout", "use_threads", *_CUTS}}
    changed = {name: str(value) for name, value in given.items() if value != getattr(_DEFAULT_OPTIONS, name)}
    if options.layout is not None:
        changed["layout"] = options.layout.to_toml().replace("\n", "; ").rstrip("; ")
    return MappingProxyType(changed)


GROUP: Final = "frametime.adapters"
BUILT_IN: Final[tuple[type[Adapter], ...]] = (ArrowFileAdapter, FrameLogAdapter)
_BUILT_IN_NAMES: Final = tuple(made.name for made in BUILT_IN)


def choose_adapter(name: str, head: bytes, wanted: str | None) -> tuple[Adapter, tuple[Caveat, ...]]:
    """The one adapter that reads a log beginning like this.

    Entry points are looked up only when no built-in adapter claims the log, or another is asked for by name: the
    look-up alone takes longer than a short log.

    Parameters
    ----------
    name : str
        Of the log, for messages.
    head : bytes
        Its first bytes, decompressed.
    wanted : str or None
        Name of the adapter to use, whatever the log begins with.

    Raises
    ------
    ReadError
        If none claims the log, two do, or the wanted one is missing or cannot be imported.
    """
    built_in: list[Adapter] = [made() for made in BUILT_IN]
    claiming = [each for each in built_in if (each.recognizes(head) if wanted is None else each.name == wanted)]
    if len(claiming) == 1:
        return claiming[0], ()
    loaded = [_loaded(entry) for key, entry in _plugins().items() if wanted in (None, key)]
    told = [why for why in loaded if isinstance(why, str)]
    claiming += [each for each in loaded if not isinstance(each, str) and (wanted or each.recognizes(head))]
    if wanted is not None and not claiming:
        missing = "".join(told) or f"there is no adapter '{printable(wanted, limit=60)}'"
        raise ReadError.at(name, missing, helps=f"there are {', '.join(adapter_names())}")
    if len(claiming) > 1:
        listed = " and ".join(f"'{printable(adapter.name, limit=60)}'" for adapter in claiming)
        raise ReadError.at(name, f"the adapters {listed} both claim this log", helps="choose one with --adapter")
    if claiming:
        return claiming[0], tuple(Caveat(code="adapter-not-loaded", message=f"{begun(why)}.") for why in told)
    what = "; ".join([f"this is {not_text(head) or 'a binary file'}, not a frame log", *told])
    raise ReadError.at(name, what, helps="give a text file with one row a frame")


def adapter_names() -> tuple[str, ...]:
    """Names that ``ReadOptions.adapter`` may have: those built in and those of entry points, sorted."""
    return tuple(sorted((*_BUILT_IN_NAMES, *_plugins())))


def _plugins() -> dict[str, EntryPoint]:
    from importlib.metadata import entry_points

    entries = sorted(entry_points(group=GROUP), key=lambda entry: entry.name)
    return {entry.name: entry for entry in entries if entry.name not in _BUILT_IN_NAMES}


def _loaded(entry: EntryPoint) -> Adapter | str:
    """The adapter of an entry point, or why there is none."""
    try:
        made = entry.load()
        adapter = made() if isinstance(made, type) else made
        if not isinstance(adapter, Adapter):
            raise TypeError(f"{made!r} has no name, recognizes and parse")
    except Exception as error:  # noqa: BLE001 - a plug-in is foreign code: whatever it raises must not end the reading
        reason = f"{type(error).__name__}: {printable(str(error), limit=120)}"
        return f"the adapter '{printable(entry.name, limit=60)}' could not be loaded ({reason})"
    return adapter
