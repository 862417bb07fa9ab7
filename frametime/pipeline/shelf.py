"""The shelf: measured runs of earlier sessions in a folder of Parquet, ``session=NAME/card=NAME/runs.parquet``.

Each row is a run, with every metric of the catalog, its conditions, the hash of its capture and the parameters that it
was measured with; the whole of what was measured lies beside that, for a review to take it up again. A session is one
folder, which is put in place and taken away whole.
"""

from __future__ import annotations

import json
import shutil
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from math import log
from os.path import relpath
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import quote, unquote

import polars as pl

from frametime import __version__
from frametime.caveats import Caveat
from frametime.errors import FrametimeError, OutputError, PlanError, did_you_mean, printable
from frametime.replacing import alone_with, clear_leftovers, replacing_folder, undivided
from frametime.words import first_of, joined

if TYPE_CHECKING:  # a list of the shelf does without what measures and judges
    from frametime.metrics.metric import Metric
    from frametime.plans.plan import ReviewPlan
    from frametime.plans.plan_keys import ShelfKeys
    from frametime.render.data_output import Column
    from frametime.review.design import Place, ReviewDesign
    from frametime.review.run_set import PlacedRun
    from frametime.review.sessions import OtherSessions

SCHEMA: Final = "frametime.shelf/1"
SUMS: Final = "sha256sums.txt"
"""In the folder of a session: the hash of each of its files, as ``sha256sum --check`` reads it."""
_RUNS: Final = "card=*/runs.parquet"
"""In the folder of a session: the runs of each card."""
_PLACE: Final = ("card", "scene", "resolution", "run")
_CONDITIONS: Final = ("driver", "operating_system", "card_settings", "scene_settings")
_TEXTS: Final = (
    *("session", "card", "label", "scene", "resolution", "run", "recorded_from_utc", "file_name", "sha256"),
    *(*_CONDITIONS, "scene_version", "bench", "parameters", "version", "plan"),
)


def parameters_of(plan: ReviewPlan) -> str:
    """What the metrics of a plan are measured with, as a text that is the same for the same parameters."""
    return json.dumps(asdict(plan.measure), sort_keys=True, default=str)


def shelf_of(plan: ReviewPlan) -> ShelfKeys:
    """The shelf that a plan names.

    Raises
    ------
    PlanError
        When it names none.
    """
    if plan.shelf is None:
        raise PlanError.at(plan.file_name, "it names no shelf", helps='add [shelf] with folder = "../shelf"')
    return plan.shelf


def shelve(plan: ReviewPlan, design: ReviewDesign, placed: Sequence[PlacedRun]) -> tuple[str, int]:
    """Put the measured runs of a plan on its shelf, those that the plan leaves out excepted.

    Returns
    -------
    tuple
        The name of the session, and how many runs it has.

    Raises
    ------
    PlanError
        When the plan names no shelf, leaves out every run, or names no session and its runs do not tell their day.
    OutputError
        When the shelf holds another session of that name, or cannot be written.
    """
    import pyarrow.parquet as pq

    from frametime.pipeline.measuring import file_sha256
    from frametime.render.data_output import arrow_schema

    shelf = shelf_of(plan)
    runs = [run for run in placed if run.name not in design.exclusions]
    if not runs:
        raise PlanError.at(plan.file_name, "no run is left to put on the shelf", helps="check [[exclude]]")
    session = shelf.session or _day_of(plan, runs)
    folder = Path(shelf.folder)
    place = folder / f"session={quote(session, safe='')}"
    frames = {
        card: _frame(plan, design, session, [run for run in runs if run.card == card])
        for card in dict.fromkeys(run.card for run in runs)
    }
    with alone_with(folder):
        if place.exists() and not _is_same(place, frames):
            helps = f"take it off first: frametime shelf remove {printable(str(folder))} '{printable(session)}'"
            raise OutputError.at(str(folder), f"it holds another session '{printable(session)}'", helps=helps)
        if not place.exists():
            with replacing_folder(place) as making:
                for card, frame in frames.items():
                    own = making / f"card={quote(card, safe='')}"
                    own.mkdir()
                    table = frame.to_arrow().cast(arrow_schema(_columns(plan), SCHEMA))
                    pq.write_table(table, own / "runs.parquet", compression="zstd")
                names = sorted(path.relative_to(making).as_posix() for path in making.glob(_RUNS))
                sums = (f"{file_sha256(making / name)}  {name}\n" for name in names)
                (making / SUMS).write_text("".join(sums), "utf-8", newline="\n")
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


def _frame(plan: ReviewPlan, design: ReviewDesign, session: str, runs: Sequence[PlacedRun]) -> pl.DataFrame:
    from frametime.pipeline.kept_runs import encoded_run
    from frametime.render.data_output import frame_of

    bench = plan.resolved.get("bench")
    about: dict[str, object] = {
        "session": session,
        "bench": " · ".join(map(str, bench)) if isinstance(bench, list) else None,
        "parameters": parameters_of(plan),
        "version": __version__,
        "plan": relpath(plan.file_name, shelf_of(plan).folder),
    }
    rows = [
        {
            **about,
            **{name: getattr(run, name) for name in _PLACE},
            "label": design.label(run.card),
            "recorded_from_utc": None if run.start_h is None else _time(run.start_h),
            "file_name": run.measured.provenance.file_name,
            "sha256": run.measured.provenance.sha256,
            "scene_version": plan.scenes[run.scene].version,
            **{name: getattr(run.measured.conditions, name) for name in _CONDITIONS},
            **{key: value.value for key, value in run.measured.values.items()},
            "measured": encoded_run(run.measured),
        }
        for run in runs
    ]
    return frame_of(rows, _columns(plan))


def _columns(plan: ReviewPlan) -> list[Column]:
    from frametime.render.data_output import Column

    metrics = (Column(key, "number", metric.unit) for key, metric in metrics_of(plan).items())
    return [*map(Column, _TEXTS), *metrics, Column("measured", "bytes")]


def metrics_of(plan: ReviewPlan) -> dict[str, Metric]:
    """The metrics that are columns of a shelf: those of the defaults, and those of the plan's parameters."""
    from frametime.metrics.catalog import CATALOG, catalog_for

    return {**CATALOG, **catalog_for(plan.measure)}


def runs_on(folder: Path, metrics: Sequence[str]) -> pl.LazyFrame:
    """All runs of a shelf with these metrics, read as far as they are asked for.

    Raises
    ------
    OutputError
        When there is no shelf, or a file of it is damaged or gone.
    """
    paths = [path for session in sorted(folder.glob("session=*")) for path in _files_of(session)]
    if not paths:
        helps = "frametime review --shelve fills it"
        raise OutputError.at(str(folder), "this is no shelf, or an empty one", helps=helps)
    schema = dict.fromkeys(_TEXTS, pl.String) | dict.fromkeys(metrics, pl.Float64) | {"measured": pl.Binary}
    # A session that was measured with other parameters may lack a metric.
    return pl.scan_parquet(paths, schema=schema, missing_columns="insert", extra_columns="ignore", glob=False)


def _files_of(session: Path) -> list[Path]:
    """The files with the runs of a session, held against their hashes: most damage would read as other numbers."""
    from frametime.pipeline.measuring import file_sha256

    listed = session / SUMS
    lines = listed.read_text("utf-8", "replace").splitlines() if listed.is_file() else []
    sums = {session / name: digest for digest, _, name in (line.partition("  ") for line in lines)}
    paths = sorted({*sums, *session.glob(_RUNS)})
    for path in paths:
        if not path.is_file() or file_sha256(path) != sums.get(path):
            of = f"{printable(str(session.parent))} '{printable(_name_of(session))}'"
            helps = f"put it back, or take its session off (frametime shelf remove {of}) and put it on again"
            raise OutputError.at(str(path), "this file of the shelf is damaged or gone", helps=helps)
    return [path for path in paths if path.match(_RUNS)]  # an earlier version put a list of the runs beside them


def _name_of(session: Path) -> str:
    return unquote(session.name.partition("=")[2])


def _is_same(session: Path, frames: dict[str, pl.DataFrame]) -> bool:
    """Whether a session holds these runs, whatever plan put them there."""
    there = [pl.read_parquet(path, glob=False).drop("plan") for path in _files_of(session)]
    made = [frame.drop("plan") for frame in frames.values()]
    return len(there) == len(made) and all(any(one.equals(other) for other in there) for one in made)


def sessions_on(folder: Path, card: str | None = None) -> pl.DataFrame:
    """Each card of each session, or the cells of one card: how many runs, when, and with which driver."""
    cell = pl.struct("scene", "resolution")
    in_cell = pl.len().over("session", "card", cell)  # a cell counts once, however often it was played
    runs = runs_on(folder, ["average_fps"]).with_columns(share=pl.col("average_fps").log() / in_cell)
    by = ["session", "card"]
    if card is not None:
        runs, by = runs.filter(pl.col("card") == card), ["session", "scene", "resolution"]
    return (
        runs.group_by(by)
        .agg(
            pl.col("label").first(),
            cell.n_unique().alias("cells"),
            pl.len().alias("runs"),
            (pl.col("share").sum() / cell.n_unique()).exp().alias("average_fps"),
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
        held = joined([f"'{printable(_name_of(path))}'" for path in sorted(folder.glob("session=*"))])
        found = f"it holds no session '{printable(session)}'"
        raise OutputError.at(str(folder), found, helps=f"it holds {held or 'none'}")
    with alone_with(folder), undivided:
        # One rename takes it away; what is left of it is then removed at leisure.
        aside = place.with_name(f".{place.name}.taken.old")
        place.rename(aside)
        shutil.rmtree(aside, ignore_errors=True)


def taken_from_shelf(
    plan: ReviewPlan,
    design: ReviewDesign,
    placed: Sequence[PlacedRun],
    shelf: pl.LazyFrame | None,
    measured: Callable[[ReviewPlan], Sequence[PlacedRun]],
) -> tuple[ReviewDesign, OtherSessions, tuple[Caveat, ...]]:
    """The cards that a plan takes from its shelf, each from its latest session, and what bears on them.

    ``shelf`` has rows to take in place of those of the plan's. A session that was measured with other parameters is
    measured again, by the plan that put it there; ``measured`` gives the runs of a plan.

    Raises
    ------
    PlanError
        When the shelf has no such card, one that lies in this session, too, or one that was measured with other
        parameters and whose plan or captures are no longer there.
    """
    from frametime.review.design import CardEntry
    from frametime.review.sessions import OtherSessions

    keys = [metric.key for metric in design.metrics]
    runs = runs_on(Path(shelf_of(plan).folder), keys) if shelf is None else shelf
    rows = _of_other_sessions(plan, runs.select(*_TEXTS, *keys).collect(), placed)
    cells = pl.DataFrame(design.cells, schema=["scene", "resolution"], orient="row")
    in_plan, is_alike = rows.join(cells, on=["scene", "resolution"], how="semi"), _is_comparable(plan, placed)
    alike = in_plan.filter(is_alike)
    usable = alike.filter(pl.col("parameters") == parameters_of(plan))
    wanted: dict[str, str] = {}
    again: list[PlacedRun] = []
    for card in _wanted(plan, design, alike, placed):
        wanted[card] = session = _latest(plan, rows, card, placed)
        of_card = alike.filter((pl.col("card") == card) & (pl.col("session") == session))
        if of_card.is_empty():
            found = f"'{printable(card)}' of session '{printable(session)}' has no cell that is comparable"
            helps = "other scenes, or another version or other settings of them: measure it again, or leave it out"
            raise PlanError.at(plan.file_name, found, helps=helps)
        if of_card["parameters"][0] != parameters_of(plan):
            again += _measured_again(plan, of_card, measured)
    chosen = pl.DataFrame(list(wanted.items()), schema={"card": pl.String, "session": pl.String}, orient="row")
    apart = in_plan.filter(~is_alike).join(chosen, on=["card", "session"], how="semi")
    names = usable.select("card", "scene", "resolution", "run", "session")
    full = runs.join(names.lazy(), on=names.columns, how="semi").join(chosen.lazy(), on=chosen.columns, how="semi")
    values: dict[str, dict[Place, dict[str, list[float]]]] = defaultdict(lambda: defaultdict(lambda: defaultdict(list)))
    for row in usable.iter_rows(named=True):
        for key in keys:
            values[row["session"]][row["card"], row["scene"], row["resolution"]][key].append(row[key] or 0.0)
    for run in again:
        for key in keys:
            values[wanted[run.card]][run.place][key].append(run.value(key) or 0.0)
    labels = dict(rows.select("card", "label").iter_rows())
    nothing = dict.fromkeys(("price", "currency", "settings", "driver"))
    added = [card for card in wanted if card not in {entry.key for entry in design.cards}]
    entries = [CardEntry(key=card, label=labels[card], is_baseline=False, **nothing) for card in added]
    extended = replace(design, cards=(*design.cards, *entries), shelved=wanted)
    others = OtherSessions(runs=(*placed_runs(full.collect()), *again), values=values)
    return extended, others, tuple(_told(apart, labels, again))


def _of_other_sessions(plan: ReviewPlan, rows: pl.DataFrame, placed: Sequence[PlacedRun]) -> pl.DataFrame:
    """Rows of a shelf without those of this session; without a name it is that which holds a capture of today."""
    made = rows.filter(pl.col("sha256").is_in({run.measured.provenance.sha256 for run in placed}))
    named = shelf_of(plan).session  # not by the day: two sessions may be of one
    return rows.filter(~pl.col("session").is_in([named] if named else made["session"]))


def _is_comparable(plan: ReviewPlan, placed: Sequence[PlacedRun]) -> pl.Expr:
    """Whether a row of a shelf is of the settings and the version of its scene that today's runs are of."""
    settings = {run.scene: run.measured.conditions.scene_settings for run in placed}
    versions = {key: scene.version for key, scene in plan.scenes.items()}
    return pl.all_horizontal(
        pl.col(name).eq_missing(pl.col("scene").replace_strict(of_scene, default=None, return_dtype=pl.String))
        for name, of_scene in (("scene_settings", settings), ("scene_version", versions))
    )


def _measured_again(
    plan: ReviewPlan, rows: pl.DataFrame, measured: Callable[[ReviewPlan], Sequence[PlacedRun]]
) -> list[PlacedRun]:
    """The runs of a card of one session, with the parameters of this plan."""
    from frametime.plans.plan import read_plan

    card, session, name = rows.select("card", "session", "plan").row(0)
    try:
        other = read_plan(Path(shelf_of(plan).folder, name or ""))
        cards = tuple(entry for entry in other.design.cards if entry.key == card)
        alone = replace(other.design, cards=cards, baseline=card, subject=())
        made = measured(replace(other, measure=plan.measure, design=alone))
    except FrametimeError as error:
        made, why = [], str(error)
    else:
        why = "captures of it have changed, or are gone"
    kept = set(rows["sha256"])
    made = [run for run in made if run.measured.provenance.sha256 in kept]
    if len(made) != rows.height:
        found = f"'{printable(card)}' of session '{printable(session)}' was measured with other [measure]"
        raise PlanError.at(plan.file_name, f"{found}, and cannot be measured again: {why}", helps="leave it out")
    return made


def _wanted(
    plan: ReviewPlan, design: ReviewDesign, usable: pl.DataFrame, placed: Sequence[PlacedRun]
) -> tuple[str, ...]:
    """Cards that are named, then those next to the subject: in price, or by the headline metric over shared cells."""
    shelf = shelf_of(plan)
    if shelf.near is None:
        return shelf.cards
    taken = {*shelf.cards, *(run.card for run in placed)}
    subject = (*design.subject, *design.candidates, design.baseline)[0]
    if shelf.near_by == "price":
        prices = {card.key: card.price for card in design.cards if card.price is not None}
        if subject not in prices:
            found = f"near_by is \"price\", and '{printable(subject)}' has none"
            raise PlanError.at(plan.file_name, found, helps="give it one in [[cards]]")
        others = set(usable["card"]) - taken
        by_price = sorted(others & set(prices), key=lambda card: (abs(log(prices[card] / prices[subject])), card))
        return (*shelf.cards, *by_price[: shelf.near])
    values = [(run.scene, run.resolution, run.value(design.headline)) for run in placed if run.card == subject]
    own = pl.DataFrame(values, schema={"scene": pl.String, "resolution": pl.String, "own": pl.Float64}, orient="row")
    by = ["scene", "resolution"]
    near = (
        usable.filter(~pl.col("card").is_in(taken))
        .group_by("card", *by)
        .agg(pl.col(design.headline).log().mean())
        .join(own.group_by(by).agg(pl.col("own").log().mean()), on=by)
        .group_by("card")
        .agg((pl.col(design.headline) - pl.col("own")).mean().abs().alias("apart"))
        .sort("apart", "card")
    )
    return (*shelf.cards, *near["card"].head(shelf.near))


def _latest(plan: ReviewPlan, rows: pl.DataFrame, card: str, placed: Sequence[PlacedRun]) -> str:
    """The session in which a card was measured last: by its day, then by its name. None of today's is taken."""
    if card in {run.card for run in placed}:
        found = f"'{printable(card)}' was measured in this session"
        raise PlanError.at(plan.file_name, found, helps="leave it out of [shelf] cards")
    days = rows.filter(pl.col("card") == card).group_by("session").agg(pl.col("recorded_from_utc").max())
    if days.is_empty():
        hint = did_you_mean(card, sorted(set(rows["card"]))) or "frametime shelf list shows its cards"
        told = f"the shelf holds no card '{printable(card)}' of another session"
        raise PlanError.at(plan.file_name, told, helps=hint)
    return str(max((day or "", session) for session, day in days.iter_rows())[1])


def _told(apart: pl.DataFrame, labels: dict[str, str], again: Sequence[PlacedRun]) -> Iterator[Caveat]:
    """Cells that are not comparable, and cards that were measured again."""
    from frametime.review.sentence import caveat_of

    cells = apart.select("label", "scene", "resolution").unique().sort("label", "scene", "resolution")
    if not cells.is_empty():
        told = first_of([f"{label}, {scene} at {resolution}" for label, scene, resolution in cells.rows()], 4, "; ")
        yield caveat_of("shelf-cells-differ", cells=told)
    if again:
        yield caveat_of("shelf-measured-again", names=", ".join(sorted({labels[run.card] for run in again})))


def placed_runs(frame: pl.DataFrame) -> list[PlacedRun]:
    """Rows of a shelf as runs of a review."""
    from frametime.pipeline.kept_runs import decoded_run
    from frametime.review.run_set import PlacedRun, run_name

    places = frame.select(_PLACE).to_dicts()
    return [
        PlacedRun(name=run_name(**place), **place, measured=decoded_run(content))
        for place, content in zip(places, frame["measured"], strict=True)
    ]
