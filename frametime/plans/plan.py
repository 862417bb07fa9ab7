"""The plan of a review: a small TOML file that says what is compared, where the captures are, and by which rules."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from frametime.errors import PlanError, printable
from frametime.lab.sessions import Cost, OrderQuality, Step, orders, recommended
from frametime.metrics.level import low_key
from frametime.metrics.options import MeasureOptions, StutterRule, parse_refresh
from frametime.plans.path_pattern import PathPattern, starred
from frametime.plans.plan_keys import CutKeys, MeasureKeys, OrderKeys, PlanKeys, PublishKeys
from frametime.render.charts.chart_catalog import CATALOG, keys_for
from frametime.render.charts.theme import PALETTES, SIZES
from frametime.review.design import CardEntry, CutEntry, MetricEntry, ReviewDesign, RunningCost, SceneEntry
from frametime.settings.decoding import decoded
from frametime.settings.toml_source import SLASHES, KeyPath, TomlSource, file_text, one_of, shown
from frametime.words import counted, joined

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensors.sensor_log import SensorOptions
    from frametime.plans.plan_keys import CapturesKeys, CardKeys, SceneKeys, ShelfKeys

_PNG: Final = b"\x89PNG\r\n\x1a\n"
_FONTS: Final = (b"\x00\x01\x00\x00", b"OTTO", b"true")
_MOST_TITLED: Final = 3


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
    keys : CapturesKeys
        As they stand in the plan.
    """

    folder: Path
    pattern: PathPattern
    sensors: PathPattern | None
    layout: Path | None
    sensor_layout: Path | None
    keys: CapturesKeys


@dataclass(frozen=True, kw_only=True)
class ReviewPlan:
    """A plan that was read and found right.

    ``cards`` and ``scenes`` are their tables in the plan, by key;
    ``charts`` are keys of charts of which the review draws all, where the plan names any;
    ``shelf`` holds measured runs of other sessions; ``order`` says in which order runs are made, where the plan does;
    ``resolved`` is the plan as plain values with all defaults filled in;
    ``read`` and ``sensors`` hold what a plan has no key for, for every log.
    """

    file_name: str
    design: ReviewDesign
    captures: CapturesPlan
    measure: MeasureOptions
    cards: Mapping[str, CardKeys]
    scenes: Mapping[str, SceneKeys]
    charts: tuple[str, ...] | None
    order: OrderKeys | None
    shelf: ShelfKeys | None
    resolved: Mapping[str, object]
    read: ReadOptions | None = None
    sensors: SensorOptions | None = None


def read_plan(path: str | Path) -> ReviewPlan:
    """Read a plan file.

    Raises
    ------
    PlanError
        When it cannot be read, is not TOML, or holds anything that is not allowed: the message names file, line
        and key.
    """
    return parse_plan(file_text(path, PlanError), file_name=str(path), folder=Path(path).parent)


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
    _check_runs(source, keys)
    published = _published_files(source, keys.publish, folder)
    measure = _measure_options(source, keys.measure)
    metrics = _metrics(source, keys, measure)
    cost = keys.running_cost
    of_card = ("key", "label", "price", "currency", "settings", "driver")
    same = ("title", "margin", "baseline", "resolutions", "looks", "spread", "sample_unit", "must_be_equal")
    design = ReviewDesign(
        **{name: getattr(keys, name) for name in same},
        headline=next(metric.key for metric in metrics if metric.is_headline),
        metrics=metrics,
        cards=tuple(
            CardEntry(**{name: getattr(card, name) for name in of_card}, is_baseline=card.key == keys.baseline)
            for card in keys.cards
        ),
        scenes=tuple(SceneEntry(key=scene.key, label=str(scene.label), tags=scene.tags) for scene in keys.scenes),
        scene_resolutions={scene.key: scene.resolutions for scene in keys.scenes if scene.resolutions is not None},
        cuts=_cuts(source, keys),
        runs_planned=keys.runs,
        takes_out_drift=keys.order is not None,
        subject=keys.subject if isinstance(keys.subject, tuple) else (),
        exclusions={item.run: item.reason for item in keys.exclude},
        running_cost=None if cost is None else RunningCost(**msgspec.structs.asdict(cost)),
    )
    # The plan with its defaults, as it could be written again: it stands in every result, as JSON reads it back.
    plain = msgspec.json.decode(msgspec.json.encode(keys))
    plain["cuts"] = [{"key": cut.key, "label": cut.label, "definition": cut.definition} for cut in design.cuts]
    shelf = keys.shelf and msgspec.structs.replace(keys.shelf, folder=str(folder / keys.shelf.folder))
    return ReviewPlan(
        file_name=file_name,
        design=design,
        captures=_captures(source, keys, folder),
        measure=measure,
        cards={card.key: card for card in keys.cards},
        scenes={scene.key: scene for scene in keys.scenes},
        charts=keys.charts,
        order=keys.order,
        shelf=shelf,
        resolved={**{key: value for key, value in plain.items() if key not in ("currency", "cut_each")}, **published},
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
    labels = [card.label or card.key for card in keys.cards]
    told = joined(labels) if len(labels) <= _MOST_TITLED else f"{len(labels)} cards"
    return replace(
        keys,
        title=keys.title or f"{told} in {counted(len(keys.scenes), 'scene')}",
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


def _check_texts(source: TomlSource, path: KeyPath, value: object) -> None:
    """Refuse a text that no line can show, and one that stands twice in a list."""
    if isinstance(value, str) and not value.isprintable():
        wrong = f"is {shown(value)}, which holds a line end or control character"
        raise source.fault(path, wrong, SLASHES if "\\" in source.text else None)
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
    for name in ("baseline", "subject"):
        source.check_among((name,), [card.key for card in keys.cards])
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


def _check_runs(source: TomlSource, keys: PlanKeys) -> None:
    """How many runs are made, and which are left out."""
    if list(keys.looks) != sorted(set(keys.looks)):
        raise source.refuse(("looks",), "numbers of runs that rise, such as [3, 5, 8]")
    if keys.looks and source.at(("runs",)) not in (None, keys.looks[0]):
        raise source.refuse(("runs",), f"the runs of the first look, {keys.looks[0]}, or no such key beside looks")
    source.check_once([(*place, "run") for place in source.places(("exclude",))], "exclude a run once")
    known = ([card.key for card in keys.cards], [scene.key for scene in keys.scenes], keys.resolutions)
    for at, item in enumerate(keys.exclude):
        parts = item.run.split("/")
        fitting = zip(parts[:3], known, strict=False)
        if len(parts) != 4 or not all(any(starred(part, name) for name in names) for part, names in fitting):
            words = "'card/scene/resolution/run' with keys of this plan, or * for any part of a name"
            raise source.refuse(("exclude", at, "run"), words)


def _published_files(source: TomlSource, keys: PublishKeys, folder: Path) -> dict[str, dict[str, str]]:
    """Fingerprints of the files that charts need: a picture, and a font unless it is one of the system."""
    font = keys.font if keys.font is not None and Path(keys.font).suffix.lower() in (".ttf", ".otf") else None
    found = {}
    for key, name, starts, kind in (("logo", keys.logo, (_PNG,), "PNG or SVG"), ("font", font, _FONTS, "TTF or OTF")):
        try:
            content = b"" if name is None else (folder / name).read_bytes()
        except OSError as error:
            raise source.fault(("publish", key), f"is {shown(str(name))}, which cannot be read") from error
        if name is not None:
            is_svg = key == "logo" and Path(name).suffix.lower() == ".svg" and b"<svg" in content
            if not is_svg and not content.startswith(starts):
                raise source.fault(("publish", key), f"is {shown(name)}, which is no {kind} file")
            found[f"{key}_sha256"] = sha256(content).hexdigest()
    return {"publish_files": found} if found else {}


def recorded_from_of(plan: ReviewPlan, name: str) -> str | None:
    """When the clock of a capture stood at 0, where the plan says it; ``name`` is its path below the folder."""
    return next((time for pattern, time in plan.captures.keys.recorded_from.items() if starred(pattern, name)), None)


def exclusions_of(plan: ReviewPlan, names: Iterable[str], *, may_come: bool = False) -> dict[str, str]:
    """The runs that the plan leaves out, by name, each with its reason; the first that fits it.

    Raises
    ------
    PlanError
        When it leaves out a run that is not there, unless it ``may_come`` yet.
    """
    names, found = list(names), {}
    for pattern, reason in plan.design.exclusions.items():
        if not (fitting := [name for name in names if starred(pattern, name)]) and not may_come:
            wrong = f"the plan excludes the run '{printable(pattern)}', and there is no such capture"
            raise PlanError.at(plan.file_name, wrong, helps="correct its name, or remove the [[exclude]]")
        found.update({name: reason for name in fitting if name not in found})
    return found


def _measure_options(source: TomlSource, keys: MeasureKeys) -> MeasureOptions:
    try:
        refresh = None if keys.refresh is None else parse_refresh(keys.refresh, tearing=keys.tearing)
    except ValueError as error:
        raise source.refuse(("measure", "refresh"), str(error)) from error
    return MeasureOptions(
        quantile_type=keys.quantile_type,
        stutter=StutterRule(
            ratio=keys.stutter_ratio, window_s=keys.stutter_window_s, min_excess_ms=keys.stutter_min_excess_ms
        ),
        slowest_pcts=tuple(dict.fromkeys(keys.slowest_pcts)),
        refresh=refresh,
    )


def _metrics(source: TomlSource, keys: PlanKeys, options: MeasureOptions) -> tuple[MetricEntry, ...]:
    from frametime.metrics.catalog import catalog_for

    catalog = catalog_for(options)
    comparable = [key for key, metric in catalog.items() if metric.better != "neither"]
    source.check_among(("metrics",), comparable, f"one of {len(comparable)} keys, which frametime metrics lists")
    source.check_among(("headline",), keys.metrics)
    same = ("label", "unit", "better", "definition", "source")
    return tuple(
        MetricEntry(**{name: getattr(catalog[key], name) for name in same}, key=key, is_headline=key == keys.headline)
        for key in keys.metrics
    )


def _cuts(source: TomlSource, keys: PlanKeys) -> tuple[CutEntry, ...]:
    """All cells first, then the plan's own cuts, then those of ``cut_each``.

    ``cut_each`` names ``resolution`` (one cut each, the default where there are several) and ``tag`` (with and
    without each tag that some scenes have and others not).

    Raises
    ------
    PlanError
    """
    cuts = [_cut(keys, CutKeys(key="all", label="Overall"))]
    scenes, tags = [scene.key for scene in keys.scenes], sorted({tag for scene in keys.scenes for tag in scene.tags})
    for at, table in enumerate(keys.cuts):
        place = ("cuts", at)
        for name, known in (("tags", tags), ("scenes", scenes), ("resolutions", keys.resolutions)):
            source.check_among((*place, name), known)
            source.check_among((*place, f"without_{name}"), known)
        if table.key in {cut.key for cut in cuts}:
            helps = "give each cut its own key; 'all' is always there"
            raise source.fault((*place, "key"), f"is '{table.key}' a second time", helps)
        cuts.append(_cut(keys, table))
        if not cuts[-1].cells:
            found = f"is '{table.key}', a cut that no cell falls into"
            raise source.fault((*place, "key"), found, "change what it takes in or leaves out")
    cuts += _each(keys)
    # A cut of the plan's own goes before an automatic one of the same name.
    return tuple({cut.key: cut for cut in reversed(cuts)}[key] for key in dict.fromkeys(cut.key for cut in cuts))


def _cut(keys: PlanKeys, table: CutKeys, definition: str = "") -> CutEntry:
    kinds = {"tags": ("tagged", "not tagged"), "scenes": ("scenes", "without scenes"), "resolutions": ("at", "not at")}
    asked = {name: (getattr(table, name), getattr(table, f"without_{name}")) for name in kinds}

    def holds(**own: Sequence[str]) -> bool:
        of_kinds = [(set(own[name]), *both) for name, both in asked.items()]
        return all((not some or here & set(some)) and not here & set(none) for here, some, none in of_kinds)

    cells = tuple(
        (scene.key, resolution)
        for scene in keys.scenes
        for resolution in keys.resolutions
        if (scene.resolutions is None or resolution in scene.resolutions)
        and holds(tags=scene.tags, scenes=(scene.key,), resolutions=(resolution,))
    )
    words = [each for name, both in kinds.items() for each in zip(both, asked[name], strict=True)]
    told = "; ".join(f"{word} {', '.join(names)}" for word, names in words if names)
    definition = definition or told or "every scene at every resolution"
    return CutEntry(key=table.key, label=table.label or table.key, definition=definition, cells=cells)


def _each(keys: PlanKeys) -> Iterator[CutEntry]:
    for tag in dict.fromkeys(tag for scene in keys.scenes for tag in scene.tags):
        if "tag" in keys.cut_each and any(tag not in scene.tags for scene in keys.scenes):
            yield _cut(keys, CutKeys(key=f"with-{tag}", label=f"Scenes tagged {tag}", tags=(tag,)))
            yield _cut(keys, CutKeys(key=f"without-{tag}", label=f"Without scenes tagged {tag}", without_tags=(tag,)))
    if "resolution" in keys.cut_each and len(keys.resolutions) > 1:
        for name in keys.resolutions:
            yield _cut(keys, CutKeys(key=name, label=f"{name} only", resolutions=(name,)), f"every scene at {name}")


def _captures(source: TomlSource, plan: PlanKeys, folder: Path) -> CapturesPlan:
    from frametime.adapters.capture_start import any_ns
    from frametime.units import zone_named

    keys = plan.captures
    pattern, sensors = (
        None if text is None else PathPattern.parse(text, where=str(source.fault(("captures", key), "")))
        for key, text in (("pattern", keys.pattern), ("sensors", keys.sensors))
    )
    assert isinstance(pattern, PathPattern)
    several = {"card": plan.cards, "scene": plan.scenes, "resolution": plan.resolutions}
    absent = [f"{{{field}}}" for field, names in several.items() if len(names) > 1 and field not in pattern.fields]
    if absent:
        helps = "add it to the pattern"
        if "{card}" in absent:
            helps += ", or put the captures of each card into a folder with its name"
        raise source.fault(("captures", "pattern"), f"lacks {', '.join(map(shown, absent))}", helps)
    if isinstance(sensors, PathPattern) and not set(sensors.fields) <= set(pattern.fields):
        found = f"has the fields {', '.join(map(shown, sensors.fields))}"
        raise source.fault(("captures", "sensors"), found, f"allowed: those of the pattern, {one_of(pattern.fields)}")
    for path, test, told in (
        (("time_zone",), zone_named, keys.time_zone),
        *((("recorded_from", name), any_ns, time) for name, time in keys.recorded_from.items()),
    ):
        try:
            _ = None if told is None else test(told)
        except ValueError as error:
            raise source.refuse(("captures", *path), str(error)) from error
    files = {name: getattr(keys, name) for name in ("folder", "layout", "sensor_layout")}
    paths: dict[str, Any] = {name: None if file is None else folder / file for name, file in files.items()}
    return CapturesPlan(**paths, pattern=pattern, sensors=sensors, keys=keys)


def orders_of(design: ReviewDesign, keys: OrderKeys) -> tuple[Sequence[OrderQuality], int, tuple[Step, ...]]:
    """What each order of the runs planned would cost and buy, which of them to take, and its steps."""
    cost = Cost(run_min=keys.minutes_per_run, swap_min=keys.minutes_per_swap)
    cards = [card.key for card in design.cards]
    found = orders(cards, design.cells, design.runs_planned, seed=keys.seed, cost=cost)
    at = recommended(found, keys.swaps)
    return [one for one, _ in found], at, found[at][1]


def changed_order(keys: OrderKeys | None, given: Mapping[str, float]) -> OrderKeys:
    """The keys of a plan, or those by default, with others in place of some."""
    return msgspec.structs.replace(keys or OrderKeys(), **given)


def order_lines(keys: OrderKeys) -> str:
    """The table as it stands in a plan."""
    told = {name: value for name, value in msgspec.structs.asdict(keys).items() if value is not None}
    return "\n".join(["[order]", *(f"{name} = {value:.15g}" for name, value in told.items())])


def chosen_order(design: ReviewDesign, keys: OrderKeys | None) -> tuple[Step, ...]:
    """The steps of the order that a plan asks for; none where it asks for no order."""
    return () if keys is None else orders_of(design, keys)[2]
