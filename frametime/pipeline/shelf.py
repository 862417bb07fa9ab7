"""The shelf: measured runs of earlier sessions in a folder of Parquet, ``session=NAME/card=NAME/runs.parquet``.

Each row is a run, with every metric of the catalog, its conditions, the hash of its capture and the parameters that it
was measured with; the whole of what was measured lies beside that, for a review to take it up again. A session is one
folder, which is put in place and taken away whole.
"""

from __future__ import annotations

import json
import shutil
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from frametime.errors import OutputError, PlanError, printable
from frametime.locking import alone_with
from frametime.pipeline.kept_runs import decoded_run, encoded_run
from frametime.pipeline.review_files import MeasuredPlan
from frametime.replacing import clear_leftovers, replacing_folder
from frametime.review.run_set import PlacedRun
from frametime.version import __version__

if TYPE_CHECKING:
    import polars as pl

    from frametime.plans.plan import ReviewPlan

SCHEMA: Final = "frametime.shelf/1"
_TEXTS: Final = (
    *("session", "card", "label", "scene", "resolution", "run", "recorded_from_utc", "file_name", "sha256"),
    *("driver", "operating_system", "card_settings", "scene_settings", "bench", "parameters", "version"),
)


def parameters_of(plan: ReviewPlan) -> str:
    """What the metrics of a plan are measured with, as a text that is the same for the same parameters."""
    return json.dumps(asdict(plan.measure), sort_keys=True, default=str)


def shelve(plan: ReviewPlan, measured: MeasuredPlan) -> tuple[str, int]:
    """Put the measured runs of a plan on its shelf, those that the plan leaves out excepted.

    Returns
    -------
    tuple
        The name of the session, and how many runs it has.

    Raises
    ------
    PlanError
        When the plan names no shelf, or no session and its runs do not tell their day.
    OutputError
        When the shelf holds another session of that name, or cannot be written.
    """
    if plan.shelf is None:
        raise PlanError.at(plan.file_name, "it names no shelf", helps='add [shelf] with folder = "../shelf"')
    runs = [run for run in measured.placed if run.name not in measured.design.exclusions]
    session = plan.shelf.session or _day_of(plan, runs)
    folder = plan.shelf.folder
    place = folder / f"session={quote(session, safe='')}"
    of_cards: dict[str, list[PlacedRun]] = defaultdict(list)
    for run in runs:
        of_cards[run.card].append(run)
    frames = {card: _frame(plan, measured, session, members) for card, members in of_cards.items()}
    with alone_with(folder):
        if place.exists() and not _is_same(folder, session, frames):
            helps = f"take it off first: frametime shelf remove {printable(str(folder))} '{printable(session)}'"
            raise OutputError.at(str(folder), f"it holds another session '{printable(session)}'", helps=helps)
        if not place.exists():
            with replacing_folder(place) as making:
                for card, frame in frames.items():
                    own = making / f"card={quote(card, safe='')}"
                    own.mkdir()
                    _write(frame, own / "runs.parquet")
            clear_leftovers(place)
    return session, len(runs)


def _day_of(plan: ReviewPlan, runs: Sequence[PlacedRun]) -> str:
    hours = [run.start_h for run in runs if run.start_h is not None]
    if not hours:
        helps = 'name the session: [shelf] session = "spring"'
        raise PlanError.at(plan.file_name, "its runs do not tell on which day they were made", helps=helps)
    return _time(min(hours))[:10]


def _time(hours: float) -> str:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(hours=hours)).strftime("%Y-%m-%dT%H:%M:%SZ")


def _frame(plan: ReviewPlan, measured: MeasuredPlan, session: str, runs: Sequence[PlacedRun]) -> pl.DataFrame:
    import polars as pl

    from frametime.metrics.catalog.catalog import CATALOG

    bench = plan.resolved.get("bench")
    about: dict[str, object] = {
        "session": session,
        "bench": " · ".join(map(str, bench)) if isinstance(bench, list) else None,
        "parameters": parameters_of(plan),
        "version": __version__,
    }
    rows: list[dict[str, object]] = []
    for run in runs:
        values = run.measured.values
        rows.append(
            {
                **about,
                **{name: getattr(run, name) for name in ("card", "scene", "resolution", "run")},
                "label": measured.design.label(run.card),
                "recorded_from_utc": None if run.start_h is None else _time(run.start_h),
                "file_name": run.measured.provenance.file_name,
                "sha256": run.measured.provenance.sha256,
                **{
                    name: getattr(run.measured.conditions, name)
                    for name in ("driver", "operating_system", "card_settings", "scene_settings")
                },
                **{key: values[key].value if key in values else None for key in CATALOG},
                "measured": encoded_run(run.measured),
            }
        )
    schema: dict[str, Any] = dict.fromkeys(_TEXTS, pl.String) | dict.fromkeys(CATALOG, pl.Float64)
    return pl.DataFrame(rows, schema={**schema, "measured": pl.Binary})


def _write(frame: pl.DataFrame, path: Path) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    from frametime.metrics.catalog.catalog import CATALOG

    table = frame.to_arrow()
    fields = [
        field.with_metadata({"unit": CATALOG[field.name].unit}) if field.name in CATALOG else field
        for field in table.schema
    ]
    pq.write_table(table.cast(pa.schema(fields, metadata={"frametime": SCHEMA})), path, compression="zstd")


def runs_on(folder: Path) -> pl.LazyFrame:
    """All runs of a shelf, read as far as they are asked for.

    Raises
    ------
    OutputError
        When there is no shelf.
    """
    import polars as pl

    if not any(folder.glob("session=*/card=*/runs.parquet")):
        raise OutputError.at(
            str(folder), "this is no shelf, or an empty one", helps="frametime review --shelve fills it"
        )
    return pl.scan_parquet(folder / "session=*" / "card=*" / "runs.parquet", hive_partitioning=False, glob=True)


def _is_same(folder: Path, session: str, frames: dict[str, pl.DataFrame]) -> bool:
    import polars as pl

    there = runs_on(folder).filter(pl.col("session") == session).collect()
    made = pl.concat(list(frames.values()))
    order = ["card", "scene", "resolution", "run"]
    return there.sort(order).equals(made.sort(order))


def sessions_on(folder: Path, card: str | None = None) -> pl.DataFrame:
    """Each card of each session, or the cells of one card: how many runs, when, and with which driver."""
    import polars as pl

    runs = runs_on(folder)
    by = ["session", "card"]
    if card is not None:
        runs, by = runs.filter(pl.col("card") == card), ["session", "scene", "resolution"]
    return (
        runs.group_by(by)
        .agg(
            pl.col("label").first(),
            pl.struct("scene", "resolution").n_unique().alias("cells"),
            pl.len().alias("runs"),
            pl.col("average_fps").log().mean().exp().alias("average_fps"),
            pl.col("recorded_from_utc").min().str.slice(0, 10).alias("day"),
            pl.col("driver").first(),
            pl.col("scene_settings").first(),
        )
        .sort(by)
        .collect()
    )


def take_off(folder: Path, session: str) -> None:
    """Take a session off a shelf.

    Raises
    ------
    OutputError
        When it holds none of that name.
    """
    place = folder / f"session={quote(session, safe='')}"
    if not place.is_dir():
        names = sorted(set(sessions_on(folder)["session"]))
        held = ", ".join(f"'{printable(name)}'" for name in names)
        raise OutputError.at(str(folder), f"it holds no session '{printable(session)}'", helps=f"it holds {held}")
    with alone_with(folder):
        # One rename takes it away; what is left of it is then removed at leisure.
        aside = place.with_name(f".{place.name}.taken.old")
        place.rename(aside)
        shutil.rmtree(aside, ignore_errors=True)


def placed_runs(frame: pl.DataFrame) -> list[PlacedRun]:
    """Rows of a shelf as runs of a review."""
    from frametime.review.run_set import run_name

    runs = []
    for row in frame.iter_rows(named=True):
        place = [row[name] for name in ("card", "scene", "resolution", "run")]
        measured = decoded_run(row["measured"])
        card, scene, resolution, run = place
        runs.append(
            PlacedRun(name=run_name(*place), card=card, scene=scene, resolution=resolution, run=run, measured=measured)
        )
    return runs
