"""The plan of the invented review."""

from __future__ import annotations

from frametime.demo.scenario import BASELINE, CARDS, CURRENCY, RESOLUTIONS, RUNS, SCENES

_HEAD = """\
# A review of three invented cards in five invented scenes. Nothing in it stands for a real product.
title = "Three cards, five scenes"
baseline = "{baseline}"
margin = 0.03
metrics = ["average_fps", "low_1pct_percentile_fps"]
resolutions = [{resolutions}]
runs = {runs}

[captures]
folder = "captures"
pattern = "{{card}}/{{scene}}/{{resolution}}/run{{run}}.csv.gz"
sensors = "{{card}}/{{scene}}/{{resolution}}/run{{run}}.sensors.csv"
"""


def plan_text() -> str:
    """The plan as TOML."""
    parts = [
        _HEAD.format(
            baseline=BASELINE, resolutions=", ".join(f'"{resolution}"' for resolution in RESOLUTIONS), runs=len(RUNS)
        )
    ]
    for card in CARDS:
        parts.append(
            "[[cards]]\n"
            f'key = "{card.key}"\n'
            f'label = "{card.label}"\n'
            f"price = {card.price:.2f}\n"
            f'currency = "{CURRENCY}"\n'
            f'settings = "{card.settings}"\n'
            f'driver = "{card.driver}"\n'
        )
    for scene in SCENES:
        tags = ", ".join(f'"{tag}"' for tag in scene.tags)
        parts.append(f'[[scenes]]\nkey = "{scene.key}"\nlabel = "{scene.label}"\ntags = [{tags}]\n')
    return "\n".join(parts)
