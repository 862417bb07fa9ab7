"""Charts of a few captures: one with its sensors, or several side by side, without a plan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.capture import Capture
from frametime.errors import OutputError
from frametime.metrics.metric import MeasuredRun
from frametime.pipeline.chart_files import known_keys
from frametime.pipeline.measuring import MeasureRequest, measure_file, sensor_log_hint
from frametime.render.charts.chart_catalog import keys_for
from frametime.render.charts.theme import SIZES, Theme
from frametime.replacing import claiming, refuse_existing, write_bytes

if TYPE_CHECKING:
    from frametime.render.charts.drawings import Drawing
    from frametime.render.charts.run_traces import RunTrace
    from frametime.tuning.judging.endurance_verdict import EnduranceVerdict

COMPARE_KEYS: Final = keys_for("capture", "captures")

_VECTOR_COLUMNS: Final = 1200


def plot_run(
    capture: Capture,
    run: MeasuredRun,
    out_path: Path,
    *,
    verdict: EnduranceVerdict | None = None,
    theme: str = "light",
    size: str = "web",
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
    verdict : EnduranceVerdict, optional
        Of an endurance run.
    theme, size : str
        Names of ``frametime.render.charts.theme``.
    force : bool
        Replace a file that is there.

    Raises
    ------
    OutputError
        If the file is there already, its ending is no format, there is no such theme or size, or it cannot be written.
    """
    from frametime.render.charts.endurance import draw_endurance
    from frametime.render.charts.figure_files import format_of, write_figure
    from frametime.render.charts.frame_times import draw_frame_times

    look = named_theme(theme, size)
    n_columns = _VECTOR_COLUMNS if format_of(out_path) != "png" else None
    refuse_existing([out_path], force=force)
    if verdict is None:
        figure = draw_frame_times(capture, run, look, n_columns=n_columns)
    else:
        figure = draw_endurance(capture, run, verdict, look, n_columns=n_columns)
    write_figure(figure, look, out_path, force=force)


def named_theme(theme: str, size: str, *, transparent: bool = False) -> Theme:
    """The theme of these names.

    Raises
    ------
    OutputError
        If there is none; the message lists those there are.
    """
    if size not in SIZES:
        raise OutputError.at("--size", f"there is no size '{size}'", helps=f"use one of {', '.join(SIZES)}")
    try:
        return Theme.of(theme, size, transparent=transparent)
    except ValueError as error:
        raise OutputError.at("--theme", str(error)) from error


def compare_captures(
    requests: Sequence[MeasureRequest],
    folder: Path,
    *,
    theme: Theme,
    formats: Sequence[str] = ("png",),
    only: Sequence[str] | None = None,
    labels: Sequence[str] = (),
    title: str | None = None,
    force: bool = False,
    on_hint: Callable[[str], None] | None = None,
) -> tuple[Path, ...]:
    """Measure a few captures and draw them side by side.

    Parameters
    ----------
    requests : sequence of MeasureRequest
        Captures in the order in which they are shown.
    folder : Path
        Made where it is missing.
    theme : Theme
    formats : sequence of str
        Of ``png``, ``svg``, ``pdf``.
    only : sequence of str or None
        Keys of the charts: ``frame-times`` (one figure a capture), ``frame-time-panels``, ``percentiles``,
        ``distribution``.
    labels : sequence of str
        Names of the captures; by default what tells them apart.
    title : str or None
        Of the charts of several captures, in place of their own.
    force : bool
        Replace files that are there.
    on_hint : callable, optional
        Called with a sentence for each file that looks like a sensor log.

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
    ValueError
        If a key of ``only`` is not known.
    """
    from frametime.render.charts.figure_files import figure_bytes

    wanted = COMPARE_KEYS if only is None else known_keys(only, COMPARE_KEYS)
    names = _file_names(len(requests), wanted)
    paths = [folder / f"{name}.{ending}" for name in names for ending in formats]
    refuse_existing(paths, force=force)
    measured = [measure_file(request) for request in requests]
    if on_hint is not None:
        for request, (_, run) in zip(requests, measured, strict=True):
            if (hint := sensor_log_hint(request.path, run)) is not None:
                on_hint(hint)
    drawings = _drawings(measured, wanted, theme, labels, title)
    with claiming(paths, force=force, folder=folder):
        for name, draw in zip(names, drawings, strict=True):
            figure = draw()
            for ending in formats:
                write_bytes(folder / f"{name}.{ending}", figure_bytes(figure, theme, ending))
    return tuple(paths)


def _groups(n_runs: int) -> list[range]:
    """Runs of each figure of several runs."""
    from frametime.render.charts.frame_time_panels import MOST_RUNS

    n_groups = -(-n_runs // MOST_RUNS)
    length = -(-n_runs // n_groups)
    return [range(start, min(start + length, n_runs)) for start in range(0, n_runs, length)]


def _file_names(n_runs: int, wanted: Sequence[str]) -> list[str]:
    names = []
    n_groups = len(_groups(n_runs))
    for key in COMPARE_KEYS:
        if key not in wanted:
            continue
        if key == "frame-times":
            names += [key if n_runs == 1 else f"{key}-{number + 1}" for number in range(n_runs)]
        else:
            names += [key if n_groups == 1 else f"{key}-page{number + 1}" for number in range(n_groups)]
    return names


def _drawings(
    measured: Sequence[tuple[Capture, MeasuredRun]],
    wanted: Sequence[str],
    theme: Theme,
    given: Sequence[str],
    title: str | None,
) -> list[Drawing]:
    """In the order of the file names."""
    from functools import partial

    from frametime.render.charts.frame_time_panels import draw_frame_time_panels
    from frametime.render.charts.frame_times import draw_frame_times, pixel_columns
    from frametime.render.charts.run_distributions import draw_distribution, draw_percentiles
    from frametime.render.charts.run_traces import label_of, labels_of, trace_of_capture

    common, labels = labels_of([run for _, run in measured])
    if given:
        common, labels = "", list(given)
    found: list[Drawing] = []
    if "frame-times" in wanted:
        found += [
            partial(draw_frame_times, capture, run, theme, label=label_of(run) if common else label)
            for (capture, run), label in zip(measured, labels, strict=True)
        ]
    traces: list[RunTrace] = [
        trace_of_capture(capture, run, n_columns=pixel_columns(theme) // 2, label=label)
        for (capture, run), label in zip(measured, labels, strict=True)
    ]
    several = (
        ("frame-time-panels", draw_frame_time_panels, "Frame times"),
        ("percentiles", draw_percentiles, "Frame-time percentiles"),
        ("distribution", draw_distribution, "Spread of frame times"),
    )
    for key, draw, kind in several:
        if key in wanted:
            found += [
                partial(
                    draw,
                    [traces[place] for place in group],
                    theme,
                    title=title or (f"{kind}: {common}" if common else kind),
                )
                for group in _groups(len(measured))
            ]
    return found
