"""The text of a first plan: what was found filled in, and what a person adds as comments."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from frametime.tuning.toml_text import toml_value


@dataclass(frozen=True, kw_only=True)
class DraftParts:
    """What is filled in: folder as seen from the plan, path patterns, keys in their order, runs a cell."""

    folder: str
    pattern: str
    sensors: str | None
    cards: Sequence[str]
    scenes: Sequence[str]
    resolutions: Sequence[str]
    n_runs: int


def draft_text(parts: DraftParts) -> str:
    """The plan as TOML, ready to edit."""
    lines = [*_head(parts), *_captures(parts)]
    for card, label in zip(parts.cards, labels(parts.cards), strict=True):
        lines += [
            "[[cards]]",
            f"key = {toml_value(card)}",
            f"label = {toml_value(label)}",
            "# price = 499",
            '# settings = "stock"',
            '# driver = "1.0"',
            "",
        ]
    for scene, label in zip(parts.scenes, labels(parts.scenes), strict=True):
        lines += ["[[scenes]]", f"key = {toml_value(scene)}", f"label = {toml_value(label)}", "tags = []", ""]
    return "\n".join([*lines, *_offers(parts)])


def _head(parts: DraftParts) -> list[str]:
    return [
        "# The plan of a review. Edit it, then: frametime review PLAN.toml --coverage",
        "",
        'title = "Title of the review"',
        f"baseline = {toml_value(parts.cards[0])}  # the card that the others are compared with",
        "margin = 0.03  # a difference that counts: 0.03 is 3 %",
        'metrics = ["average_fps", "low_1pct_percentile_fps"]  # the first is the headline',
        f"resolutions = [{', '.join(toml_value(resolution) for resolution in parts.resolutions)}]",
        f"runs = {parts.n_runs}  # planned for each card in each cell",
        'currency = "EUR"',
        "",
    ]


def _captures(parts: DraftParts) -> list[str]:
    example = '# sensors = "{card}/{scene}/{resolution}/run{run}.sensors.csv"'
    return [
        "[captures]",
        f"folder = {toml_value(parts.folder)}",
        f"pattern = {toml_value(parts.pattern)}",
        example if parts.sensors is None else f"sensors = {toml_value(parts.sensors)}",
        '# layout = "layout.toml"  # a column layout, where the logs leave a choice',
        "",
    ]


def _offers(parts: DraftParts) -> list[str]:
    """What a plan may hold besides, as comments."""
    run = "/".join([parts.cards[0], parts.scenes[0], parts.resolutions[0], "1"])
    return [
        "# [[cuts]]  # cells that are also shown by themselves; one for each resolution is made anyway",
        '# key = "without-ray-tracing"',
        '# label = "Without ray-traced scenes"',
        '# without_tags = ["ray-traced"]',
        "",
        "# [running_cost]  # where there are sensor logs",
        "# tariff_per_kwh = 0.32",
        "# hours_per_day = 3",
        "# years = 4",
        "",
        "# [[exclude]]  # a run that must not count, with the reason that every output prints",
        f"# run = {toml_value(run)}",
        '# reason = "a program update ran in the background"',
        "",
    ]


def labels(keys: Sequence[str]) -> list[str]:
    """What readers see for each key: words with capitals, or the key itself where two would look the same.

    Examples
    --------
    >>> labels(["amber-6", "brae_41"]), labels(["amber", "Amber"])
    (['Amber 6', 'Brae 41'], ['amber', 'Amber'])
    """
    told = [_label(key) for key in keys]
    counts = Counter(told)
    return [label if counts[label] == 1 else key for key, label in zip(keys, told, strict=True)]


def _label(key: str) -> str:
    return " ".join(word[:1].upper() + word[1:] for word in re.split(r"[-_ ]+", key) if word) or key
