"""What a review is about: cards, scenes, cuts and metrics of the plan, and the methods used."""

from __future__ import annotations

from dataclasses import dataclass

from frametime.metrics.metric import Better


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
class Method:
    """How a number was made: the definition in words with its parameters, and its source."""

    key: str
    label: str
    text: str
    source: str
