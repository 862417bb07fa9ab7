"""What a review asks: cards, scenes, cuts, metrics, margin and rules, free of files and folders."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal, TypeAlias

from frametime.metrics.metric import Better

SpreadRule: TypeAlias = Literal["shared", "own", "pooled"]
SampleUnit: TypeAlias = Literal["scene", "cell"]
Place: TypeAlias = tuple[str, str, str]
"""Card, scene, resolution."""

ALWAYS_EQUAL: Final = ("scene", "scene_settings", "resolution")
"""Conditions that never differ between the two sides of a comparison."""
EQUAL_WHERE_ASKED: Final = ("driver", "operating_system")
"""Conditions whose difference is a caveat, unless the plan asks that they be equal."""


@dataclass(frozen=True, kw_only=True)
class AtPlace:
    """What belongs to a card in a scene at a resolution."""

    card: str
    scene: str
    resolution: str

    @property
    def place(self) -> Place:
        """Card, scene, resolution."""
        return self.card, self.scene, self.resolution


def named(place: Place) -> dict[str, str]:
    """A place by the names of the fields of `AtPlace`."""
    return dict(zip(("card", "scene", "resolution"), place, strict=True))


@dataclass(frozen=True, kw_only=True)
class MetricEntry:
    """A metric of the review: what it is called, counted in, and which way is better."""

    key: str
    label: str
    unit: str
    better: Better
    definition: str
    source: str
    is_headline: bool


@dataclass(frozen=True, kw_only=True)
class CardEntry:
    """A card that is compared. ``price`` is in ``currency``; ``None`` where the plan gives none."""

    key: str
    label: str
    price: float | None
    currency: str | None
    settings: str | None
    driver: str | None
    is_baseline: bool


def priced_alike(cards: Sequence[CardEntry]) -> tuple[CardEntry, ...]:
    """The cards in one currency, the baseline's or that of the first card with a price; none in another has a price."""
    priced = sorted((card for card in cards if card.price is not None), key=lambda card: not card.is_baseline)
    currency = priced[0].currency if priced else None
    return tuple(card if card.currency == currency else replace(card, price=None, currency=currency) for card in cards)


@dataclass(frozen=True, kw_only=True)
class SceneEntry:
    """A scene, with the tags by which cuts choose it."""

    key: str
    label: str
    tags: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class CutEntry:
    """A choice of cells: (scene, resolution) pairs in the order of the plan, and the choice in words."""

    key: str
    label: str
    definition: str
    cells: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class RunningCost:
    """What electricity costs and how long the card is in use.

    ``tariff_per_kwh`` is in ``currency``; ``hours_per_day`` of play; ``years`` of use.
    """

    tariff_per_kwh: float
    hours_per_day: float
    years: float
    currency: str | None


@dataclass(frozen=True, kw_only=True)
class Entries:
    """What a review compares, and by what; a ``KeyError`` where an entry is asked for by a key that there is not.

    Attributes
    ----------
    margin : float
        Difference that counts as meaningful, as a fraction (0.03 is 3 %).
    baseline : str
        Key of the baseline card.
    headline : str
        Key of the metric of which the sentences speak.
    cuts : tuple of CutEntry
        The first is always ``all``.
    sample_unit : {'scene', 'cell'}
        What is one draw in *scenes like these*. Scene is the default: the resolutions of one scene are not new
        scenes, and counting them as such makes that interval too narrow.
    """

    title: str
    margin: float
    baseline: str
    headline: str
    cards: tuple[CardEntry, ...]
    scenes: tuple[SceneEntry, ...]
    resolutions: tuple[str, ...]
    cuts: tuple[CutEntry, ...]
    metrics: tuple[MetricEntry, ...]
    sample_unit: SampleUnit = "scene"

    def card(self, key: str) -> CardEntry:
        """The card of that key."""
        return {entry.key: entry for entry in self.cards}[key]

    def scene(self, key: str) -> SceneEntry:
        """The scene of that key."""
        return {entry.key: entry for entry in self.scenes}[key]

    def cut(self, key: str) -> CutEntry:
        """The cut of that key."""
        return {entry.key: entry for entry in self.cuts}[key]

    def metric(self, key: str) -> MetricEntry:
        """The metric of that key."""
        return {entry.key: entry for entry in self.metrics}[key]

    def label(self, card: str) -> str:
        """What a card is called."""
        return self.card(card).label

    def cell_label(self, scene: str, resolution: str) -> str:
        """What a cell is called: ``Harbor at 1440p``."""
        return f"{self.scene(scene).label} at {resolution}"


@dataclass(frozen=True, kw_only=True)
class ReviewDesign(Entries):
    """Parameters of a review, beside those of `Entries`.

    Attributes
    ----------
    runs_planned : int
        Runs of each card in each cell.
    looks : tuple of int
        Runs of each card after which a verdict is read, where the plan names them; the first are the runs planned.
    spread : {'shared', 'own', 'pooled'}
        Whether a cell's interval rests on the scatter of its own runs, on that of all the card's cells (s_r), or on
        its own drawn toward that of the card's other cells, as far as they scatter alike. Shared is the default: own
        scatter of three runs decides little, and pooling makes the intervals of unsteady scenes far too narrow.
    must_be_equal : tuple of str
        Of ``driver`` and ``operating_system``: a difference is an error and not a caveat.
    scene_resolutions : Mapping of str to (tuple of str)
        Scenes that are played at some of the resolutions only.
    takes_out_drift : bool
        Whether a drift of the session is taken off the runs where their order tells it.
    shelved : Mapping of str to str
        Cards that were measured in another session, and its name.
    subject : tuple of str
        Keys of the cards that the review is about; empty where the plan names none.
    exclusions : Mapping of str to str
        Run name to reason.
    running_cost : RunningCost or None
    """

    runs_planned: int
    spread: SpreadRule = "shared"
    level: float = 0.95
    must_be_equal: tuple[str, ...] = ()
    exclusions: Mapping[str, str] = field(default_factory=dict)
    running_cost: RunningCost | None = None
    scene_resolutions: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    subject: tuple[str, ...] = ()
    looks: tuple[int, ...] = ()
    takes_out_drift: bool = False
    shelved: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not 0.0 < self.margin < 1.0:
            raise ValueError(f"margin must be between 0 and 1, got {self.margin!r}")
        if self.runs_planned < 1:
            raise ValueError(f"runs_planned must be 1 or more, got {self.runs_planned!r}")
        if self.baseline not in {card.key for card in self.cards}:
            raise ValueError(f"baseline must be one of the cards, got {self.baseline!r}")
        if self.headline not in {metric.key for metric in self.metrics}:
            raise ValueError(f"headline must be one of the metrics, got {self.headline!r}")
        if not self.cuts:
            raise ValueError("cuts must hold one cut or more, got none")

    @property
    def cells(self) -> tuple[tuple[str, str], ...]:
        """Every (scene, resolution) of the plan, in its order."""
        return tuple(
            (scene.key, resolution)
            for scene in self.scenes
            for resolution in self.resolutions
            if resolution in self.scene_resolutions.get(scene.key, self.resolutions)
        )

    @property
    def candidates(self) -> tuple[str, ...]:
        """Keys of the cards other than the baseline, in the order of the plan."""
        return tuple(card.key for card in self.cards if card.key != self.baseline)
