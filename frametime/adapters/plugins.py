"""Which adapter reads a log: the two that are built in, and others found by entry point."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from frametime.adapters.arrow.arrow_file import ArrowFileAdapter
from frametime.adapters.base import Adapter
from frametime.adapters.frames.frame_log import FrameLogAdapter
from frametime.adapters.text.text_source import not_text
from frametime.caveats import Caveat
from frametime.errors import ReadError, printable

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

GROUP: Final = "frametime.adapters"
BUILT_IN: Final[tuple[type[Adapter], ...]] = (ArrowFileAdapter, FrameLogAdapter)
_BUILT_IN_NAMES: Final = frozenset(("delimited-text", "arrow-file"))


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
    built_in = [made() for made in BUILT_IN]
    if wanted is not None:
        found = next((adapter for adapter in built_in if adapter.name == wanted), None)
        return (found, ()) if found is not None else (_wanted_plugin(name, wanted), ())
    claiming = [adapter for adapter in built_in if adapter.recognizes(head)]
    if len(claiming) == 1:
        return claiming[0], ()
    plugins, caveats = _all_plugins()
    claiming += [adapter for adapter in plugins if adapter.recognizes(head)]
    if len(claiming) > 1:
        listed = " and ".join(f"'{printable(adapter.name, limit=60)}'" for adapter in claiming)
        raise ReadError.at(name, f"the adapters {listed} both claim this log", helps="choose one with --adapter")
    if claiming:
        return claiming[0], caveats
    raise _unclaimed(name, head, caveats)


def adapter_names() -> tuple[str, ...]:
    """Names that ``ReadOptions.adapter`` may have: those built in and those of entry points, sorted."""
    from importlib.metadata import entry_points

    return tuple(sorted(_BUILT_IN_NAMES | {entry.name for entry in entry_points(group=GROUP)}))


def _unclaimed(name: str, head: bytes, caveats: Sequence[Caveat]) -> ReadError:
    if not head:
        return ReadError.at(name, "this file is empty (0 bytes)", helps="record the run again")
    more = f" ({'; '.join(caveat.message for caveat in caveats)})" if caveats else ""
    found = f"this is {not_text(head) or 'a binary file'}, not a frame log{more}"
    return ReadError.at(name, found, helps="give a text file with one row a frame")


def _all_plugins() -> tuple[list[Adapter], tuple[Caveat, ...]]:
    from importlib.metadata import entry_points

    loaded: list[Adapter] = []
    caveats = []
    for entry in sorted(entry_points(group=GROUP), key=lambda entry: entry.name):
        if entry.name in _BUILT_IN_NAMES:
            continue
        adapter = _loaded(entry)
        if isinstance(adapter, str):
            caveats.append(Caveat(code="adapter-not-loaded", message=f"{adapter[0].upper()}{adapter[1:]}."))
        else:
            loaded.append(adapter)
    return loaded, tuple(caveats)


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


def _wanted_plugin(name: str, wanted: str) -> Adapter:
    from importlib.metadata import entry_points

    entry = next((entry for entry in entry_points(group=GROUP) if entry.name == wanted), None)
    if entry is None:
        known = ", ".join(adapter_names())
        raise ReadError.at(name, f"there is no adapter '{printable(wanted, limit=60)}'", helps=f"there are {known}")
    adapter = _loaded(entry)
    if isinstance(adapter, str):
        raise ReadError.at(name, adapter, helps="install it again, or leave --adapter out")
    return adapter
