"""The chart files of a review, drawn in several processes."""

from __future__ import annotations

import atexit
import os
import pickle
import tempfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from frametime.errors import OutputError
from frametime.pipeline.measuring_many import worker_count
from frametime.render.charts.theme import Theme
from frametime.replacing import write_bytes
from frametime.review.result import ReviewResult

if TYPE_CHECKING:
    from frametime.render.charts.drawings import Drawing

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

    Nothing is drawn before the first file is asked for; then all are drawn, in several processes.
    """
    return _Charts(result, request, workers).writers()


def chart_contents(
    result: ReviewResult, request: ChartRequest, names: Sequence[str], *, workers: int | None = None
) -> dict[str, bytes]:
    """Some charts by name, as the content of a file in the first format of the request.

    Raises
    ------
    KeyError
        If the review has no chart of one of these names.
    """
    charts = _Charts(result, request, workers)
    charts.choose(names)
    try:
        return {name: charts.content(name, request.formats[0]) for name in names}
    finally:
        charts.close()


class _Charts:
    """The drawings of one review; they are started together, when the first is needed."""

    def __init__(self, result: ReviewResult, request: ChartRequest, workers: int | None) -> None:
        self._result, self._request = result, request
        self._workers = worker_count() if workers is None else workers
        self._pool: ProcessPoolExecutor | None = None
        self._futures: dict[tuple[str, str], Future[bytes]] = {}
        self._handed_over: Path | None = None
        self._has_curves = False
        self._drawings: dict[str, Drawing] = {}

    def writers(self) -> dict[str, Callable[[Path], None]]:
        """File names to what writes them."""
        self._drawings = _drawings(self._result, self._request)
        files = [(name, ending) for name in self._drawings for ending in self._request.formats]
        return {
            f"{self._request.folder}/{name}.{ending}": _Writer(
                charts=self, name=name, ending=ending, is_last=(name, ending) == files[-1]
            )
            for name, ending in files
        }

    def choose(self, names: Sequence[str]) -> None:
        """Draw these only."""
        known = _drawings(self._result, self._request)
        self._drawings = {name: known[name] for name in names}

    def content(self, name: str, ending: str) -> bytes:
        """The bytes of one file."""
        if not self._has_curves:
            self._read_curves()
        n_files = len(self._drawings) * len(self._request.formats)
        if self._workers < 2 or n_files <= _FEW:
            from frametime.render.charts.figure_files import figure_bytes

            return figure_bytes(self._drawings[name](), self._request.theme_value(), ending)
        if self._pool is None:
            self._start()
        try:
            return self._futures[name, ending].result()
        except BrokenExecutor as error:
            raise OutputError(
                "the processes that draw charts ended without an answer; in a script of your own, put the call below "
                "if __name__ == '__main__':"
            ) from error

    def _read_curves(self) -> None:
        """Read the curves that are drawn once, before the review is handed to other processes."""
        from frametime.pipeline.kept_runs import read_curves
        from frametime.render.charts.drawings import typical_runs

        if any(name.startswith(tuple(_OF_CURVES)) for name in self._drawings):
            typical = [typical_runs(self._result, cell).values() for cell in self._result.cuts[0].cells]
            read_curves([run for runs in typical for run in runs if run is not None], workers=self._workers)
        self._has_curves = True

    def _start(self) -> None:
        import multiprocessing

        # The review goes through a file: were it large and a new process to end before it reads, as one does in a
        # script without the guard, the start of that process would wait forever.
        handle, name = tempfile.mkstemp(prefix="frametime-", suffix=".review")
        self._handed_over = Path(name)
        atexit.register(self._handed_over.unlink, missing_ok=True)
        with os.fdopen(handle, "wb") as stream:
            # Read-only mappings, of which a result is full, are packed as `measuring_many` says.
            pickle.dump((self._result, self._request), stream, protocol=pickle.HIGHEST_PROTOCOL)
        self._pool = ProcessPoolExecutor(
            max_workers=self._workers,
            mp_context=multiprocessing.get_context("spawn"),
            initializer=_receive,
            initargs=(name,),
        )
        self._futures = {
            (name, ending): self._pool.submit(_draw, name, ending)
            for name in self._drawings
            for ending in self._request.formats
        }

    def close(self) -> None:
        """End the other processes."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool, self._futures = None, {}
        if self._handed_over is not None:
            self._handed_over.unlink(missing_ok=True)
            self._handed_over = None


@dataclass(frozen=True, kw_only=True)
class _Writer:
    """Writes one chart to a path, and ends the drawing with the last one."""

    charts: _Charts
    name: str
    ending: str
    is_last: bool

    def __call__(self, path: Path) -> None:
        try:
            write_bytes(path, self.charts.content(self.name, self.ending))
        except OutputError:
            self.charts.close()
            raise
        if self.is_last:
            self.charts.close()


def _drawings(result: ReviewResult, request: ChartRequest) -> dict[str, Drawing]:
    from frametime.render.charts.drawings import review_figures

    return dict(review_figures(result, request.theme_value(), only=request.only))


_received: dict[str, Any] = {}


def _receive(path: str) -> None:
    """In another process: take the review once, for all figures that this process draws."""
    result, request = pickle.loads(Path(path).read_bytes())
    _received.update(request=request, drawings=_drawings(result, request))


def _draw(name: str, ending: str) -> bytes:
    from frametime.render.charts.figure_files import figure_bytes

    return figure_bytes(_received["drawings"][name](), _received["request"].theme_value(), ending)


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
