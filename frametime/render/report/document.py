"""A report as plain values: what is said, in which order, with every number's exact value and where it comes from.

A document knows nothing of HTML or Markdown. The two writers (`frametime.render.report.html` and
`frametime.render.report.markdown`) print any document, whether of a review or of a tuning record.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal, TypeAlias

Tone: TypeAlias = Literal["ahead", "behind", "tied", "undecided", "good", "care", "bad", "plain"]
ShownAs: TypeAlias = Literal["value", "change", "percent"]
ColumnKind: TypeAlias = Literal["text", "number", "range"]


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

    kind: ClassVar[str] = "number"

    text: str
    value: float | None
    origin: str = ""
    shown_as: ShownAs = "value"
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class Range:
    """An interval as it is shown: ``low`` and ``high`` in full precision; ``origin`` is that of the interval."""

    kind: ClassVar[str] = "range"

    text: str
    low: float
    high: float
    origin: str = ""
    shown_as: ShownAs = "value"


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A judgement: a word with a symbol, and a tone that the page may color."""

    kind: ClassVar[str] = "mark"

    word: str
    symbol: str
    tone: Tone


@dataclass(frozen=True, kw_only=True)
class Code:
    """Text that is to be read letter by letter: a file name, a key, a checksum."""

    kind: ClassVar[str] = "code"

    text: str


@dataclass(frozen=True, kw_only=True)
class Strip:
    """A small picture of one ratio: its interval on a scale, the margin as a band around no difference.

    All are ratios; ``reach`` is the greatest ratio on the scale, which runs from ``1 / reach`` to ``reach``.
    """

    kind: ClassVar[str] = "strip"

    value: float
    low: float
    high: float
    margin: float
    reach: float
    tone: Tone


Inline: TypeAlias = str | Number | Range | Mark | Code | Strip
Line: TypeAlias = tuple[Inline, ...]


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One cell of a table. ``sort`` orders the column; ``notes`` are numbers of the table's notes, from 1."""

    content: Line
    sort: float | str | None = None
    notes: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Column:
    """A column: its heading, what it holds, and whether the page offers its values as a choice."""

    heading: str
    kind: ColumnKind = "text"
    is_choice: bool = False


@dataclass(frozen=True, kw_only=True)
class Row:
    """Cells, one a column; the first is the row's heading. ``origin`` is where the row stands in the result."""

    cells: tuple[Cell, ...]
    origin: str = ""


@dataclass(frozen=True, kw_only=True)
class Note:
    """A caveat: ``weight`` is ``note``, ``care`` or ``repeat``; ``code`` is its stable name."""

    text: str
    weight: str
    code: str


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table with a caption.

    Attributes
    ----------
    key : str
        Letters, digits and hyphens; unique in the document.
    caption : str
        What the numbers are, and which way is better.
    notes : tuple of Note
        Caveats to which cells refer by number.
    is_long : bool
        The page lets it be sorted and filtered.
    folded_as : str or None
        When given, the table is folded away under these words until it is asked for.
    """

    kind: ClassVar[str] = "table"

    key: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    notes: tuple[Note, ...] = ()
    is_long: bool = False
    folded_as: str | None = None

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row.cells) != len(self.columns):
                raise ValueError(f"rows of {self.key!r} must have {len(self.columns)} cells, got {len(row.cells)}")


@dataclass(frozen=True, kw_only=True)
class Paragraph:
    """Sentences."""

    kind: ClassVar[str] = "paragraph"

    content: Line


@dataclass(frozen=True, kw_only=True)
class Notes:
    """Caveats that belong to a section or the whole, each under its weight."""

    kind: ClassVar[str] = "notes"

    notes: tuple[Note, ...]


@dataclass(frozen=True, kw_only=True)
class Definition:
    """A term, what it means here, and where that comes from."""

    term: str
    text: str
    source: str


@dataclass(frozen=True, kw_only=True)
class Definitions:
    """Terms with their meanings."""

    kind: ClassVar[str] = "definitions"

    items: tuple[Definition, ...]


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A chart: caption, the numbers of it in words, and the drawing.

    Attributes
    ----------
    key : str
        Letters, digits and hyphens; unique in the document.
    caption : str
        What is shown, and how it is read.
    alternative : str
        The main numbers in words, for who cannot see the drawing.
    svg : bytes
        The drawing in the light palette, letters as outlines.
    file : str or None
        Where the chart lies beside the report, for a text that cannot carry drawings.
    more : tuple of str
        Where further charts of the kind lie: other pages, cuts and metrics.
    """

    kind: ClassVar[str] = "figure"

    key: str
    caption: str
    alternative: str
    svg: bytes
    file: str | None
    more: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Fact:
    """A term and what stands to it."""

    term: str
    content: Line


@dataclass(frozen=True, kw_only=True)
class VerdictCard:
    """The verdict on one candidate, first thing on the page.

    Attributes
    ----------
    name : str
        Of what is judged.
    against : str
        What it is judged against and by what, in words.
    mark : Mark
    amount : Line
        The difference, largest on the card.
    range : Line
        Its interval in words.
    strip : Strip or None
    sentence : str
        The verdict in words.
    facts : tuple of Fact
    notes : tuple of Note
        Caveats of the judged comparison.
    origin : str
        Where the judged comparison stands in the result.
    """

    name: str
    against: str
    mark: Mark
    amount: Line
    range: Line
    sentence: str
    strip: Strip | None = None
    facts: tuple[Fact, ...] = ()
    notes: tuple[Note, ...] = ()
    origin: str = ""


@dataclass(frozen=True, kw_only=True)
class VerdictCards:
    """The verdicts side by side."""

    kind: ClassVar[str] = "verdicts"

    cards: tuple[VerdictCard, ...]


@dataclass(frozen=True, kw_only=True)
class Trace:
    """Frame times of one run, packed: see `frametime.render.report.frame_time_traces`."""

    label: str
    group: str
    duration_s: float
    n_steps: int
    packed: str


@dataclass(frozen=True, kw_only=True)
class TraceSet:
    """Runs that are looked at together."""

    label: str
    traces: tuple[Trace, ...]


@dataclass(frozen=True, kw_only=True)
class TraceView:
    """Frame times over time, to zoom and switch in the page. ``statement`` says what is left out."""

    kind: ClassVar[str] = "traces"

    key: str
    caption: str
    statement: str
    sets: tuple[TraceSet, ...]


Block: TypeAlias = Paragraph | Table | Figure | Notes | Definitions | VerdictCards | TraceView


@dataclass(frozen=True, kw_only=True)
class Section:
    """A heading and what stands under it. ``key`` is unique in the document."""

    key: str
    heading: str
    blocks: tuple[Block, ...] = ()
    sections: tuple[Section, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Report:
    """A whole report.

    Attributes
    ----------
    title : str
    subtitle : str
        What kind of report it is and what it covers, in one line.
    lead : tuple of Block
        What a reader in a hurry must see.
    cautions : tuple of str
        Warnings shown before everything else.
    sections : tuple of Section
    colophon : str
        By which version it was made.
    """

    title: str
    subtitle: str
    lead: tuple[Block, ...]
    cautions: tuple[str, ...]
    sections: tuple[Section, ...]
    colophon: str
