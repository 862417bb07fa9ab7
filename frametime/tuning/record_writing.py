"""A tuning record as text: a first record, and a trial to append."""

from __future__ import annotations

from typing import Any, Final

from frametime.tuning.record import Trial
from frametime.tuning.toml_text import toml_value


def trial_text(trial: Trial) -> str:
    """One trial as a ``[[trials]]`` table that `parse_record` reads back equal; what is not known is left out."""
    values: dict[str, Any] = {
        "core_offset_mhz": trial.setting.core_offset_mhz,
        "memory_offset_mhz": trial.setting.memory_offset_mhz,
        "workload": trial.workload,
        "outcome": trial.outcome.value,
        "endurance": trial.is_endurance or None,
        "minutes": trial.minutes,
        "power_limit_w": trial.power_limit_w,
        "logs": trial.logs,
        "sensors": trial.sensors,
        "average_fps": trial.average_fps,
        "average_power_w": trial.average_power_w,
        "peak_temperature_c": trial.peak_temperature_c,
        "on": trial.on,
        "note": trial.note,
    }
    lines = [f"{key} = {toml_value(value)}" for key, value in values.items() if value not in (None, (), "")]
    return "\n".join(("[[trials]]", *lines, ""))


TEMPLATE: Final = """\
# A tuning record of frametime. Keep it by hand, or let 'frametime tune add' append to it.

[card]
name = "my card"
# core_clock_mhz = 2400      # at stock, for your own record
# memory_clock_mhz = 2100

# Nothing beyond these is ever proposed. The numbers here are examples: put the manufacturer's first.
[limits]
temperature_c = 85           # reasonable under load: below 85 to 90 (common practice, no source)
max_core_offset_mhz = 250
max_memory_offset_mhz = 1000
# power_w = 250              # the card's power limit at its maximum

# From the lightest to the heaviest. memory_heavy = true where the memory is loaded more than the core.
[[workloads]]
name = "light scene"

[[workloads]]
name = "heavy scene"
memory_heavy = false
"""
