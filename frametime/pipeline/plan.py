"""The plan of a review: a small TOML file that says what is compared, where the captures are, and by which rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, cast

from frametime.errors import PlanError, printable
from frametime.metrics.options import MeasureOptions, Refresh, StutterRule
from frametime.metrics.refresh_rates import parse_refresh
from frametime.pipeline.plan_captures import CapturesPlan, captures_of
from frametime.pipeline.plan_cuts import cuts_of
from frametime.pipeline.plan_resolved import CardLimits, resolved_plan
from frametime.pipeline.plan_table import PlanSource, PlanTable, quoted, shown
from frametime.pipeline.toml_lines import key_lines
from frametime.review.design import (
    EQUAL_WHERE_ASKED,
    CardEntry,
    MetricEntry,
    ReviewDesign,
    RunningCost,
    SampleUnit,
    SceneEntry,
    SpreadRule,
)
from frametime.toml_loading import load_toml

MAX_PLAN_BYTES: Final = 1 << 20
DEFAULT_METRICS: Final = ("average_fps", "low_1pct_percentile_fps")


@dataclass(frozen=True, kw_only=True)
class ReviewPlan:
    """A plan that was read and found right.

    ``scene_settings`` and ``operating_systems`` are conditions by scene and by card, where the plan names them;
    ``limits`` are those of each card;
    ``resolved`` is the plan as plain values with all defaults filled in.
    """

    file_name: str
    design: ReviewDesign
    captures: CapturesPlan
    measure: MeasureOptions
    scene_settings: Mapping[str, str]
    operating_systems: Mapping[str, str]
    limits: Mapping[str, CardLimits]
    resolved: Mapping[str, object]


def read_plan(path: Path) -> ReviewPlan:
    """Read a plan file.

    Raises
    ------
    PlanError
        When it cannot be read, is not TOML, or holds anything that is not allowed: the message names file, line
        and key.
    """
    try:
        size = path.stat().st_size
        if size > MAX_PLAN_BYTES:
            raise PlanError.at(str(path), f"has {size} bytes; a plan has at most {MAX_PLAN_BYTES}")
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise PlanError.at(str(path), f"is not UTF-8 text (byte {error.start})", helps="save it as UTF-8") from error
    except OSError as error:
        raise PlanError.at(str(path), f"cannot be read: {error.strerror}") from error
    return parse_plan(text, file_name=str(path), folder=path.parent)


def parse_plan(text: str, *, file_name: str, folder: Path) -> ReviewPlan:
    """Read the text of a plan; relative paths in it start at ``folder``.

    Raises
    ------
    PlanError
    """
    try:
        values = load_toml(text)
    except ValueError as error:
        raise PlanError.at(file_name, f"is not TOML: {printable(str(error))}") from error
    root = PlanTable(PlanSource(file_name, key_lines(text)), (), values)
    return _plan(root, folder)


def _plan(root: PlanTable, folder: Path) -> ReviewPlan:
    title = root.needed_text("title")
    measure = _measure_options(root)
    metrics = _metrics(root, measure)
    resolutions = root.texts("resolutions")
    currency = root.text("currency", None)
    cards, limits = _cards(root, currency)
    scenes, scene_settings = _scenes(root)
    _refuse_empty(root, resolutions=resolutions, cards=cards, scenes=scenes)
    design = ReviewDesign(
        title=title,
        margin=cast(float, root.number("margin", 0.03, above=0.0, below=1.0)),
        baseline=next(card.key for card, _ in cards if card.is_baseline),
        headline=next(metric.key for metric in metrics if metric.is_headline),
        metrics=metrics,
        cards=tuple(card for card, _ in cards),
        scenes=scenes,
        resolutions=resolutions,
        cuts=cuts_of(root, scenes, resolutions),
        runs_planned=root.whole("runs", 3, least=1, most=1000),
        spread=cast(SpreadRule, root.choice("spread", ("own", "pooled"), "own")),
        sample_unit=cast(SampleUnit, root.choice("sample_unit", ("scene", "cell"), "scene")),
        must_be_equal=root.texts("must_be_equal", (), allowed=EQUAL_WHERE_ASKED),
        exclusions=_exclusions(root, {card.key for card, _ in cards}, {scene.key for scene in scenes}, resolutions),
        running_cost=_running_cost(root, currency),
    )
    captures = captures_of(root, folder, one_resolution=len(resolutions) == 1)
    root.finish()
    systems = {card.key: system for card, system in cards if system is not None}
    return ReviewPlan(
        file_name=root.source.file_name,
        design=design,
        captures=captures,
        measure=measure,
        scene_settings=scene_settings,
        operating_systems=systems,
        limits=limits,
        resolved=resolved_plan(root, design, captures, measure, scene_settings, systems, limits),
    )


def _refuse_empty(root: PlanTable, **found: tuple[object, ...]) -> None:
    for key, items in found.items():
        if not items:
            raise root.refuse(key, "is empty", f"name at least one, as {key} = [...] or [[{key}]]")


def _measure_options(root: PlanTable) -> MeasureOptions:
    table = root.table("measure")
    if table is None:
        return MeasureOptions()
    default = MeasureOptions()
    rule = StutterRule(
        factor=cast(float, table.number("stutter_factor", default.stutter.factor, above=1.0)),
        window_s=cast(float, table.number("stutter_window_s", default.stutter.window_s, above=0.0)),
        min_excess_ms=table.number_from_zero("stutter_min_excess_ms", default.stutter.min_excess_ms),
    )
    options = MeasureOptions(
        quantile_type=table.whole("quantile_type", default.quantile_type, least=1, most=9),
        stutter=rule,
        slowest_pcts=table.percentages("slowest_pcts", default.slowest_pcts),
        refresh=_refresh(table),
    )
    table.finish()
    return options


def _refresh(table: PlanTable) -> Refresh | None:
    """The refresh of the display, and whether frames may appear in the middle of one."""
    text = table.text("refresh", None)
    tearing = table.truth("tearing", False)
    if text is None:
        return None
    try:
        return parse_refresh(text, tearing=tearing)
    except ValueError as error:
        raise table.refuse("refresh", f"is {shown(text)}: {error}") from error


def _metrics(root: PlanTable, options: MeasureOptions) -> tuple[MetricEntry, ...]:
    from frametime.metrics.catalog import catalog_for

    catalog = catalog_for(options)
    comparable = [key for key, metric in catalog.items() if metric.better != "neither"]
    keys = root.texts("metrics", DEFAULT_METRICS, allowed=comparable)
    if not keys:
        raise root.refuse("metrics", "is empty", 'name at least one, such as "average_fps"')
    headline = root.choice("headline", keys, keys[0])
    return tuple(
        MetricEntry(
            key=key,
            label=catalog[key].label,
            unit=catalog[key].unit,
            better=catalog[key].better,
            definition=catalog[key].definition,
            source=catalog[key].source,
            is_headline=key == headline,
        )
        for key in keys
    )


def _cards(
    root: PlanTable, currency: str | None
) -> tuple[tuple[tuple[CardEntry, str | None], ...], dict[str, CardLimits]]:
    """Cards with their operating systems, and their limits by key."""
    tables = list(root.tables("cards"))
    keys = [_key(table, "cards") for table in tables]
    _refuse_twice(tables, keys)
    baseline = root.choice("baseline", keys, "") if keys else None
    if keys and not root.has("baseline"):
        raise root.refuse("baseline", "is missing", f"name the card that others are compared with: {quoted(keys)}")
    cards, limits = [], {}
    for table, key in zip(tables, keys, strict=True):
        price = table.number("price", None, above=0.0)
        card = CardEntry(
            key=key,
            label=table.text("label", key) or key,
            price=price,
            currency=table.text("currency", currency),
            settings=table.text("settings", None),
            driver=table.text("driver", None),
            is_baseline=key == baseline,
        )
        limits[key] = CardLimits(
            temperature_c=table.number("temperature_limit_c", None, above=0.0),
            power_w=table.number("power_limit_w", None, above=0.0),
        )
        cards.append((card, table.text("operating_system", None)))
        table.finish()
    _refuse_same_label(tables, [card.label for card, _ in cards])
    return tuple(cards), limits


def _scenes(root: PlanTable) -> tuple[tuple[SceneEntry, ...], dict[str, str]]:
    tables = list(root.tables("scenes"))
    keys = [_key(table, "scenes") for table in tables]
    _refuse_twice(tables, keys)
    scenes, settings = [], {}
    for table, key in zip(tables, keys, strict=True):
        scenes.append(SceneEntry(key=key, label=table.text("label", key) or key, tags=table.texts("tags", ())))
        chosen = table.text("settings", None)
        if chosen is not None:
            settings[key] = chosen
        table.finish()
    _refuse_same_label(tables, [scene.label for scene in scenes])
    return tuple(scenes), settings


def _key(table: PlanTable, what: str) -> str:
    key = table.needed_text("key")
    if "/" in key or "\\" in key:
        raise table.refuse("key", f"is '{printable(key)}'", f"allowed: the name in the path of the {what}, without '/'")
    return key


def _refuse_twice(tables: list[PlanTable], keys: list[str]) -> None:
    for at, key in enumerate(keys):
        if key in keys[:at]:
            raise tables[at].refuse("key", f"is '{printable(key)}' a second time", "give each its own key")


def _refuse_same_label(tables: list[PlanTable], labels: list[str]) -> None:
    for at, label in enumerate(labels):
        if label in labels[:at]:
            raise tables[at].refuse(
                "label", f"is '{printable(label)}' a second time", "a reader could not tell them apart"
            )


def _exclusions(root: PlanTable, cards: set[str], scenes: set[str], resolutions: tuple[str, ...]) -> dict[str, str]:
    found: dict[str, str] = {}
    for table in root.tables("exclude"):
        name = table.needed_text("run")
        parts = name.split("/")
        if len(parts) != 4 or parts[0] not in cards or parts[1] not in scenes or parts[2] not in resolutions:
            raise table.refuse(
                "run", f"is '{printable(name)}'", "allowed: 'card/scene/resolution/run' with keys of this plan"
            )
        if name in found:
            raise table.refuse("run", f"is '{printable(name)}' a second time", "exclude a run once")
        found[name] = table.needed_text("reason")
        table.finish()
    return found


def _running_cost(root: PlanTable, currency: str | None) -> RunningCost | None:
    table = root.table("running_cost")
    if table is None:
        return None
    cost = RunningCost(
        tariff_per_kwh=cast(float, table.number("tariff_per_kwh", above=0.0)),
        hours_per_day=cast(float, table.number("hours_per_day", above=0.0, below=24.000001)),
        years=cast(float, table.number("years", 1.0, above=0.0, below=100.0)),
        currency=table.text("currency", currency),
    )
    table.finish()
    return cost
