"""Charts of a tuning record and of an endurance run for their reports, with their numbers in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from frametime.render.charts.catalog import CATALOG
from frametime.render.report.document import Figure
from frametime.tuning.endurance_verdict import EnduranceVerdict
from frametime.tuning.tuning_summary import MapCell, SettingRow, TuningSummary
from frametime.words import percent_change, percent_change_words

if TYPE_CHECKING:
    from frametime.capture import Capture
    from frametime.metrics.metric import MeasuredRun

COLUMNS: Final = 600
"""Columns in which the frame times of an endurance run are drawn: least and greatest of each."""


def tuning_charts(summary: TuningSummary) -> tuple[Figure, ...]:
    """Map and gain of a record, as far as there is something to draw."""
    from frametime.render.charts.tuning_charts import tuning_figures
    from frametime.render.figure_files import figure_bytes
    from frametime.render.theme import Theme

    theme = Theme.of()
    words = {"tuning-map": _map_words, "tuning-gain": _gain_words}
    return tuple(
        Figure(
            key=f"chart-{name}",
            caption=CATALOG[name].caption,
            alternative=words[name](summary),
            svg=figure_bytes(drawing(), theme, "svg"),
            file=None,
        )
        for name, drawing in tuning_figures(summary, theme)
    )


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


def _map_words(summary: TuningSummary) -> str:
    tried = [item for item in summary.map if item.status != "not tried"]
    parts = [f"{len(tried)} settings tried"]
    if summary.best is not None:
        parts.append(f"best {summary.best}")
    if summary.everyday is not None:
        parts.append(f"every day {summary.everyday}")
    return "; ".join([*parts, *map(_cell_words, tried)]) + "."


def _cell_words(item: MapCell) -> str:
    gain = f" with {percent_change(item.gain.value)} over stock" if item.gain is not None else ""
    failed = f" under {item.failed_under}" if item.status == "failed" and item.failed_under else ""
    return f"{item.setting} {item.status}{failed}{gain}"


def _gain_words(summary: TuningSummary) -> str:
    rows = [row for row in summary.settings if row.gain is not None]
    return "Average FPS over stock. " + "; ".join(map(_row_words, rows)) + "."


def _row_words(row: SettingRow) -> str:
    gain = "n/a" if row.gain is None else percent_change_words(row.gain.value, row.gain.interval)
    return f"{row.setting} under {row.workload}: {gain}"
