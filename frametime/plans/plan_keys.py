"""What the file of a plan may hold: one class a table, with the default of each key."""

from __future__ import annotations

from typing import Annotated, Final, Literal, TypeAlias

from msgspec import Meta, Struct

from frametime.ranges import RANGES
from frametime.review.design import SampleUnit, SpreadRule
from frametime.settings.decoding import within

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
    segment: Literal["longest"] | None = None


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
