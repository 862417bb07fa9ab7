"""The plan of the invented review."""

from __future__ import annotations

from frametime.demo.scenario import (
    BAD_RUN,
    BASELINE,
    CARDS,
    CURRENCY,
    HOURS_PER_DAY,
    OPERATING_SYSTEM,
    RESOLUTIONS,
    RUNS,
    SCENE_SETTINGS,
    SCENES,
    TARIFF_PER_KWH,
    YEARS,
)
from frametime.settings.toml_writing import toml_lines, toml_value

_HEAD = """\
# A review of three invented cards in five invented scenes. Nothing in it stands for a real product.
title = "Three cards, five scenes"
baseline = {baseline}
currency = {currency}

# A smaller difference does not count as meaningful, as a fraction.
margin = 0.03
headline = "average_fps"
# "frametime metrics" lists all that can be compared.
metrics = ["average_fps", "low_1pct_percentile_fps"]

resolutions = {resolutions}
# Runs of each card in each scene at each resolution.
runs = {runs}
# One cut of the result for each resolution, beside those named below.
cut_each = ["resolution"]

[captures]
folder = "captures"
pattern = "{{card}}/{{scene}}/{{resolution}}/run{{run}}.csv.gz"
sensors = "{{card}}/{{scene}}/{{resolution}}/run{{run}}.sensors.csv"

[running_cost]
tariff_per_kwh = {tariff:.2f}
hours_per_day = {hours:g}
years = {years:g}
"""

_CUTS = """\
[[cuts]]
key = "ray-traced"
label = "Ray-traced scenes"
tags = ["ray-traced"]

[[cuts]]
key = "not-ray-traced"
label = "Without ray-traced scenes"
without_tags = ["ray-traced"]
"""

_EXCLUDE = """\
# A run stays in until it is left out by name, and the reason is printed with every result.
# Remove the # signs to leave out the run that a background task spoiled:
#
# [[exclude]]
# run = "{run}"
# reason = "a background task was running"
"""


def plan_text() -> str:
    """The plan as TOML."""
    parts = [
        _HEAD.format(
            baseline=toml_value(BASELINE),
            currency=toml_value(CURRENCY),
            resolutions=toml_value(RESOLUTIONS),
            runs=len(RUNS),
            tariff=TARIFF_PER_KWH,
            hours=HOURS_PER_DAY,
            years=YEARS,
        )
    ]
    for card in CARDS:
        head = toml_lines({"key": card.key, "label": card.label})
        rest = toml_lines({"settings": card.settings, "driver": card.driver, "operating_system": OPERATING_SYSTEM})
        parts.append(f"[[cards]]\n{head}price = {card.price:.2f}\n{rest}")
    for scene in SCENES:
        keys = toml_lines({"key": scene.key, "label": scene.label, "tags": scene.tags, "settings": SCENE_SETTINGS})
        parts.append(f"[[scenes]]\n{keys}")
    parts += [_CUTS, _EXCLUDE.format(run="/".join(map(str, BAD_RUN)))]
    return "\n".join(parts)
