"""The files of a review: written together into a folder, or not at all."""

from __future__ import annotations

import io
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from frametime.errors import OutputError
from frametime.pipeline.chart_files import ChartRequest, chart_writers
from frametime.pipeline.report_files import report_files
from frametime.pipeline.review_schema import review_json
from frametime.pipeline.review_tables import cells_csv, runs_table, standings_csv
from frametime.review.result import ReviewResult

KEPT_RUNS_FOLDER: Final = "kept_runs"
RESULT_FILE: Final = "result.json"
_MAKING_PREFIX: Final = ".review-"


@dataclass(frozen=True, kw_only=True)
class DrawnOutputs:
    """Which of the slow outputs are wanted; ``request`` says which charts, and how they look."""

    charts: bool
    report: bool
    request: ChartRequest = field(default_factory=ChartRequest)


def write_review(
    result: ReviewResult, folder: Path, *, drawn: DrawnOutputs, force: bool, escape_formulas: bool = False
) -> tuple[str, ...]:
    """Write every output of a review.

    All files are made in a new folder inside ``folder`` and renamed when the last one is there; ``result.json``
    comes last, so that a folder with it is whole. When the files are there already with the same content, nothing
    is written. A run that was killed leaves its new folder behind; the next one that ends well goes on where it stood
    and removes that folder. With ``escape_formulas`` text in CSV that a spreadsheet would take for a formula gets an
    apostrophe in front.

    Returns
    -------
    tuple of str
        Names of the files, below ``folder``, in the order in which they were made.

    Raises
    ------
    OutputError
        When a file is there with other content and ``force`` is not given, or the folder cannot be written.
    """
    files = text_files(result, escape_formulas=escape_formulas)
    chosen = dict(drawn_files(result, drawn))
    is_unchanged = all(_holds(folder / name, content) for name, content in files.items())
    present = [name for name in (*files, *chosen) if (folder / name).exists()]
    leftovers = sorted(folder.glob(f"{_MAKING_PREFIX}*"))
    was_interrupted = any(_holds(left / RESULT_FILE, files[RESULT_FILE]) for left in leftovers)
    if present and not is_unchanged and not force and not was_interrupted:
        more = f", as do {len(present) - 1} more" if len(present) > 1 else ""
        raise OutputError.at(
            str(folder / present[0]),
            f"the file exists and holds another result{more}",
            helps="--force replaces it, or name another --out",
        )
    if is_unchanged and not force:
        # Drawn files are functions of the result: what is there need not be drawn again.
        chosen = {name: write for name, write in chosen.items() if name not in present}
        if not chosen:
            _clear(leftovers)
            return (*present[len(files) :], *files)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=_MAKING_PREFIX, dir=folder) as making:
            names = _make(Path(making), files, chosen)
            _put_in_place(Path(making), folder, names)
        _clear(leftovers)
    except OSError as error:
        raise OutputError.at(
            str(folder), f"cannot be written: {error.strerror or error}", helps="choose a folder that can be written"
        ) from error
    return tuple(names)


def has_leftovers(folder: Path) -> bool:
    """Whether a review that was killed left its unfinished files in the folder."""
    return any(folder.glob(f"{_MAKING_PREFIX}*"))


def text_files(result: ReviewResult, *, escape_formulas: bool = False) -> Mapping[str, bytes]:
    """The files that are made of text and numbers, by name; ``result.json`` last."""
    import pyarrow.parquet as pq

    runs = io.BytesIO()
    pq.write_table(runs_table(result), runs)
    return {
        "runs.parquet": runs.getvalue(),
        "cells.csv": cells_csv(result, escape_formulas=escape_formulas),
        "standings.csv": standings_csv(result, escape_formulas=escape_formulas),
        RESULT_FILE: review_json(result).encode("ascii"),
    }


def drawn_files(result: ReviewResult, drawn: DrawnOutputs) -> Iterator[tuple[str, Callable[[Path], None]]]:
    """Charts and report: name below the output folder, and what writes it to a path.

    This is the one place where the drawn outputs of a review are listed.
    """
    if drawn.charts:
        yield from chart_writers(result, drawn.request).items()
    if drawn.report:
        # The text form of the report shows the charts that lie beside it.
        beside = drawn.charts and drawn.request.only is None and "png" in drawn.request.formats
        yield from report_files(result, charts_folder=drawn.request.folder if beside else None).items()


def _make(making: Path, files: Mapping[str, bytes], chosen: Mapping[str, Callable[[Path], None]]) -> list[str]:
    names = []
    for name, write in chosen.items():
        (making / name).parent.mkdir(parents=True, exist_ok=True)
        write(making / name)
        names.append(name)
    for name, content in files.items():
        (making / name).write_bytes(content)
        names.append(name)
    return names


def _put_in_place(making: Path, folder: Path, names: list[str]) -> None:
    # The marker of a whole result goes first and comes back last.
    (folder / RESULT_FILE).unlink(missing_ok=True)
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.move(making / name, folder / name)


def _clear(leftovers: list[Path]) -> None:
    """Remove what runs that were killed have left."""
    for left in leftovers:
        shutil.rmtree(left, ignore_errors=True)


def _holds(path: Path, content: bytes) -> bool:
    try:
        return path.stat().st_size == len(content) and path.read_bytes() == content
    except OSError:
        return False
