"""The chart files of a tuning record and of an endurance run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from frametime.pipeline.chart_files import ChartRequest
from frametime.pipeline.compare_files import named_theme
from frametime.render.theme import Theme
from frametime.replacing import refuse_existing, write_bytes
from frametime.tuning.tuning_summary import TuningSummary

if TYPE_CHECKING:
    from frametime.capture import Capture
    from frametime.metrics.metric import MeasuredRun
    from frametime.tuning.endurance_verdict import EnduranceVerdict

_VECTOR_COLUMNS: Final = 1200


def write_tuning_charts(
    summary: TuningSummary, folder: Path, *, request: ChartRequest | None = None, force: bool = False
) -> tuple[Path, ...]:
    """Draw the charts of a tuning record into ``folder``.

    Parameters
    ----------
    summary : TuningSummary
    folder : Path
        Made where it is missing.
    request : ChartRequest or None
    force : bool
        Replace files that are there.

    Returns
    -------
    tuple of Path

    Raises
    ------
    OutputError
        If a file is there already and ``force`` is not set, or the folder cannot be written.
    """
    from frametime.render.charts.drawings import tuning_figures
    from frametime.render.figure_files import figure_bytes

    request = ChartRequest() if request is None else request
    theme = request.theme_value()
    drawings = tuning_figures(summary, theme, only=request.only)
    paths = [folder / f"{name}.{ending}" for name, _ in drawings for ending in request.formats]
    refuse_existing(paths, force=force)
    for name, drawing in drawings:
        figure = drawing()
        for ending in request.formats:
            write_bytes(folder / f"{name}.{ending}", figure_bytes(figure, theme, ending))
    return tuple(paths)


def plot_endurance(
    capture: Capture,
    run: MeasuredRun,
    verdict: EnduranceVerdict,
    out_path: Path,
    *,
    theme: str = "light",
    size: str = "web",
    force: bool = False,
) -> None:
    """Draw one endurance run.

    Parameters
    ----------
    capture : Capture
    run : MeasuredRun
        The capture, measured.
    verdict : EnduranceVerdict
        Of the run.
    out_path : Path
        File to write; its ending is the format.
    theme, size : str
        Names of ``frametime.render.theme``.
    force : bool
        Replace a file that is there.

    Raises
    ------
    OutputError
        If the file is there already, its ending is no format, there is no such theme or size, or it cannot be written.
    """
    from frametime.render.charts.endurance import draw_endurance
    from frametime.render.figure_files import format_of, write_figure

    look: Theme = named_theme(theme, size)
    is_vector = format_of(out_path) != "png"
    refuse_existing([out_path], force=force)
    figure = draw_endurance(capture, run, verdict, look, n_columns=_VECTOR_COLUMNS if is_vector else None)
    write_figure(figure, look, out_path, force=force)
