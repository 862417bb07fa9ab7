"""The verdict of a long run as a document: criterion by criterion, each with its number and threshold."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from frametime.render.report.document import (
    Block,
    Cell,
    Column,
    Figure,
    Mark,
    Note,
    Notes,
    Paragraph,
    Report,
    Row,
    Section,
    Table,
    Tone,
    VerdictCard,
    VerdictCards,
)
from frametime.render.report.parts import NoteList, cell, mark, quantity
from frametime.tuning.criterion import Criterion
from frametime.tuning.endurance_verdict import EnduranceVerdict
from frametime.version import __version__

_TONES: Final[Mapping[str, Tone]] = MappingProxyType(
    {
        "holds": "good",
        "does not hold": "bad",
        "not shown": "care",
        "passed": "good",
        "failed": "bad",
        "not measurable": "care",
    }
)


def endurance_report(verdict: EnduranceVerdict, *, figures: tuple[Figure, ...] = ()) -> Report:
    """The document of one endurance run."""
    card = VerdictCard(
        name=verdict.file_name,
        against="Endurance run",
        mark=_mark(verdict.word),
        amount=(quantity(verdict.minutes, "min", "minutes", digits=3),),
        range=("length of the run",),
        strip=None,
        sentence=verdict.sentence,
        facts=(),
        notes=(),
        origin="",
    )
    return Report(
        title="Endurance run",
        subtitle=verdict.file_name,
        lead=(VerdictCards(cards=(card,)),),
        cautions=verdict.cautions,
        sections=(
            Section(key="criteria", heading="Criteria", blocks=(*figures, _criteria(verdict))),
            Section(key="not-known", heading="Not known", blocks=_not_known(verdict)),
        ),
        colophon=f"Made by frametime {__version__}, which only reads logs: it sets no clock, no limit and no fan.",
    )


def _mark(word: str) -> Mark:
    return mark(word, _TONES[word])


def _criteria(verdict: EnduranceVerdict) -> Table:
    notes = NoteList()
    return Table(
        key="criteria-table",
        caption="What was looked at, what was found, and from where on it counts as failed.",
        columns=(
            Column(heading="Criterion"),
            Column(heading="State"),
            Column(heading="Found", kind="number"),
            Column(heading="Threshold"),
            Column(heading="In words"),
        ),
        rows=tuple(
            Row(cells=_cells(item, notes), origin=f"criteria/{number}") for number, item in enumerate(verdict.criteria)
        ),
        notes=notes.notes,
    )


def _cells(item: Criterion, notes: NoteList) -> tuple[Cell, ...]:
    found = quantity(item.value, item.unit, "value", digits=3, reason=item.sentence)
    return (
        cell(item.label),
        cell(_mark(item.state)),
        cell(found, notes=notes.why(found)),
        cell(item.threshold),
        cell(item.sentence),
    )


def _not_known(verdict: EnduranceVerdict) -> tuple[Block, ...]:
    if not verdict.not_known:
        return (Paragraph(content=("Everything could be measured.",)),)
    return (Notes(notes=tuple(Note(text=text, weight="note", code="") for text in verdict.not_known)),)
