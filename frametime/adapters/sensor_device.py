"""Several cards in one sensor log: the column that names them, and the rows of one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.cells import CellKind, kind_of
from frametime.adapters.column_evidence import ColumnFacts
from frametime.adapters.header_words import quantity_unit, words_of
from frametime.adapters.numbers import clean_texts
from frametime.errors import SensorError, printable

_DEVICE_WORDS: Final = frozenset(("device", "card", "gpu", "adapter"))
_NAME_WORDS: Final = frozenset(("name", "index", "id", "number", "no", "nr", "uuid", "model"))
_MAX_DEVICES: Final = 16


class RowsOfDevice(NamedTuple):
    """The rows of one card, and how it was chosen."""

    rows: NDArray[np.int64]
    evidence: tuple[str, ...]


def device_column(facts: Sequence[ColumnFacts], used: Collection[int]) -> int | None:
    """Position of the column that names the card of each row; ``used`` are the positions of times and readings."""
    for fact in facts:
        words = set(words_of(fact.name))
        if fact.position in used or fact.unit is not None or quantity_unit(fact.name, fact.said) is not None:
            continue
        if not words or not words <= _DEVICE_WORDS | _NAME_WORDS or not words & (_DEVICE_WORDS | {"name"}):
            continue
        cells = Counter(cell.strip() for cell in fact.cells if kind_of(cell) is not CellKind.MISSING)
        if cells and sum(cells.values()) >= 2 * len(cells):
            return fact.position
    return None


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
