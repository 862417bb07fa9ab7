"""The plan of a review: a small TOML file that says what is compared, where the captures are, and by which rules."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from frametime.errors import PlanError, printable
from frametime.metrics.level import low_key
from frametime.metrics.options import MeasureOptions, Refresh, StutterRule, parse_refresh
from frametime.plans.path_pattern import PathPattern
from frametime.plans.plan_keys import CapturesKeys, MeasureKeys, OrderKeys, PlanKeys, PublishKeys, cuts_of
from frametime.render.charts.chart_catalog import CATALOG, keys_for
from frametime.render.charts.theme import PALETTES, SIZES
from frametime.review.design import CardEntry, MetricEntry, ReviewDesign, RunningCost, SceneEntry
from frametime.settings.decoding import decoded
from frametime.settings.toml_source import KeyPath, TomlSource, file_text, one_of, shown

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensors.sensor_log import SensorOptions

_PNG: Final = b"\x89PNG\r\n\x1a\n"
_FONTS: Final = (b"\x00\x01\x00\x00", b"OTTO", b"true")


@dataclass(frozen=True, kw_only=True)
class CapturesPlan:
    """Where the captures lie and how they are read.

    Attributes
    ----------
    folder : pathlib.Path
        Beside the plan file unless absolute.
    pattern : PathPattern
    sensors : PathPattern or None
        Where the sensor log of a run lies; a run without one is measured without.
    layout, sensor_layout : pathlib.Path or None
        Column layouts.
    sensor_device, sensor_offset_s, time_zone
        What sensor logs leave open; the zone is that of dates that name none.
    recorded_from : Mapping of str to str
        Path of a capture below the folder, in which ``*`` stands for any text in one name, to the time at which its
        clock stood at 0.
    skip_start_s, skip_end_s : float
        Cut from every capture.
    skip_warm_up : bool
        Cut the warm-up that is found at the start of a capture; how much is said with the run.
    """

    folder: Path
    pattern: PathPattern
    sensors: PathPattern | None
    layout: Path | None
    sensor_layout: Path | None
    sensor_device: str | None
    sensor_offset_s: float | None
    time_zone: str | None
    recorded_from: Mapping[str, str]
    skip_start_s: float
    skip_end_s: float
    skip_warm_up: bool


@dataclass(frozen=True, kw_only=True)
class CardLimits:
    """Limits of one card, for the time above them and for throttling; ``None`` where the plan names none."""

    temperature_c: float | None
    power_w: float | None


@dataclass(frozen=True, kw_only=True)
class ShelfPlan:
    """The shelf of a plan: its folder, what this session is called there, and which cards are taken from it."""

    folder: Path
    session: str | None
    cards: tuple[str, ...]
    near: int | None

    @property
    def takes_cards(self) -> bool:
        """Whether the review compares cards of other sessions."""
        return bool(self.cards) or self.near is not None


@dataclass(frozen=True, kw_only=True)
class ReviewPlan:
    """A plan that was read and found right.

    ``scene_settings`` and ``operating_systems`` are conditions by scene and by card, where the plan names them;
    ``limits`` are those of each card;
    ``charts`` are keys of charts of which the review draws all, where the plan names any;
    ``shelf`` holds measured runs of other sessions; ``order`` says in which order runs are made, where the plan does;
    ``resolved`` is the plan as plain values with all defaults filled in;
    ``read`` and ``sensors`` hold what a plan has no key for, for every log.
    """

    file_name: str
    design: ReviewDesign
    captures: CapturesPlan
    measure: MeasureOptions
    scene_settings: Mapping[str, str]
    operating_systems: Mapping[str, str]
    limits: Mapping[str, CardLimits]
    charts: tuple[str, ...] | None
    order: OrderKeys | None
    shelf: ShelfPlan | None
    resolved: Mapping[str, object]
    read: ReadOptions | None = None
    sensors: SensorOptions | None = None


def read_plan(path: Path) -> ReviewPlan:
    """Read a plan file.

    Raises
    ------
    PlanError
        When it cannot be read, is not TOML, or holds anything that is not allowed: the message names file, line
        and key.
    """
    return parse_plan(file_text(path, PlanError), file_name=str(path), folder=path.parent)


def parse_plan(text: str, *, file_name: str, folder: Path) -> ReviewPlan:
    """Read the text of a plan; relative paths in it start at ``folder``.

    Raises
    ------
    PlanError
    """
    source = TomlSource.read(text, file_name, PlanError)
    keys = _filled(decoded(source, PlanKeys))
    _check_texts(source, (), source.values)
    _check_keys(source, keys)
    published = _published_files(source, keys.publish, folder)
    measure = _measure_options(source, keys.measure)
    metrics = _metrics(source, keys, measure)
    scenes = tuple(SceneEntry(key=scene.key, label=str(scene.label), tags=scene.tags) for scene in keys.scenes)
    played = {scene.key: scene.resolutions for scene in keys.scenes if scene.resolutions is not None}
    cost = keys.running_cost
    design = ReviewDesign(
        title=keys.title,
        margin=keys.margin,
        baseline=keys.baseline,
        headline=next(metric.key for metric in metrics if metric.is_headline),
        metrics=metrics,
        cards=tuple(
            CardEntry(
                key=card.key,
                label=str(card.label),
                price=card.price,
                currency=card.currency,
                settings=card.settings,
                driver=card.driver,
                is_baseline=card.key == keys.baseline,
            )
            for card in keys.cards
        ),
        scenes=scenes,
        resolutions=keys.resolutions,
        scene_resolutions=played,
        cuts=cuts_of(source, keys),
        runs_planned=keys.runs,
        looks=keys.looks,
        takes_out_drift=keys.order is not None,
        subject=keys.subject if isinstance(keys.subject, tuple) else (),
        spread=keys.spread,
        sample_unit=keys.sample_unit,
        must_be_equal=keys.must_be_equal,
        exclusions={item.run: item.reason for item in keys.exclude},
        running_cost=None if cost is None else RunningCost(**msgspec.structs.asdict(cost)),
    )
    return ReviewPlan(
        file_name=file_name,
        design=design,
        captures=_captures(
            source,
            keys.captures,
            folder,
            several=[
                field
                for field, names in (("card", keys.cards), ("scene", keys.scenes), ("resolution", keys.resolutions))
                if len(names) > 1
            ],
        ),
        measure=measure,
        scene_settings={scene.key: scene.settings for scene in keys.scenes if scene.settings is not None},
        operating_systems={card.key: card.operating_system for card in keys.cards if card.operating_system is not None},
        limits={
            card.key: CardLimits(temperature_c=card.temperature_limit_c, power_w=card.power_limit_w)
            for card in keys.cards
        },
        charts=keys.charts,
        order=keys.order,
        shelf=None
        if keys.shelf is None
        else ShelfPlan(**{**msgspec.structs.asdict(keys.shelf), "folder": folder / keys.shelf.folder}),
        resolved={**_resolved(keys, design), **published},
    )


def _filled(keys: PlanKeys) -> PlanKeys:
    """The defaults that rest on other keys."""
    replace = msgspec.structs.replace
    others = [card.key for card in keys.cards if card.key != keys.baseline]
    bench = (keys.bench,) if isinstance(keys.bench, str) else keys.bench
    subject = keys.subject or (tuple(others) if len(keys.cards) == 2 else ())
    cost = keys.running_cost
    shares = keys.measure.slowest_pcts
    # A low of a share that is not measured is none.
    metrics = keys.metrics or ("average_fps", low_key(1.0 if 1.0 in shares else shares[0], "percentile"))
    return replace(
        keys,
        bench=bench,
        subject=(subject,) if isinstance(subject, str) else subject,
        metrics=metrics,
        headline=keys.headline or metrics[0],
        runs=keys.looks[0] if keys.looks else keys.runs,
        cards=tuple(
            replace(card, label=card.label or card.key, currency=card.currency or keys.currency) for card in keys.cards
        ),
        scenes=tuple(replace(scene, label=scene.label or scene.key) for scene in keys.scenes),
        running_cost=None if cost is None else replace(cost, currency=cost.currency or keys.currency),
    )


def _resolved(keys: PlanKeys, design: ReviewDesign) -> dict[str, object]:
    """The plan with its defaults, as it could be written again: it stands in every result."""
    plain: dict[str, object] = msgspec.to_builtins(keys, builtin_types=())
    plain["cuts"] = [{"key": cut.key, "label": cut.label, "definition": cut.definition} for cut in design.cuts]
    return {key: _listed(value) for key, value in plain.items() if key not in ("currency", "cut_each")}


def _listed(value: Any) -> Any:
    """Lists in place of tuples, as JSON reads them back."""
    if isinstance(value, dict):
        return {key: _listed(item) for key, item in value.items()}
    return [_listed(item) for item in value] if isinstance(value, list | tuple) else value


def _check_texts(source: TomlSource, path: KeyPath, value: object) -> None:
    """Refuse a text that no line can show, and one that stands twice in a list."""
    if isinstance(value, str) and not value.isprintable():
        raise source.fault(path, f"is {shown(value)}, which holds a line end or control character")
    if isinstance(value, list | dict):
        for key, item in enumerate(value) if isinstance(value, list) else value.items():
            _check_texts(source, (*path, key), item)
    if isinstance(value, list) and all(isinstance(item, str) for item in value):
        source.check_once(source.places(path), "name it once")


def _check_keys(source: TomlSource, keys: PlanKeys) -> None:
    """What one key says of another."""
    for name in ("resolutions", "cards", "scenes", "metrics"):
        if source.at((name,)) == []:
            raise source.fault((name,), "is empty", "name at least one")
    for table in ("cards", "scenes"):
        source.check_once([(*place, "key") for place in source.places((table,))], "give each its own key")
        labels = [str(item.label) for item in getattr(keys, table)]
        for at, label in enumerate(labels):
            if label in labels[:at]:
                helps = "a reader could not tell them apart"
                raise source.fault((table, at, "label"), f"is {shown(label)} a second time", helps)
    cards, scenes = [card.key for card in keys.cards], [scene.key for scene in keys.scenes]
    source.check_among(("baseline",), cards)
    source.check_among(("subject",), cards)
    _check_looks(source, keys)
    source.check_among(("charts",), keys_for("review", "review cells"))
    for table, names in (("titles", keys.publish.titles), ("labels", keys.publish.labels)):
        for name in names:
            if not any(name == kind or name.startswith(f"{kind}-") for kind in CATALOG):
                helps = "begin with the kind of chart, as its file does"
                raise source.fault(("publish", table, name), "names no chart", helps)
    source.check_among(("publish", "sizes"), tuple(SIZES))
    source.check_among(("publish", "themes"), tuple(PALETTES))
    for place in source.places(("scenes",)):
        source.check_among((*place, "resolutions"), keys.resolutions)
        if source.at((*place, "resolutions")) == []:
            raise source.fault((*place, "resolutions"), "is empty", "name at least one, or leave the key out")
    source.check_once([(*place, "run") for place in source.places(("exclude",))], "exclude a run once")
    for at, item in enumerate(keys.exclude):
        parts = item.run.split("/")
        known = (cards, scenes, keys.resolutions)
        if len(parts) != 4 or not all(map(_any_fits, parts, known)):
            words = "'card/scene/resolution/run' with keys of this plan, or * for any part of a name"
            raise source.refuse(("exclude", at, "run"), words)


def _check_looks(source: TomlSource, keys: PlanKeys) -> None:
    if list(keys.looks) != sorted(set(keys.looks)):
        raise source.refuse(("looks",), "numbers of runs that rise, such as [3, 5, 8]")
    if keys.looks and source.at(("runs",)) not in (None, keys.looks[0]):
        raise source.refuse(("runs",), f"the runs of the first look, {keys.looks[0]}, or no such key beside looks")


def _published_files(source: TomlSource, keys: PublishKeys, folder: Path) -> dict[str, dict[str, str]]:
    """Fingerprints of the files that charts need: a picture in PNG, and a font unless it is one of the system."""
    font = keys.font if keys.font is not None and Path(keys.font).suffix.lower() in (".ttf", ".otf") else None
    found = {}
    for key, name, starts, kind in (("logo", keys.logo, (_PNG,), "PNG"), ("font", font, _FONTS, "TTF or OTF")):
        try:
            content = b"" if name is None else (folder / name).read_bytes()
        except OSError as error:
            raise source.fault(("publish", key), f"is {shown(str(name))}, which cannot be read") from error
        if name is not None:
            if not content.startswith(starts):
                raise source.fault(("publish", key), f"is {shown(name)}, which is no {kind} file")
            found[f"{key}_sha256"] = sha256(content).hexdigest()
    return {"publish_files": found} if found else {}


def _any_fits(pattern: str, names: Iterable[str]) -> bool:
    return any(_fits(pattern, name) for name in names)


def recorded_from_of(plan: ReviewPlan, name: str) -> str | None:
    """When the clock of a capture stood at 0, where the plan says it; ``name`` is its path below the folder."""
    return next((time for pattern, time in plan.captures.recorded_from.items() if _path_fits(pattern, name)), None)


def _path_fits(pattern: str, name: str) -> bool:
    parts, names = pattern.split("/"), name.split("/")
    return len(parts) == len(names) and all(map(_fits, parts, names))


def _fits(pattern: str, name: str) -> bool:
    """Whether a name fits a pattern in which ``*`` stands for any text without a slash."""
    first, *others = map(re.escape, re.sub(r"\*+", "*", pattern).split("*"))
    # Each but the last ends at its first place, as in a path pattern: every parting would be tried otherwise.
    ended = "".join(f"(?>[^/]*?{literal})" for literal in others[:-1])
    return re.fullmatch(first + ended + "".join(f"[^/]*{literal}" for literal in others[-1:]), name) is not None


def exclusions_of(plan: ReviewPlan, names: Iterable[str]) -> dict[str, str]:
    """The runs that the plan leaves out, by name, each with its reason; the first that fits it.

    Raises
    ------
    PlanError
        When it leaves out a run that is not there.
    """
    names, found = list(names), {}
    for pattern, reason in plan.design.exclusions.items():
        fitting = [name for name in names if _fits(pattern, name)]
        if not fitting:
            raise PlanError.at(
                plan.file_name,
                f"the plan excludes the run '{printable(pattern)}', and there is no such capture",
                helps="correct its name, or remove the [[exclude]]",
            )
        found.update({name: reason for name in fitting if name not in found})
    return found


def _measure_options(source: TomlSource, keys: MeasureKeys) -> MeasureOptions:
    return MeasureOptions(
        quantile_type=keys.quantile_type,
        stutter=StutterRule(
            ratio=keys.stutter_ratio, window_s=keys.stutter_window_s, min_excess_ms=keys.stutter_min_excess_ms
        ),
        slowest_pcts=tuple(dict.fromkeys(keys.slowest_pcts)),
        refresh=_refresh(source, keys),
    )


def _refresh(source: TomlSource, keys: MeasureKeys) -> Refresh | None:
    """The refresh of the display, and whether frames may appear in the middle of one."""
    if keys.refresh is None:
        return None
    try:
        return parse_refresh(keys.refresh, tearing=keys.tearing)
    except ValueError as error:
        raise source.refuse(("measure", "refresh"), str(error)) from error


def _metrics(source: TomlSource, keys: PlanKeys, options: MeasureOptions) -> tuple[MetricEntry, ...]:
    from frametime.metrics.catalog import catalog_for

    catalog = catalog_for(options)
    comparable = [key for key, metric in catalog.items() if metric.better != "neither"]
    source.check_among(("metrics",), comparable, f"one of {len(comparable)} keys, which frametime metrics lists")
    source.check_among(("headline",), keys.metrics)
    return tuple(
        MetricEntry(
            key=key,
            label=catalog[key].label,
            unit=catalog[key].unit,
            better=catalog[key].better,
            definition=catalog[key].definition,
            source=catalog[key].source,
            is_headline=key == keys.headline,
        )
        for key in keys.metrics
    )


def _captures(source: TomlSource, keys: CapturesKeys, folder: Path, *, several: Sequence[str]) -> CapturesPlan:
    pattern, sensors = _pattern(source, "pattern", keys.pattern), None
    absent = [f"{{{name}}}" for name in several if name not in pattern.fields]
    if absent:
        helps = "add it to the pattern"
        if "{card}" in absent:
            helps += ", or put the captures of each card into a folder with its name"
        raise source.fault(("captures", "pattern"), f"lacks {', '.join(map(shown, absent))}", helps)
    if keys.sensors is not None:
        sensors = _pattern(source, "sensors", keys.sensors)
        if not set(sensors.fields) <= set(pattern.fields):
            found = f"has the fields {', '.join(map(shown, sensors.fields))}"
            raise source.fault(
                ("captures", "sensors"), found, f"allowed: those of the pattern, {one_of(pattern.fields)}"
            )
    _check_clocks(source, keys)
    return CapturesPlan(
        folder=folder / keys.folder,
        pattern=pattern,
        sensors=sensors,
        layout=None if keys.layout is None else folder / keys.layout,
        sensor_layout=None if keys.sensor_layout is None else folder / keys.sensor_layout,
        sensor_device=keys.sensor_device,
        sensor_offset_s=keys.sensor_offset_s,
        time_zone=keys.time_zone,
        recorded_from=keys.recorded_from,
        skip_start_s=keys.skip_start_s,
        skip_end_s=keys.skip_end_s,
        skip_warm_up=keys.skip_warm_up,
    )


def _check_clocks(source: TomlSource, keys: CapturesKeys) -> None:
    """Refuse a zone that is none, and a time that is no time."""
    from frametime.adapters.capture_start import any_ns, zone_named

    tests = [("time_zone", zone_named, keys.time_zone)] if keys.time_zone is not None else []
    for path, test, text in [
        *((("captures", name), test, text) for name, test, text in tests),
        *((("captures", "recorded_from", name), any_ns, text) for name, text in keys.recorded_from.items()),
    ]:
        try:
            test(text)
        except ValueError as error:
            raise source.refuse(path, str(error)) from error


def _pattern(source: TomlSource, key: str, text: str) -> PathPattern:
    return PathPattern.parse(text, where=str(source.fault(("captures", key), "")))
