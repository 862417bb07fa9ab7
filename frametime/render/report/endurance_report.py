"""The verdict of a long run as a document: criterion by criterion, each with its number and threshold."""

from __future__ import annotations

from typing import TYPE_CHECKING

from frametime.render.charts.chart_catalog import CATALOG

if TYPE_CHECKING:
    from frametime.capture import Capture
    from frametime.metrics.metric import MeasuredRun

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
from frametime.render.report.document_parts import NoteList, cell, mark, quantity, texts
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

COLUMNS: Final = 600
"""Columns in which the frame times of an endurance run are drawn: least and greatest of each."""


def endurance_report(verdict: EnduranceVerdict, *, figures: tuple[Figure, ...] = ()) -> Report:
    """The document of one endurance run."""
    card = VerdictCard(
        name=verdict.file_name,
        against="Endurance run",
        mark=_mark(verdict.word),
        amount=(quantity(verdict.minutes, "min", "minutes", digits=3),),
        range=("length of the run",),
        sentence=verdict.sentence,
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
        columns=(*texts("Criterion", "State"), Column(heading="Found", kind="number"), *texts("Threshold", "In words")),
        rows=tuple(
            Row(cells=_cells(item, notes), origin=f"criteria/{number}") for number, item in enumerate(verdict.criteria)
        ),
        notes=notes.notes,
    )


def _cells(item: Criterion, notes: NoteList) -> tuple[Cell, ...]:
    return (
        cell(item.label),
        cell(_mark(item.state)),
        notes.cell(quantity(item.value, item.unit, "value", digits=3, reason=item.sentence)),
        cell(item.threshold),
        cell(item.sentence),
    )


def _not_known(verdict: EnduranceVerdict) -> tuple[Block, ...]:
    if not verdict.not_known:
        return (Paragraph(content=("Everything could be measured.",)),)
    return (Notes(notes=tuple(Note(text=text, weight="note", code="") for text in verdict.not_known)),)


def endurance_chart(capture: Capture, run: MeasuredRun, verdict: EnduranceVerdict) -> Figure:
    """Frame times and sensors of a long run."""
    from frametime.render.charts.endurance import draw_endurance
    from frametime.render.figure_files import figure_bytes
    from frametime.render.theme import Theme

    theme = Theme.of()
    figure = draw_endurance(capture, run, verdict, theme, n_columns=COLUMNS)
    return Figure(
        key="chart-endurance",
        caption=CATALOG["endurance"].caption,
        alternative=f"{verdict.sentence} " + " ".join(f"{item.label}: {item.sentence}" for item in verdict.criteria),
        svg=figure_bytes(figure, theme, "svg"),
        file=None,
    )
