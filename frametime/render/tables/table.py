"""Tables as plain values: what stands in each cell, with its exact value and where that comes from.

Each thing that is shown is one table, made once from a result; terminal, Markdown, page and CSV write what it holds,
all of it or some of its columns and rows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, Literal, TypeAlias

from frametime.units import shown_unit

Tone: TypeAlias = Literal["ahead", "behind", "tied", "undecided", "good", "care", "bad", "plain"]
ShownAs: TypeAlias = Literal["value", "change", "percent"]
ColumnKind: TypeAlias = Literal["text", "number", "whole", "change", "money", "range", "truth", "strip"]
Datum: TypeAlias = str | float | bool | None


@dataclass(frozen=True, kw_only=True)
class Number:
    """A number as it is shown, with what it stands for.

    Attributes
    ----------
    text : str
        As people read it, unit included where it is not in the column's heading.
    value : float or None
        In full precision; ``None`` where there is no number.
    origin : str
        Where the value stands in the result: keys and positions with slashes between; relative to the origin
        of the row where the number stands in one. Empty for a number that is not in the result itself.
    shown_as : {'value', 'change', 'percent'}
        ``change`` where ``text`` is ``(value - 1) * 100`` in percent, ``percent`` where it is ``value * 100``.
    reason : str or None
        Why there is no number.
    """

    text: str
    value: float | None
    origin: str = ""
    shown_as: ShownAs = "value"
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class Range:
    """An interval as it is shown: ``low`` and ``high`` in full precision; ``origin`` is that of the interval."""

    text: str
    low: float
    high: float
    origin: str = ""
    shown_as: ShownAs = "value"


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A judgement: a word with a symbol, and a tone that the page may color."""

    word: str
    symbol: str
    tone: Tone


@dataclass(frozen=True, kw_only=True)
class Code:
    """Text that is to be read letter by letter: a file name, a key, a checksum."""

    text: str


@dataclass(frozen=True, kw_only=True)
class Strip:
    """A small picture of one ratio: its interval on a scale, the margin as a band around no difference.

    All are ratios; ``reach`` is the greatest ratio on the scale, which runs from ``1 / reach`` to ``reach``.
    """

    value: float
    low: float
    high: float
    margin: float
    reach: float
    tone: Tone


Inline: TypeAlias = str | Number | Range | Mark | Code | Strip
Line: TypeAlias = tuple[Inline, ...]


def plain_text(part: Inline) -> str:
    """A part in words alone."""
    match part:
        case str():
            return part
        case Mark():
            return f"{part.symbol} {part.word}"
        case Strip():
            return ""
        case _:
            return part.text


def line_text(content: Line, write: Callable[[Inline], str] = plain_text) -> str:
    """The parts in one text; an interval that follows its number stands in brackets."""
    parts: list[str] = []
    for before, part in zip(("", *content), content, strict=False):
        follows = isinstance(part, Range) and isinstance(before, Number)
        parts.append(f" ({write(part)})" if follows else write(part))
    return "".join(parts).strip()


@dataclass(frozen=True)
class Note:
    """A caveat: ``weight`` is ``note``, ``care`` or ``repeat``; ``code`` is its stable name."""

    text: str
    weight: str
    code: str


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One cell of a table.

    Attributes
    ----------
    content : Line
        What people read.
    sort : float, str or None
        Orders the column where the first number or mark of the content does not.
    data : str, float, bool or None
        What a file holds, and by what rows are chosen, where that is not the number in ``content``: a key where people
        read a label.
    notes : tuple of Note
        Caveats of what stands here.
    is_baseline : bool
        The row would be compared with itself here.
    """

    content: Line
    sort: float | str | None = None
    data: Datum = None
    notes: tuple[Note, ...] = ()
    is_baseline: bool = False

    @property
    def exact(self) -> Datum:
        """The value without its form."""
        number = next((part for part in self.content if isinstance(part, Number)), None)
        return self.data if number is None or self.data is not None else number.value


@dataclass(frozen=True)
class Column:
    """A column: what it holds, and how that is written.

    Attributes
    ----------
    key : str
        Unique in the table; where the values stand in a row's place in the result, unless ``origin`` says so.
    label : str
        Its heading, without the unit.
    kind : ColumnKind
        ``change`` is a ratio shown as a change in percent.
    unit : str
        Code of UCUM.
    digits : int
        Significant digits of a number as people read it.
    is_choice : bool
        The page offers its values as a choice.
    name : str
        Its name in files; empty where it is in none. Of a range, ``{end}`` stands for ``low`` and ``high``.
    """

    key: str
    label: str = ""
    kind: ColumnKind = "text"
    unit: str = ""
    digits: int = 4
    is_choice: bool = False
    origin: str = ""
    name: str = ""

    @property
    def heading(self) -> str:
        """Label and unit."""
        unit = shown_unit(self.unit)
        return f"{self.label} ({unit})" if unit and unit not in self.label else self.label

    @property
    def is_text(self) -> bool:
        """Whether words stand in it."""
        return self.kind in {"text", "truth", "strip"}


@dataclass(frozen=True)
class Row:
    """Cells, one a column; the first is the row's heading. ``origin`` is where the row stands in the result."""

    cells: tuple[Cell, ...]
    origin: str = ""


@dataclass(frozen=True)
class Table:
    """A table with a caption.

    Attributes
    ----------
    key : str
        Letters, digits and hyphens; unique in the document.
    caption : str
        What the numbers are, on which cells they rest, and which way is better.
    alone : str
        What the caption says where every row is the baseline's, in place of it; empty where that is the same.
    is_long : bool
        The page lets it be sorted and filtered.
    folded_as : str or None
        When given, the table is folded away under these words until it is asked for.
    """

    key: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    alone: str = ""
    is_long: bool = False
    folded_as: str | None = None

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row.cells) != len(self.columns):
                raise ValueError(f"rows of {self.key!r} must have {len(self.columns)} cells, got {len(row.cells)}")

    @cached_property
    def notes(self) -> tuple[Note, ...]:
        """Caveats to which cells refer by number, each once."""
        return tuple(dict.fromkeys(note for row in self.rows for cell in row.cells for note in cell.notes))

    def note_numbers(self, cell: Cell) -> tuple[int, ...]:
        """Numbers of the notes of a cell, from 1."""
        return tuple(dict.fromkeys(self.notes.index(note) + 1 for note in cell.notes))

    @cached_property
    def _places(self) -> Mapping[str, int]:
        return {column.key: place for place, column in enumerate(self.columns)}

    def has(self, key: str) -> bool:
        """Whether there is a column of that key."""
        return key in self._places

    def exact(self, row: Row, key: str) -> Datum:
        """The value of a row in a column."""
        return row.cells[self._places[key]].exact

    def line(self, row: Row, key: str) -> Line:
        """What people read of a row in a column, to stand elsewhere: origins begin at the top of the result."""
        return tuple(
            replace(part, origin=f"/{row.origin}/{part.origin}")
            if isinstance(part, (Number, Range)) and part.origin
            else part
            for part in row.cells[self._places[key]].content
        )

    def where(self, chosen: Callable[[Row], bool] | None = None, **exact: Datum) -> Table:
        """The rows with these values in these columns, and for which ``chosen`` holds."""
        rows = (row for row in self.rows if all(self.exact(row, key) == value for key, value in exact.items()))
        return replace(self, rows=tuple(row for row in rows if chosen is None or chosen(row)))

    def without_comparison(self) -> Table:
        """Where every row is the baseline's, as in a review of one card: without what it is compared by."""
        compared = {key for key, at in self._places.items() if all(row.cells[at].is_baseline for row in self.rows)}
        if not self.rows or not compared:
            return self
        kept = [column.key for column in self.columns if column.key not in compared | _COMPARED]
        return self.view(*kept, caption=self.alone or self.caption, folded_as=self.folded_as)

    def view(
        self,
        *columns: str | tuple[str, ...],
        key: str | None = None,
        caption: str | None = None,
        labels: Mapping[str, str] | None = None,
        long_from: int | None = None,
        folded_as: str | None = None,
    ) -> Table:
        """Some of the columns. Columns in a tuple share one: a number and, behind it, its interval.

        Parameters
        ----------
        labels : Mapping of str to str, optional
            Other labels for columns, by their keys.
        long_from : int, optional
            With more rows than that the table is long; without it, it is so as before.
        """
        groups = [(item,) if isinstance(item, str) else item for item in columns]
        places = [[self._places[name] for name in group] for group in groups]
        shown = [self.columns[group[0]] for group in places]
        return Table(
            key or self.key,
            self.caption if caption is None else caption,
            tuple(replace(item, label=(labels or {}).get(item.key, item.label)) for item in shown),
            tuple(
                replace(row, cells=tuple(_together([row.cells[place] for place in group]) for group in places))
                for row in self.rows
            ),
            alone=self.alone if caption is None else "",
            is_long=self.is_long if long_from is None else len(self.rows) > long_from,
            folded_as=folded_as,
        )


_COMPARED: Final = {"place", "others", "baseline_mean_value", "break_even_price", "baseline_break_even_price"}
"""Keys of columns that say nothing of one card alone."""


def _together(cells: Sequence[Cell]) -> Cell:
    """Cells as one. What has no number has no interval either; an interval that is missing stands in brackets."""
    first, *rest = cells
    if not rest or _is_missing(first):
        return first
    kept = [cell for cell in rest if cell.content != first.content]
    content = first.content
    for cell in kept:
        content = (*content, " (", *cell.content, ")") if _is_missing(cell) else (*content, *cell.content)
    return replace(first, content=content, notes=(*first.notes, *(note for cell in kept for note in cell.notes)))


def _is_missing(cell: Cell) -> bool:
    return isinstance(cell.content[0], Number) and cell.content[0].value is None
