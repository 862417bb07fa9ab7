"""Chart files: of a review, drawn in several processes, and of a few captures, without a plan."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from frametime.capture import Capture
from frametime.errors import OutputError
from frametime.metrics.frame_series import FrameSeries
from frametime.metrics.metric import MeasuredRun
from frametime.pipeline.measuring import MeasureRequest, measure_file, sensor_log_hint
from frametime.pipeline.measuring_many import Lost, WorkerLimits, WorkerPool, worker_count
from frametime.render.charts.chart_catalog import keys_for
from frametime.render.charts.theme import Theme
from frametime.replacing import claiming, write_bytes
from frametime.review.result import ReviewResult
from frametime.words import joined

if TYPE_CHECKING:
    from frametime.render.charts.drawings import Drawing
    from frametime.tuning.endurance_verdict import EnduranceVerdict


_Key: TypeAlias = tuple[str, str]
"""Name of a chart, and the ending of its file."""

FOLDER: Final = "charts"

_FEW: Final = 8
"""Up to so many files are drawn in this process: starting others would take longer."""


@dataclass(frozen=True, kw_only=True)
class ChartRequest:
    """Which charts are wanted, and how they look.

    Attributes
    ----------
    theme, size : str
        Names of ``frametime.render.charts.theme``.
    formats : tuple of str
        Of ``png``, ``svg``, ``pdf``.
    only : tuple of str or None
        Keys of the chart catalog; ``None`` for the first charts of the review, and those that its plan names.
    transparent : bool
        Leave the ground out.
    plan_folder : pathlib.Path or None
        Where the files lie that the plan names for its charts.
    """

    theme: str = "light"
    size: str = "web"
    formats: tuple[str, ...] = ("png",)
    only: tuple[str, ...] | None = None
    transparent: bool = False
    plan_folder: Path | None = None

    def with_looks_of(self, result: ReviewResult) -> tuple[ChartRequest, ...]:
        """The same charts in this look, and in each size and theme that the plan asks for."""
        themes = dict.fromkeys([self.theme, *result.published.get("themes", ())])
        sizes = dict.fromkeys([self.size, *result.published.get("sizes", ())])
        return tuple(replace(self, theme=theme, size=size) for theme in themes for size in sizes)

    @property
    def folder(self) -> str:
        """Name of the folder for these charts below that of the review.

        Other looks than the first have folders of their own: pictures for a page and for a video can lie side by side,
        and none is taken for the other.
        """
        if (self.theme, self.size, self.transparent) == ("light", "web", False):
            return FOLDER
        return f"{FOLDER}-{self.theme}-{self.size}" + ("-transparent" if self.transparent else "")

    def theme_value(self) -> Theme:
        """The theme of these names."""
        return replace(Theme.of(self.theme, self.size, transparent=self.transparent), plan_folder=self.plan_folder)

    def paths(self, folder: Path, names: Iterable[str]) -> tuple[Path, ...]:
        """The files of charts of these names in a folder."""
        return tuple(folder / f"{name}.{ending}" for name in names for ending in self.formats)


def chart_writers(
    result: ReviewResult, request: ChartRequest, *, workers: int | None = None
) -> Mapping[str, Callable[[Path], None]]:
    """Name of each chart file below the output folder, and what writes it to a path.

    Nothing is drawn before the first file is asked for; then all are drawn, in several processes. They are asked for
    in this order; some may be left out.
    """
    keys = [(name, ending) for name in _drawings(result, request) for ending in request.formats]
    drawn = _drawn(result, request, keys, workers)

    def write(key: _Key, path: Path) -> None:
        write_bytes(path, next(content for found, content in drawn if found == key)())

    return {f"{request.folder}/{name}.{ending}": partial(write, (name, ending)) for name, ending in keys}


def chart_contents(result: ReviewResult, request: ChartRequest, names: Sequence[str]) -> dict[str, bytes]:
    """Some charts by name, as the content of a file in the first format of the request.

    Raises
    ------
    KeyError
        If the review has no chart of one of these names.
    """
    keys = [(name, request.formats[0]) for name in names]
    return {name: content() for (name, _), content in _drawn(result, request, keys, None)}


def _drawn(
    result: ReviewResult, request: ChartRequest, keys: Sequence[_Key], workers: int | None
) -> Iterator[tuple[_Key, Callable[[], bytes]]]:
    """Name and format of each file with what gives its bytes; the processes end before the last is given.

    Raises
    ------
    OutputError
        Naming a chart that could not be drawn.
    """
    n_workers = worker_count() if workers is None else workers
    _read_curves(result, keys, n_workers)
    if n_workers < 2 or len(keys) <= _FEW:
        draw = _drawer((result, request))
        yield from ((key, partial(draw, key)) for key in keys)
        return
    with WorkerPool(_drawer, (result, request), workers=n_workers, limits=WorkerLimits()) as pool:
        for (name, ending), content in pool.map(keys):
            if isinstance(content, Lost):
                raise OutputError.at(f"{name}.{ending}", f"this chart could not be drawn: {content.reason}")
            if (name, ending) == keys[-1]:
                break
            yield (name, ending), partial(bytes, content)
    yield keys[-1], partial(bytes, content)


def _read_curves(result: ReviewResult, keys: Sequence[_Key], workers: int) -> None:
    """Read the curves that are drawn once, before the review is handed to other processes."""
    from frametime.pipeline.kept_runs import read_curves
    from frametime.render.charts.drawings import typical_runs

    if any(name.startswith(keys_for("review cells")) for name, _ in keys):
        typical = [typical_runs(result, cell).values() for cell in result.cuts[0].cells]
        read_curves([run for runs in typical for run in runs if run is not None], workers=workers)


def _drawings(result: ReviewResult, request: ChartRequest) -> dict[str, Drawing]:
    from frametime.render.charts.drawings import review_figures

    return dict(review_figures(result, request.theme_value(), only=request.only))


def _drawer(given: tuple[ReviewResult, ChartRequest]) -> Callable[[_Key], bytes]:
    """What draws a chart of a review by its name and format; a process takes the review once, for all of them."""
    from frametime.render.charts.chart_sheet import figure_bytes

    result, request = given
    drawings = _drawings(result, request)
    return lambda key: figure_bytes(drawings[key[0]](), request.theme_value(), key[1])


def left_out_words(result: ReviewResult, request: ChartRequest) -> str | None:
    """Kinds that were asked for and have nothing to show, or how to get the charts of a review that are not drawn.

    ``None`` where all are drawn.
    """
    from frametime.render.charts.drawings import left_out

    if empty := [key for key in request.only or () if not _drawings(result, replace(request, only=(key,)))]:
        return f"The runs and prices of this review give no chart of {joined(empty)}."
    if request.only is not None or not (missing := left_out(result, request.theme_value())):
        return None
    n_drawn, n_more = len(_drawings(result, request)), sum(missing.values())
    kinds = ", ".join(f"{key} ({number})" for key, number in missing.items())
    return (
        f"{n_drawn} charts drawn of {n_drawn + n_more}; for all of a kind use --only KEY, or name it in charts = [...] "
        f"in the plan: {kinds}"
    )


COMPARE_KEYS: Final = keys_for("capture", "captures")

_OF_ONE: Final = ("frame-times", "frame-time-band")
"""Charts of a single capture."""


def plot_run(
    capture: Capture,
    run: MeasuredRun,
    out_path: Path,
    *,
    theme: Theme,
    verdict: EnduranceVerdict | None = None,
    force: bool = False,
) -> None:
    """Draw the frame times of one capture, or an endurance run with its criteria.

    Parameters
    ----------
    capture : Capture
    run : MeasuredRun
        The capture, measured.
    out_path : Path
        File to write; its ending is the format.
    theme : Theme
    verdict : EnduranceVerdict, optional
        Of an endurance run.
    force : bool
        Replace a file that is there.

    Raises
    ------
    OutputError
        If the file is there already, its ending is no format, or it cannot be written.
    """
    from frametime.render.charts.chart_sheet import format_of, write_figure
    from frametime.render.charts.frame_times import VECTOR_COLUMNS, draw_endurance, draw_frame_times

    n_columns = VECTOR_COLUMNS if format_of(out_path) != "png" else None
    if verdict is None:
        figure = draw_frame_times(capture, run, theme, n_columns=n_columns)
    else:
        figure = draw_endurance(capture, run, verdict, theme)
    write_figure(figure, theme, out_path, force=force)


def compare_captures(
    captures: Sequence[MeasureRequest],
    folder: Path,
    *,
    request: ChartRequest,
    labels: Sequence[str] = (),
    title: str | None = None,
    force: bool = False,
    on_hint: Callable[[str], None] | None = None,
    on_numbers: Callable[[str], None] | None = None,
) -> tuple[Path, ...]:
    """Measure a few captures and draw them side by side.

    Parameters
    ----------
    captures : sequence of MeasureRequest
        In the order in which they are shown.
    folder : Path
        Made where it is missing.
    request : ChartRequest
        Keys of the charts: ``frame-times`` (one figure a capture), ``frame-time-panels``, ``percentiles``,
        ``distribution``, ``frame-time-overlay``; by default all but ``frame-time-band``, which is for long runs.
    labels : sequence of str
        Names of the captures; by default what tells them apart.
    title : str or None
        Of the charts of several captures, in place of their own.
    force : bool
        Replace files that are there.
    on_hint : callable, optional
        Called with a sentence for each file that looks like a sensor log.
    on_numbers : callable, optional
        Called with a line for each capture: its name and its main numbers.

    Returns
    -------
    tuple of Path
        The files, in the order of the catalog.

    Raises
    ------
    FrametimeError
        If a capture cannot be used.
    OutputError
        If a file is there already and ``force`` is not set, or the folder cannot be written.
    """
    from frametime.render.charts.frame_times import draw_frame_time_band, draw_frame_times, pixel_columns
    from frametime.render.charts.run_charts import RUN_CHARTS
    from frametime.render.charts.run_traces import label_of, labels_of, run_numbers, trace_of_series

    theme = request.theme_value()
    keys = request.only or [key for key in COMPARE_KEYS if key != "frame-time-band"]
    figures = _compared_figures([key for key in COMPARE_KEYS if key in keys], len(captures))
    paths = request.paths(folder, figures)
    with claiming(paths, force=force, folder=folder):
        measured = [measure_file(capture) for capture in captures]
        for capture, (_, run) in zip(captures, measured, strict=True):
            if on_hint is not None and (hint := sensor_log_hint(capture.path, run)) is not None:
                on_hint(hint)
        common, names = ("", labels) if labels else labels_of([run for _, run in measured])
        traces = [
            trace_of_series(FrameSeries.of(capture, run.options), run, n_columns=pixel_columns(theme) // 2, label=label)
            for (capture, run), label in zip(measured, names, strict=True)
        ]
        for name, (key, group) in figures.items():
            if key in _OF_ONE:
                draw = draw_frame_times if key == "frame-times" else draw_frame_time_band
                capture, run = measured[group.start]
                figure = draw(capture, run, theme, label=label_of(run) if common else names[group.start])
            else:
                chart = RUN_CHARTS[key]
                told = title or (f"{chart.title}: {common}" if common else chart.title)
                figure = chart(traces[group], theme, title=told)
            write_figure_files(figure, folder, name, request)
    if on_numbers is not None:
        for trace in traces:
            on_numbers(f"{trace.label}: {' · '.join(run_numbers(trace))}")
    return paths


def _compared_figures(keys: Sequence[str], n_runs: int) -> dict[str, tuple[str, slice]]:
    """Name of each figure of several captures, its chart and which of them it shows; those of one come first."""
    from frametime.render.charts.run_traces import MOST_RUNS

    n_pages = -(-n_runs // MOST_RUNS)
    found = {}
    for key in sorted(keys, key=lambda key: key not in _OF_ONE):
        length, word = (1, "") if key in _OF_ONE else (-(-n_runs // n_pages), "page")
        starts = range(0, n_runs, length)
        for number, start in enumerate(starts, 1):
            name = key if len(starts) == 1 else f"{key}-{word}{number}"
            found[name] = (key, slice(start, start + length))
    return found


def write_figure_files(figure: Any, folder: Path, name: str, request: ChartRequest) -> None:
    """Write a figure into a folder, in each format of the request."""
    from frametime.render.charts.chart_sheet import figure_bytes

    for path in request.paths(folder, [name]):
        write_bytes(path, figure_bytes(figure, request.theme_value(), path.suffix[1:]))
