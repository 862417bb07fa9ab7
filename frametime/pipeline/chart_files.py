"""The chart files of a review, drawn in several processes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

from frametime.errors import OutputError
from frametime.pipeline.measuring_many import worker_count
from frametime.pipeline.worker_pool import Lost, WorkerLimits, WorkerPool
from frametime.render.charts.theme import Theme
from frametime.replacing import write_bytes
from frametime.review.result import ReviewResult

if TYPE_CHECKING:
    from frametime.render.charts.drawings import Drawing

_Key: TypeAlias = tuple[str, str]
"""Name of a chart, and the ending of its file."""

FOLDER: Final = "charts"

_FEW: Final = 8
"""Up to so many files are drawn in this process: starting others would take longer."""


_OF_CURVES: Final = frozenset({"frame-time-panels", "percentiles", "distribution"})
"""Charts that draw single runs."""


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
    """

    theme: str = "light"
    size: str = "web"
    formats: tuple[str, ...] = ("png",)
    only: tuple[str, ...] | None = None
    transparent: bool = False

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
        return Theme.of(self.theme, self.size, transparent=self.transparent)


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


def chart_contents(
    result: ReviewResult, request: ChartRequest, names: Sequence[str], *, workers: int | None = None
) -> dict[str, bytes]:
    """Some charts by name, as the content of a file in the first format of the request.

    Raises
    ------
    KeyError
        If the review has no chart of one of these names.
    """
    keys = [(name, request.formats[0]) for name in names]
    return {name: content() for (name, _), content in _drawn(result, request, keys, workers)}


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
        for (name, ending), content in zip(keys, pool.map(keys), strict=True):
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

    if any(name.startswith(tuple(_OF_CURVES)) for name, _ in keys):
        typical = [typical_runs(result, cell).values() for cell in result.cuts[0].cells]
        read_curves([run for runs in typical for run in runs if run is not None], workers=workers)


def _drawings(result: ReviewResult, request: ChartRequest) -> dict[str, Drawing]:
    from frametime.render.charts.drawings import review_figures

    return dict(review_figures(result, request.theme_value(), only=request.only))


def _drawer(given: tuple[ReviewResult, ChartRequest]) -> Callable[[_Key], bytes]:
    """What draws a chart of a review by its name and format; a process takes the review once, for all of them."""
    from frametime.render.charts.figure_files import figure_bytes

    result, request = given
    drawings = _drawings(result, request)
    return lambda key: figure_bytes(drawings[key[0]](), request.theme_value(), key[1])


def left_out_words(result: ReviewResult, request: ChartRequest) -> str | None:
    """How to get the charts of a review that are not drawn unless they are asked for; ``None`` where all are drawn."""
    from frametime.render.charts.drawings import left_out, review_figures

    if request.only is not None or not (missing := left_out(result, request.theme_value())):
        return None
    n_drawn, n_more = len(review_figures(result, request.theme_value())), sum(missing.values())
    kinds = ", ".join(f"{key} ({number})" for key, number in missing.items())
    return (
        f"{n_drawn} charts drawn of {n_drawn + n_more}; for all of a kind use --only KEY, or name it in charts = [...] "
        f"in the plan: {kinds}"
    )


def known_keys(keys: Sequence[str], known: Sequence[str]) -> tuple[str, ...]:
    """The keys, if all are known.

    Raises
    ------
    ValueError
        Naming the first that is not.
    """
    for key in keys:
        if key not in known:
            raise ValueError(f"there is no chart {key!r} here; known are {', '.join(known)}")
    return tuple(keys)
