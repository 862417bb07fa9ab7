"""Metrics for which resampling a run gives no interval, and why."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

EXTREME: Final = (
    "an extreme of the run: drawing its frames anew never goes beyond it "
    "(Bickel and Freedman, Annals of Statistics 9, 1981)"
)
"""P. J. Bickel and D. A. Freedman, "Some asymptotic theory for the bootstrap", Annals of Statistics 9, 1981, 1196-1217,
section 6 (section and pages from memory): the bootstrap of a largest value does not tend to its distribution."""

INSTANT: Final = "the value at one instant of the run: there is no second one to compare it with"
ORDER: Final = "found from the order of the run in time, which resampling in blocks does not keep"
HEAT: Final = "it follows the heating of the card: parts of the run cannot stand for one another"
UNKNOWN: Final = "no way to resample this metric is known"

REASONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "max_frame_time_ms": EXTREME,
        "motion_step_error_worst_ms": EXTREME,
        "dropped_longest_run": EXTREME,
        "peak_power_w": EXTREME,
        "peak_temperature_c": EXTREME,
        "min_core_clock_mhz": EXTREME,
        "pacing_jitter_last_ms": INSTANT,
        "end_temperature_c": INSTANT,
        "warm_up_s": ORDER,
        "level_change_count": ORDER,
        "spectrum_line_hz": ORDER,
        "spectrum_line_ms": ORDER,
        "average_temperature_c": HEAT,
        "time_above_temperature_limit_fraction": HEAT,
        "throttling_count": HEAT,
        "throttling_time_fraction": HEAT,
    }
)
"""By key of the catalog."""
