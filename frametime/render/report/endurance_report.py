"""The verdict of a long run as a document: criterion by criterion, each with its number and threshold."""

from __future__ import annotations

from typing import TYPE_CHECKING

from frametime.render.charts.chart_catalog import CATALOG

if TYPE_CHECKING:
    from frametime.capture import Capture
    from frametime.metrics.metric import MeasuredRun

from typing import Final

from frametime.render.report.document import READS_ONLY, Figure, Report, Section, VerdictCard, VerdictCards, listed
from frametime.render.tables.parts import mark, number
from frametime.render.tables.tuning import STATES, criteria_table
from frametime.tuning.judging.endurance_verdict import EnduranceVerdict

COLUMNS: Final = 600
"""Columns in which the frame times of an endurance run are drawn: least and greatest of each."""


def endurance_report(verdict: EnduranceVerdict, *, figures: tuple[Figure, ...] = ()) -> Report:
    """The document of one endurance run."""
    card = VerdictCard(
        name=verdict.file_name,
        against="Endurance run",
        mark=mark(verdict.word, STATES[verdict.word]),
        amount=(number(verdict.minutes, "minutes", "min", digits=3),),
        range=("length of the run",),
        sentence=verdict.sentence,
    )
    return Report(
        title="Endurance run",
        subtitle=verdict.file_name,
        lead=(VerdictCards((card,)),),
        cautions=verdict.cautions,
        sections=(
            Section("criteria", "Criteria", (*figures, criteria_table(verdict))),
            Section("not-known", "Not known", (listed(verdict.not_known, none="Everything could be measured."),)),
        ),
        colophon=READS_ONLY,
    )


def endurance_chart(capture: Capture, run: MeasuredRun, verdict: EnduranceVerdict) -> Figure:
    """Frame times and sensors of a long run."""
    from frametime.render.charts.figure_files import figure_bytes
    from frametime.render.charts.frame_times import draw_endurance
    from frametime.render.charts.theme import Theme

    theme = Theme.of()
    figure = draw_endurance(capture, run, verdict, theme)
    return Figure(
        key="chart-endurance",
        caption=CATALOG["endurance"].caption,
        alternative=f"{verdict.sentence} " + " ".join(f"{item.label}: {item.sentence}" for item in verdict.criteria),
        svg=figure_bytes(figure, theme, "svg"),
        file=None,
    )
