"""Which rows or columns of a log are of which card."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.clocks.time_units import CLOCK
from frametime.adapters.clocks.time_values import clean_texts
from frametime.adapters.columns.column_facts import ColumnFacts
from frametime.adapters.columns.header_words import quantity_unit, words_of
from frametime.adapters.text.cell_kind import CellKind, kind_of
from frametime.errors import SensorError, printable

_DEVICE_WORDS: Final = frozenset(
    ("device", "card", "gpu", "adapter", "uuid", "guid", "serial", "slot", "bus", "pci", "board")
)

_NAME_WORDS: Final = frozenset(("name", "index", "id", "number", "no", "nr", "model", "address"))

_MAX_DEVICES: Final = 16


def names_device(name: str, device: str) -> bool:
    """Whether the name of a column speaks of that card: the whole of it, so that card 1 is not card 10.

    Examples
    --------
    >>> names_device("GPU 1 power (W)", "gpu 1"), names_device("GPU 10 power (W)", "gpu 1")
    (True, False)
    """
    word = re.escape(device.strip().casefold())
    return re.search(rf"(?<![^\W_]){word}(?![^\W_])", name.casefold()) is not None


class RowsOfDevice(NamedTuple):
    """The rows of one card, and how it was chosen."""

    rows: NDArray[np.int64]
    evidence: tuple[str, ...]


def names_cards(column: str) -> bool:
    """Whether a column of that name tells which card a row is of.

    Examples
    --------
    >>> names_cards("pci.bus_id"), names_cards("GPU 0 uuid"), names_cards("gpu power")
    (True, True, False)
    """
    words = {word for word in words_of(column) if not word.isdigit()}
    return words <= _DEVICE_WORDS | _NAME_WORDS and bool(words & (_DEVICE_WORDS | {"name"}) or words == {"index"})


def device_column(facts: Sequence[ColumnFacts], used: Collection[int]) -> int | None:
    """Position of the column that names the card of each row; ``used`` are the positions of times and readings.

    Of several the one that tells most apart: two cards may have one name.
    """
    found: dict[int, int] = {}
    for fact in facts:
        # An address on a bus looks like a time of day.
        timed = fact.unit not in (None, CLOCK) or quantity_unit(fact.name, fact.said) is not None
        if fact.position in used or timed or not names_cards(fact.name):
            continue
        cells = Counter(cell.strip() for cell in fact.cells if kind_of(cell) is not CellKind.MISSING)
        if cells and sum(cells.values()) >= 2 * len(cells):
            found[fact.position] = len(cells)
    return max(found, key=lambda position: (found[position], -position), default=None)


def rows_of_device(texts: Any, wanted: str | None, *, name: str, column: str) -> RowsOfDevice:
    """The rows of the card that is wanted, or all where there is one.

    Parameters
    ----------
    texts : pyarrow.ChunkedArray
        Cells of the column that names the cards.
    wanted : str or None
    name, column : str
        Of the log and of that column, for messages.

    Raises
    ------
    SensorError
        If there are several and none was chosen, or the one that was chosen is not there.
    """
    cells = np.array(clean_texts(texts).to_pylist(), dtype=object)
    names = [str(cell) for cell in dict.fromkeys(cells.tolist())]
    listed = ", ".join(f"'{printable(each, limit=40)}'" for each in names[:_MAX_DEVICES])
    if wanted is None:
        if len(names) == 1:
            return RowsOfDevice(np.arange(cells.size, dtype=np.int64), ())
        raise SensorError.at(
            name,
            f"the log holds {len(names)} cards: {listed}",
            column=column or None,
            helps="choose one with --sensor-device",
        )
    found = next((each for each in names if each.casefold() == wanted.strip().casefold()), None)
    if found is None:
        raise SensorError.at(
            name,
            f"there is no card '{printable(wanted, limit=40)}'",
            column=column or None,
            helps=f"the log holds {listed}",
        )
    evidence = f"card: '{printable(found)}' of {len(names)}, chosen with --sensor-device"
    return RowsOfDevice(np.flatnonzero(cells == found), (evidence,))
