"""What the file of a plan may hold: one class a table, with the default of each key.

With them what ``[[cuts]]`` and ``[order]`` mean: the cells that are looked at together, and the order of the runs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Final, Literal, TypeAlias

import msgspec
from msgspec import Meta, Struct

from frametime.lab.sessions import Cost, OrderQuality, Step, orders, recommended
from frametime.ranges import RANGES
from frametime.review.design import CutEntry, ReviewDesign, SampleUnit, SpreadRule
from frametime.settings.decoding import within
from frametime.settings.toml_source import TomlSource

DEFAULT_PATTERN: Final = "{card}/{scene}/{resolution}/run{run}.csv"

Text: TypeAlias = Annotated[str, Meta(pattern=r"\S", description='a text in quotes, such as "stock"')]
Key: TypeAlias = Annotated[
    str, Meta(pattern=r"^[^/\\]*[^/\\\s][^/\\]*$", description="the name in the paths of the captures, without '/'")
]
Texts: TypeAlias = Annotated[tuple[Text, ...], Meta(description='a list of texts, such as ["1440p", "2160p"]')]
Price: TypeAlias = Annotated[float, within("price")]
Color: TypeAlias = Annotated[str, Meta(pattern=r"^#[0-9A-Fa-f]{6}$", description='a color, such as "#543282"')]
Percent: TypeAlias = Annotated[float, within("slowest_pcts")]


class CapturesKeys(Struct, frozen=True, kw_only=True):
    """``[captures]``: where the captures lie and how they are read."""

    folder: Text = "."
    pattern: Text = DEFAULT_PATTERN
    sensors: Text | None = None
    layout: Text | None = None
    sensor_layout: Text | None = None
    sensor_device: Text | None = None
    sensor_offset_s: Annotated[float, within("offset_s")] | None = None
    time_zone: Text | None = None
    recorded_from: dict[Text, Text] = {}
    skip_start_s: Annotated[float, within("skip_start_s")] = 0.0
    skip_end_s: Annotated[float, within("skip_end_s")] = 0.0
    skip_warm_up: bool = False


class MeasureKeys(Struct, frozen=True, kw_only=True):
    """``[measure]``: parameters of the metrics."""

    quantile_type: Annotated[int, within("quantile_type")] = 7
    stutter_ratio: Annotated[float, within("ratio")] = 2.0
    stutter_window_s: Annotated[float, within("window_s")] = 1.0
    stutter_min_excess_ms: Annotated[float, within("min_excess_ms")] = 4.0
    slowest_pcts: Annotated[tuple[Percent, ...], Meta(min_length=1, description="a list such as [1, 0.1]")] = (1.0, 0.1)
    refresh: Text | None = None
    tearing: bool = False


class CardKeys(Struct, frozen=True, kw_only=True):
    """``[[cards]]``."""

    key: Key
    label: Text | None = None
    color: Color | None = None
    price: Price | None = None
    currency: Text | None = None
    settings: Text | None = None
    driver: Text | None = None
    operating_system: Text | None = None
    temperature_limit_c: Annotated[float, within("temperature_limit_c")] | None = None
    power_limit_w: Annotated[float, within("power_limit_w")] | None = None


class SceneKeys(Struct, frozen=True, kw_only=True):
    """``[[scenes]]``; without ``resolutions`` a scene is played at all of the plan's."""

    key: Key
    label: Text | None = None
    tags: Texts = ()
    settings: Text | None = None
    version: Text | None = None
    resolutions: Texts | None = None


class CutKeys(Struct, frozen=True, kw_only=True):
    """``[[cuts]]``."""

    key: Text
    label: Text | None = None
    tags: Texts = ()
    without_tags: Texts = ()
    scenes: Texts = ()
    without_scenes: Texts = ()
    resolutions: Texts = ()
    without_resolutions: Texts = ()


class RunningCostKeys(Struct, frozen=True, kw_only=True):
    """``[running_cost]``."""

    tariff_per_kwh: Annotated[float, within("tariff_per_kwh")]
    hours_per_day: Annotated[float, within("hours_per_day")]
    years: Annotated[float, within("years")] = 1.0
    currency: Text | None = None


class OrderKeys(Struct, frozen=True, kw_only=True):
    """``[order]``: in which order runs are made, and what it costs."""

    seed: Annotated[int, within("seed")] = 1
    swaps: Annotated[int, within("swaps")] | None = None
    minutes_per_swap: Annotated[float, within("minutes_per_swap")] = 10.0
    minutes_per_run: Annotated[float, within("minutes_per_run")] = 3.0


class ShelfKeys(Struct, frozen=True, kw_only=True):
    """``[shelf]``: measured runs of other sessions."""

    folder: Text
    session: Text | None = None
    cards: Texts = ()
    near: Annotated[int, within("near")] | None = None
    near_by: Literal["speed", "price"] = "speed"

    @property
    def takes_cards(self) -> bool:
        """Whether the review compares cards of other sessions."""
        return bool(self.cards) or self.near is not None


class ExcludeKeys(Struct, frozen=True, kw_only=True):
    """``[[exclude]]``."""

    run: Text
    reason: Text


class PublishKeys(Struct, frozen=True, kw_only=True):
    """``[publish]``: how charts are made fit for an article."""

    notes: Literal["short", "full", "none"] = "short"
    titles: dict[str, Text] = {}
    labels: dict[str, dict[Text, Text]] = {}
    bench: Texts = ()
    numbers: Literal["1,234.5", "1.234,5", "1 234,5", "1'234.5"] = "1,234.5"
    accent: Color | None = None
    font: Text | None = None
    logo: Text | None = None
    sizes: Texts = ()
    themes: Texts = ()


class PlanKeys(Struct, frozen=True, kw_only=True):
    """The top of a plan."""

    title: Text | None = None
    author: Text | None = None
    bench: Text | Texts = ()
    baseline: Text
    margin: Annotated[
        float, within("margin", description=f"{RANGES['margin']}, for margin is a fraction: for 3 % write 0.03")
    ] = 0.03
    headline: Text | None = None
    metrics: Texts = ()
    resolutions: Texts
    runs: Annotated[int, within("runs")] = 3
    looks: Annotated[tuple[Annotated[int, within("looks")], ...], Meta(max_length=10)] = ()
    currency: Text | None = None
    subject: Text | Texts | None = None
    charts: Texts | None = None
    spread: SpreadRule = "shared"
    sample_unit: SampleUnit = "scene"
    must_be_equal: tuple[Literal["driver", "operating_system"], ...] = ()
    captures: CapturesKeys
    measure: MeasureKeys = MeasureKeys()
    cards: tuple[CardKeys, ...]
    scenes: tuple[SceneKeys, ...]
    cuts: tuple[CutKeys, ...] = ()
    cut_each: tuple[Literal["resolution", "tag"], ...] = ("resolution",)
    running_cost: RunningCostKeys | None = None
    publish: PublishKeys = PublishKeys()
    order: OrderKeys | None = None
    shelf: ShelfKeys | None = None
    exclude: tuple[ExcludeKeys, ...] = ()


def cuts_of(source: TomlSource, keys: PlanKeys) -> tuple[CutEntry, ...]:
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
    cells = tuple(
        (scene.key, resolution)
        for scene in keys.scenes
        for resolution in keys.resolutions
        if (scene.resolutions is None or resolution in scene.resolutions)
        and (not table.tags or set(table.tags) & set(scene.tags))
        and not set(table.without_tags) & set(scene.tags)
        and (not table.scenes or scene.key in table.scenes)
        and scene.key not in table.without_scenes
        and (not table.resolutions or resolution in table.resolutions)
        and resolution not in table.without_resolutions
    )
    words = {
        "tagged": table.tags,
        "not tagged": table.without_tags,
        "scenes": table.scenes,
        "without scenes": table.without_scenes,
        "at": table.resolutions,
        "not at": table.without_resolutions,
    }
    told = "; ".join(f"{word} {', '.join(names)}" for word, names in words.items() if names)
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
