"""A report as plain values: what is said, in which order, with every number's exact value and where it comes from.

A document knows nothing of HTML or Markdown. The two writers (`frametime.render.report.html` and
`frametime.render.report.markdown`) print any document, whether of a review or of a tuning record.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final, TypeAlias

from frametime import __version__
from frametime.render.tables.table import Line, Mark, Note, Number, Range, Strip, Table
from frametime.words import entries

READS_ONLY: Final = f"Made by frametime {__version__}, which only reads logs: it sets no clock, no limit and no fan."
"""The colophon of what is said of tuning."""
_LONG_NAME: Final = 18


@dataclass(frozen=True)
class Paragraph:
    """Sentences."""

    content: Line


def said(*sentences: str) -> Paragraph:
    """Sentences without numbers of their own."""
    return Paragraph((" ".join(sentences),))


@dataclass(frozen=True)
class Notes:
    """Caveats that belong to a section or the whole, each under its weight."""

    notes: tuple[Note, ...]


def listed(sentences: Sequence[str], *, none: str) -> Paragraph | Notes:
    """Sentences as a list, or what is said where there are none."""
    return Notes(tuple(Note(text, "note", "") for text in sentences)) if sentences else said(none)


@dataclass(frozen=True)
class Definition:
    """A term, what it means here, and where that comes from."""

    term: str
    text: str
    source: str


@dataclass(frozen=True)
class Definitions:
    """Terms with their meanings."""

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
    narrow : bytes or None
        The same for a phone: narrow and high.
    file : str or None
        Where the chart lies beside the report, for a text that cannot carry drawings.
    is_of_a_row : bool
        The one before it has the same caption, which is not shown again.
    """

    key: str
    caption: str
    alternative: str
    svg: bytes
    file: str | None
    narrow: bytes | None = None
    is_of_a_row: bool = False


@dataclass(frozen=True)
class Fact:
    """A term and what stands to it."""

    term: str
    content: Line


@dataclass(frozen=True, kw_only=True)
class Bar:
    """One card as a bar.

    Attributes
    ----------
    label : str
    color : str
        The card's color as the page writes it: the same all over the page.
    value : Number
        How long the bar is.
    ends : Range or None
        Its interval, in the unit of the value.
    more : Line
        What stands behind the value.
    """

    label: str
    color: str
    value: Number
    ends: Range | None
    more: Line = ()


@dataclass(frozen=True, kw_only=True)
class Bars:
    """Bars from zero on one scale, in groups: each a label, which may be empty, and its bars.

    The caption is empty where the section says what the bars are.
    """

    key: str
    caption: str
    groups: tuple[tuple[str, tuple[Bar, ...]], ...]

    @property
    def longest(self) -> float:
        """The end of the scale."""
        bars = [bar for _, bars in self.groups for bar in bars]
        return max((bar.ends.high if bar.ends else bar.value.value or 0.0 for bar in bars), default=0.0) or 1.0

    @property
    def has_long_names(self) -> bool:
        """Whether a name needs a line of its own above its bar."""
        return any(len(bar.label) > _LONG_NAME for _, bars in self.groups for bar in bars)


@dataclass(frozen=True)
class Answers:
    """Questions and their answers, for a reader in a hurry."""

    facts: tuple[Fact, ...]


@dataclass(frozen=True)
class Folded:
    """Blocks that are folded away until they are asked for."""

    summary: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class ReaderChoice:
    """What a page needs to let its reader choose cells and prices: plain values, see `reader_choice`."""

    data: Mapping[str, object]


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


@dataclass(frozen=True)
class VerdictCards:
    """The verdicts side by side."""

    cards: tuple[VerdictCard, ...]


@dataclass(frozen=True, kw_only=True)
class TraceView:
    """Frame times over time, to zoom and switch in the page: plain values, see `frametime.render.report.page_data`.

    ``statement`` says what is left out.
    """

    key: str
    caption: str
    statement: str
    data: Mapping[str, object]


Block: TypeAlias = (
    Paragraph | Table | Figure | Notes | Definitions | Answers | Bars | Folded | ReaderChoice | VerdictCards | TraceView
)


@dataclass(frozen=True)
class Section:
    """A heading and what stands under it. ``key`` is unique in the document."""

    key: str
    heading: str
    blocks: tuple[Block, ...] = ()
    sections: tuple[Section, ...] = ()


def section(
    key: str, *blocks: Block | None, sections: tuple[Section, ...] = (), otherwise: str = "", **words: str
) -> Section:
    """A section with heading and first sentences as ``sections.txt`` beside this file has them.

    Tables without rows are left out. Where nothing else is under the heading, stands what is said ``otherwise``.
    ``words`` are for what stands in braces.
    """
    heading, lead, without = _section_texts()[key]
    told = (block.without_comparison() if isinstance(block, Table) else block for block in blocks)
    held = tuple(block for block in told if block and not (isinstance(block, Table) and not block.rows))
    texts = (lead, "-" if held or sections else otherwise or without)
    return Section(key, heading, (*(said(text.format(**words)) for text in texts if text != "-"), *held), sections)


def sentences(key: str, **words: str) -> str:
    """What ``sections.txt`` says first under a key, to stand behind a number."""
    return _section_texts()[key][1].format(**words)


@cache
def _section_texts() -> dict[str, list[str]]:
    return {key: told for key, *told in entries(Path(__file__).with_name("sections.txt").read_text("utf-8"))}


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
