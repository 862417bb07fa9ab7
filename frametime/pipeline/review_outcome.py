"""A review from the plan to its files, and what it wrote and said, kept so that an unchanged review is over at once.

Comparing five hundred kept runs takes longer than finding out that nothing has changed: the plan, every capture, the
package, what was asked for and every file that was written are known by their SHA-256. Where one differs, the review is
made again.
"""

from __future__ import annotations

import hashlib
import json
import sys
from contextlib import suppress
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Final

from frametime.errors import OutputError
from frametime.pipeline.batch_rows import file_sha256
from frametime.pipeline.plan import ReviewPlan
from frametime.pipeline.review_files import review_inputs, review_plan
from frametime.pipeline.review_outputs import KEPT_RUNS_FOLDER, DrawnOutputs, has_leftovers, write_review
from frametime.replacing import clear_leftovers, write_bytes

OUTCOME_FILE: Final = "outcome.json"
"""In the folder of the kept runs."""

_PACKAGE: Final = Path(__file__).parent.parent
_LIBRARIES: Final = ("numpy", "scipy", "pyarrow", "matplotlib", "jinja2")


@dataclass(frozen=True, kw_only=True)
class ReviewOutcome:
    """What a review wrote and said.

    Attributes
    ----------
    names : tuple of str
        Files below the output folder, in the order in which they were made.
    summary : str
        What the terminal shows.
    n_unreadable : int
        Captures that could not be used.
    n_formulas : int
        Cells of the CSV files that a spreadsheet would take for formulas.
    """

    names: tuple[str, ...]
    summary: str
    n_unreadable: int
    n_formulas: int


@dataclass(frozen=True, kw_only=True)
class ReviewRequest:
    """What is asked of a review.

    Attributes
    ----------
    plan_file : pathlib.Path
    plan : ReviewPlan
        As it was read from that file.
    out : pathlib.Path
        Folder for the outputs.
    drawn : DrawnOutputs
    escape_formulas, force : bool
        See `write_review`.
    measure_again : bool
        Use nothing that was kept, and keep nothing.
    workers : int or None
        Processes that measure.
    """

    plan_file: Path
    plan: ReviewPlan
    out: Path
    drawn: DrawnOutputs
    escape_formulas: bool = False
    force: bool = False
    measure_again: bool = False
    workers: int | None = None


def make_review(request: ReviewRequest) -> ReviewOutcome:
    """Measure, compare and write; or find that all of it is there already.

    Raises
    ------
    PlanError, RunSetError, OutputError
        See `review_plan` and `write_review`.
    """
    if request.measure_again:
        return _made(request)
    clear_leftovers(request.out / KEPT_RUNS_FOLDER / OUTCOME_FILE)
    state = _state(request)
    outcome = None if state is None else _kept(request.out, state)
    if outcome is not None:
        return outcome
    outcome = _made(request)
    # Files that were written anew meanwhile gave another result than their state says.
    if state is not None and _state(request) == state:
        _keep(request.out, state, outcome)
    return outcome


def _made(request: ReviewRequest) -> ReviewOutcome:
    from frametime.pipeline.review_tables import formula_count
    from frametime.render.review_text import review_text

    kept_folder = None if request.measure_again else request.out / KEPT_RUNS_FOLDER
    result = review_plan(request.plan, kept_folder=kept_folder, workers=request.workers)
    names = write_review(
        result, request.out, drawn=request.drawn, force=request.force, escape_formulas=request.escape_formulas
    )
    return ReviewOutcome(
        names=names,
        summary=review_text(result, details_in="report.md" if request.drawn.report else "result.json"),
        n_unreadable=len(result.unreadable),
        n_formulas=0 if request.escape_formulas else formula_count(result),
    )


def _state(request: ReviewRequest) -> str | None:
    """What the outcome rests on, as 64 hexadecimal digits; ``None`` where it cannot be told."""
    try:
        inputs = review_inputs(request.plan, request.out / KEPT_RUNS_FOLDER)
        parts = {
            "plan": file_sha256(request.plan_file),
            "folder": str(request.plan.captures.folder),
            "inputs": inputs,
            "drawn": repr(request.drawn),
            "escape_formulas": request.escape_formulas,
            "package": _package_state(),
            "python": sys.version,
            "libraries": {name: version(name) for name in _LIBRARIES},
        }
    except OSError:
        return None
    text = json.dumps(parts, sort_keys=True)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _package_state() -> list[tuple[str, int, int]]:
    """Every file of the package with its size and time: an edited package is another one, whatever its version."""
    state = []
    for path in sorted(_PACKAGE.rglob("*")):
        if "__pycache__" not in path.parts and path.is_file():
            status = path.stat()
            state.append((path.relative_to(_PACKAGE).as_posix(), status.st_size, status.st_mtime_ns))
    return state


def _kept(out: Path, state: str) -> ReviewOutcome | None:
    """The outcome that was kept, when it is of this state and every file is as it was written."""
    import msgspec

    try:
        kept = msgspec.json.decode((out / KEPT_RUNS_FOLDER / OUTCOME_FILE).read_bytes(), type=_KeptOutcome)
        if kept.state != state or has_leftovers(out) or set(kept.files) != set(kept.outcome.names):
            return None
        if any(file_sha256(out / name) != digest for name, digest in kept.files.items()):
            return None
    except (OSError, msgspec.DecodeError):
        return None
    return kept.outcome


def _keep(out: Path, state: str, outcome: ReviewOutcome) -> None:
    """Keep the outcome. Where it cannot be written the next review is made again."""
    with suppress(OSError, OutputError):
        kept = _KeptOutcome(
            state=state, files={name: file_sha256(out / name) for name in outcome.names}, outcome=outcome
        )
        content = json.dumps(asdict(kept), ensure_ascii=True, indent=1)
        write_bytes(out / KEPT_RUNS_FOLDER / OUTCOME_FILE, content.encode("ascii"))


@dataclass(frozen=True, kw_only=True)
class _KeptOutcome:
    state: str
    files: dict[str, str]
    outcome: ReviewOutcome
