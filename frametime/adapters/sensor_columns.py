"""Which column of a log is which quantity, by the words of its name and its unit; and its cells as numbers."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow_columns import compute, numpy_of, text_scalar
from frametime.adapters.cells import CellKind, kind_of
from frametime.adapters.column_evidence import shown_column
from frametime.adapters.header_words import unit_of_text, words_of
from frametime.adapters.number_style import NumberStyle
from frametime.adapters.numbers import clean_texts, is_missing
from frametime.adapters.sensor_layout import CONVERSIONS, QUANTITIES
from frametime.capture import SENSOR_COLUMNS
from frametime.caveats import Caveat, Weight
from frametime.errors import printable

_DIGITS: Final = "+-.,eE0123456789"
_NUMBER: Final = (
    r"^(?P<number>[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*(?P<unit>[A-Za-zµμ/%°]{0,12})$"
)


@dataclass(frozen=True, kw_only=True)
class QuantityWords:
    """Words that a column's name must and must not hold, and words that make it the better of two.

    ``needed`` is a choice of sets: one of each must be there. The words are those of the trade and of the SI, not of
    any program.
    """

    needed: tuple[frozenset[str], ...]
    refused: frozenset[str]
    better: frozenset[str]


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_LIMITS: Final = _words("limit target cap maximum max minimum min rated tdp default offset delta average avg mean peak")
_OTHERS: Final = _words("cpu processor system ram motherboard psu disk ambient room package wall outlet mains")
_MEMORY: Final = _words("memory mem vram")

WORDS: Final[Mapping[str, QuantityWords]] = MappingProxyType(
    {
        "power_w": QuantityWords(
            needed=(_words("power draw drawn watt watts w consumption"),),
            refused=_LIMITS | _OTHERS | _MEMORY | _words("fan slot connector rail"),
            better=_words("board card total"),
        ),
        "temperature_c": QuantityWords(
            needed=(_words("temperature temp temperatures thermal"),),
            refused=_LIMITS | _OTHERS | _MEMORY | _words("hotspot hot spot junction fan vrm"),
            better=_words("gpu card core edge"),
        ),
        "core_clock_mhz": QuantityWords(
            needed=(_words("clock frequency freq clk"),),
            refused=_LIMITS | _OTHERS | _MEMORY | _words("base boost fan video bus shader"),
            better=_words("core gpu graphics"),
        ),
        "memory_clock_mhz": QuantityWords(
            needed=(_words("clock frequency freq clk"), _MEMORY),
            refused=_LIMITS | _OTHERS | _words("base boost fan video bus"),
            better=frozenset(),
        ),
        "utilization_pct": QuantityWords(
            needed=(_words("utilization utilisation usage load busy util"),),
            refused=_LIMITS | _OTHERS | _MEMORY | _words("fan video bus encoder decoder power"),
            better=_words("gpu card core"),
        ),
        "fan_rpm": QuantityWords(needed=(_words("fan fans"),), refused=_LIMITS | _OTHERS, better=frozenset()),
        "fan_pct": QuantityWords(needed=(_words("fan fans"),), refused=_LIMITS | _OTHERS, better=frozenset()),
        "voltage_v": QuantityWords(
            needed=(_words("voltage volt volts vcore vdd"),),
            refused=_LIMITS | _OTHERS | _MEMORY | _words("input rail slot connector"),
            better=_words("core gpu"),
        ),
        "memory_used_mib": QuantityWords(
            needed=(_MEMORY, _words("used usage allocated use")),
            refused=_LIMITS | _OTHERS | _words("free total"),
            better=_words("gpu card vram"),
        ),
    }
)

PLAUSIBLE: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "power_w": (0.0, 3000.0),
        "temperature_c": (-40.0, 130.0),
        "core_clock_mhz": (0.0, 10_000.0),
        "memory_clock_mhz": (0.0, 50_000.0),
        "utilization_pct": (0.0, 100.5),
        "fan_rpm": (0.0, 30_000.0),
        "fan_pct": (0.0, 200.0),
        "voltage_v": (0.0, 5.0),
        "memory_used_mib": (0.0, 2.0**22),
    }
)
"""Readings outside are taken for another unit or a fault, and left out (common practice, no source)."""


LEAST_HIGH: Final[Mapping[str, float]] = MappingProxyType(
    {
        "power_w": 1.0,
        "core_clock_mhz": 20.0,
        "memory_clock_mhz": 20.0,
        "utilization_pct": 1.0,
        "voltage_v": 0.1,
        "memory_used_mib": 1.0,
    }
)
"""Where no reading is above this, and not all are 0, the unit is another (common practice, no source)."""

NEVER_ZERO: Final = frozenset(
    ("power_w", "temperature_c", "core_clock_mhz", "memory_clock_mhz", "voltage_v", "memory_used_mib")
)
"""Quantities that are not exactly 0 while a card draws frames: some programs write 0 for no reading."""


@dataclass(frozen=True, kw_only=True)
class NamedColumn:
    """A column as it stands in the log: its name, its position from 0, and the unit outside its cells."""

    name: str
    position: int
    unit: str | None
    cells: tuple[str, ...]

    @property
    def cell_unit(self) -> str | None:
        """Unit that stands behind the numbers of the first cells, where there is one."""
        for cell in self.cells:
            if kind_of(cell) is CellKind.WITH_UNIT:
                return unit_of_text(cell.strip().lstrip(_DIGITS).strip())[1]
        return None

    @property
    def shown(self) -> str:
        """The column for messages."""
        return shown_column(self.name, self.position)


@dataclass(frozen=True, kw_only=True)
class SensorColumn:
    """A column that was chosen for a quantity; ``unit`` as a UCUM code, ``None`` where only its cells state it."""

    quantity: str
    column: NamedColumn
    unit: str | None
    evidence: str


@dataclass(frozen=True, kw_only=True)
class SensorChoice:
    """The columns chosen, one a quantity at most, and what must be known about the choice."""

    columns: tuple[SensorColumn, ...]
    caveats: tuple[Caveat, ...]


def choose_sensor_columns(columns: Sequence[NamedColumn], *, device: str | None = None) -> SensorChoice:
    """Find the quantities among the columns of a log.

    A column needs a word of the quantity in its name and a unit in name, units row or cells; a unit is never guessed.
    Of two that fit equally well neither is taken, and a caveat says which line of a layout settles it.

    Examples
    --------
    >>> columns = [NamedColumn(name="Board power [W]", position=1, unit="W", cells=("120.3",))]
    >>> [found.quantity for found in choose_sensor_columns(columns).columns]
    ['power_w']
    """
    chosen: list[SensorColumn] = []
    caveats: list[Caveat] = []
    # A column that does not name the card may be of another one.
    of_device = [column for column in columns if device is not None and names_device(column.name, device)]
    for quantity in QUANTITIES:
        fitting = [column for column in columns if fits(column, quantity)]
        if of_device:
            fitting = [column for column in fitting if column in of_device]
        with_unit = [column for column in fitting if _unit_of(column, quantity) is not None]
        best = _best(with_unit, quantity)
        if len(best) == 1:
            unit = _unit_of(best[0], quantity)
            evidence = f"{quantity}: column {best[0].shown}, by its name, in {unit} (--sensor-layout overrides)"
            chosen.append(SensorColumn(quantity=quantity, column=best[0], unit=best[0].unit, evidence=evidence))
        elif best:
            caveats.append(_ambiguous(quantity, best))
        elif fitting and all(column.unit is None and column.cell_unit is None for column in fitting):
            caveats.append(_without_unit(quantity, fitting[0]))
    return SensorChoice(columns=tuple(chosen), caveats=tuple(caveats))


def names_device(name: str, device: str) -> bool:
    """Whether the name of a column speaks of that card: the whole of it, so that card 1 is not card 10.

    Examples
    --------
    >>> names_device("GPU 1 power (W)", "gpu 1"), names_device("GPU 10 power (W)", "gpu 1")
    (True, False)
    """
    word = re.escape(device.strip().casefold())
    return re.search(rf"(?<![^\W_]){word}(?![^\W_])", name.casefold()) is not None


def _unit_of(column: NamedColumn, quantity: str) -> str | None:
    unit = column.unit or column.cell_unit
    return unit if unit in CONVERSIONS[SENSOR_COLUMNS[quantity][1]] else None


def fits(column: NamedColumn, quantity: str) -> bool:
    """Whether name and unit of a column speak for a quantity; its unit may still stand in the cells alone."""
    words, rule = set(words_of(column.name)), WORDS[quantity]
    if words & rule.refused or not all(words & choice for choice in rule.needed):
        return False
    unit = column.unit or column.cell_unit
    if unit is None:
        # A fan without a unit may turn in either; a share of memory is no amount.
        return quantity != "fan_pct"
    return unit in CONVERSIONS[SENSOR_COLUMNS[quantity][1]]


def _best(columns: Sequence[NamedColumn], quantity: str) -> list[NamedColumn]:
    """Those with the most words that speak for them."""
    counts = [len(set(words_of(column.name)) & WORDS[quantity].better) for column in columns]
    return [column for column, count in zip(columns, counts, strict=True) if count == max(counts)]


def _ambiguous(quantity: str, columns: Iterable[NamedColumn]) -> Caveat:
    listed = [column.shown for column in columns]
    return Caveat(
        code="sensor-ambiguous-column",
        message=f"{', '.join(listed)} may each hold {SENSOR_COLUMNS[quantity][2]}, so none is used; settle it in a "
        f'sensor layout with the line: {quantity} = "NAME"',
        weight=Weight.CARE,
    )


def _without_unit(quantity: str, column: NamedColumn) -> Caveat:
    return Caveat(
        code="sensor-unit-unknown",
        message=f"Column {column.shown} may hold {SENSOR_COLUMNS[quantity][2]} but states no unit, so it is not used; "
        f'give it in a sensor layout: {quantity} = "{printable(column.name, limit=60)}" and {quantity}_unit = '
        f'"{SENSOR_COLUMNS[quantity][1]}"',
        weight=Weight.CARE,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Readings:
    """One quantity in the unit that is kept: NaN where a cell holds no usable number.

    Attributes
    ----------
    values : ndarray of float64, shape (n_rows,)
    missing : ndarray of bool, shape (n_rows,)
        Cells that are empty or a word such as ``N/A``.
    broken : ndarray of bool, shape (n_rows,)
        Cells that hold something that is not a number in a known unit.
    outside : ndarray of bool, shape (n_rows,)
        Numbers that no card can have.
    units : tuple of str
        Units that stand in the cells.
    """

    values: NDArray[np.float64]
    missing: NDArray[np.bool_]
    broken: NDArray[np.bool_]
    outside: NDArray[np.bool_]
    units: tuple[str, ...]


def readings(column: Any, quantity: str, unit: str | None, style: NumberStyle) -> Readings:
    """The cells of a column of texts as numbers of a quantity; a cell whose unit contradicts the column's is broken."""
    import pyarrow as pa

    pc = compute()
    texts = clean_texts(column)
    absent = is_missing(pc.utf8_trim(texts, "[]() "))
    parts = pc.extract_regex(_with_point(texts, style), _NUMBER)
    number = pc.fill_null(pc.struct_field(parts, [0]), text_scalar("nan"))
    stated = pc.fill_null(pc.struct_field(parts, [1]), text_scalar(""))
    raw = np.asarray(numpy_of(_chunked(pc.cast(number, pa.float64()))), dtype=np.float64)
    values = np.full(raw.size, np.nan)
    known = CONVERSIONS[SENSOR_COLUMNS[quantity][1]]
    units = []
    for word in sorted(pc.unique(stated).to_pylist()):
        code = unit if word == "" else unit_of_text(word)[1]
        if code is None or code not in known or (unit is not None and code != unit):
            continue
        here = np.asarray(numpy_of(_chunked(pc.cast(pc.equal(stated, text_scalar(word)), pa.uint8()))), dtype=np.bool_)
        factor, added = known[code]
        values[here] = raw[here] * factor + added
        if word:
            units.append(word)
    values[~np.isfinite(values)] = np.nan
    low, high = PLAUSIBLE[quantity]
    outside = (values < low) | (values > high)
    values[outside] = np.nan
    return Readings(
        values=values,
        missing=absent,
        broken=np.isnan(values) & ~absent & ~outside,
        outside=outside,
        units=tuple(units),
    )


def _with_point(texts: Any, style: NumberStyle) -> Any:
    pc = compute()
    if style.thousands:
        texts = pc.replace_substring_regex(
            texts,
            "[' \u00a0\u2009\u202f’]" if style.thousands in " '" else "[.]" if style.thousands == "." else ",",
            "",
        )
    if style.decimal == ",":
        # A point is no part of such a number: it is turned into something that is refused.
        texts = pc.replace_substring(pc.replace_substring(texts, ".", "?"), ",", ".")
    return texts


def _chunked(column: Any) -> Any:
    import pyarrow as pa

    return column if isinstance(column, pa.ChunkedArray) else pa.chunked_array([column])


def _doubtful(values: NDArray[np.float64], column: SensorColumn) -> list[Caveat]:
    """Readings that are used as they stand, although a card at work hardly has them."""
    caveats = []
    zeros = int(np.count_nonzero(values == 0.0))
    unit = SENSOR_COLUMNS[column.quantity][1]
    if zeros and column.quantity in NEVER_ZERO:
        caveats.append(
            Caveat(
                code="sensor-zeros",
                message=f"{zeros} of {values.size} readings in column {column.column.shown} are exactly 0, which "
                f"{column.quantity} of a card at work is not. They are used as they stand: if 0 stands for no reading, "
                "empty those cells.",
            )
        )
    largest = float(values.max(initial=0.0))
    if 0.0 < largest <= LEAST_HIGH.get(column.quantity, 0.0):
        caveats.append(
            Caveat(
                code="sensor-unit-doubtful",
                message=f"No reading in column {column.column.shown} is above {largest:.3g} (in {unit}), which is too "
                f"low for {column.quantity}. Is its unit another? A sensor layout states it, such as "
                f'{column.quantity}_unit = "{unit}".',
            )
        )
    return caveats


def reading_caveats(found: Readings, column: SensorColumn) -> list[Caveat]:
    """What must be known about the cells of one column."""
    caveats = []
    if found.outside.any():
        unit = SENSOR_COLUMNS[column.quantity][1]
        caveats.append(
            Caveat(
                code="sensor-out-of-range",
                message=f"{int(found.outside.sum())} readings in column {column.column.shown} are beyond anything that "
                f"{column.quantity} can be (in {unit}); they are left out. Did the unit change within the log?",
                weight=Weight.CARE,
            )
        )
    caveats += _doubtful(found.values[np.isfinite(found.values)], column)
    if found.broken.any():
        caveats.append(
            Caveat(
                code="sensor-cells-unreadable",
                message=f"{int(found.broken.sum())} cells in column {column.column.shown} hold no number in its unit; "
                "they are left out.",
                weight=Weight.CARE,
            )
        )
    if len(found.units) > 1:
        caveats.append(
            Caveat(
                code="sensor-unit-mixed",
                message=f"Cells in column {column.column.shown} are in {' and in '.join(found.units)}; each is "
                "converted by its own unit.",
                weight=Weight.NOTE,
            )
        )
    return caveats
