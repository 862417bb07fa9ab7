"""How large and how small a number may be that a person gives, as an option, as a key of a file or from Python."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

DAY_S: Final = 86_400.0


class Range(NamedTuple):
    """From one number to another, both allowed; of whole numbers where both are whole.

    Attributes
    ----------
    low, high : int or float
    above : bool
        Whether ``low`` itself is too low.

    Examples
    --------
    >>> str(Range(0.0, 60.0)), str(Range(1.0, 9.5, above=True)), str(Range(1, 9))
    ('a number from 0 to 60', 'a number above 1 and up to 9.5', 'a whole number from 1 to 9')
    """

    low: float
    high: float
    above: bool = False

    @property
    def is_whole(self) -> bool:
        """Whether it is one of whole numbers."""
        return isinstance(self.low, int)

    def __str__(self) -> str:
        start = f"above {self.low:.15g} and up" if self.above else f"from {self.low:.15g}"
        return f"a {'whole ' if self.is_whole else ''}number {start} to {self.high:.15g}"

    def holds(self, value: float) -> bool:
        """Whether the value may be; what is not a number may not."""
        return (self.low < value if self.above else self.low <= value) and value <= self.high


RANGES: Final[Mapping[str, Range]] = {
    # Reading
    "skip_start_s": Range(0.0, DAY_S),
    "skip_end_s": Range(0.0, DAY_S),
    "from_s": Range(0.0, DAY_S),
    "to_s": Range(0.0, DAY_S),
    "max_rejected_fraction": Range(0.0, 1.0),
    "tolerated_rows": Range(0, 1 << 30),
    "max_rejected_pct": Range(0.0, 100.0),
    "max_line_bytes": Range(1, 1 << 28),
    "max_columns": Range(1, 100_000),
    "max_decompressed_bytes": Range(1, 1 << 50),
    "max_decompression_ratio": Range(1.0, 1e12),
    "offset_s": Range(-1e9, 1e9),
    # Measuring
    "quantile_type": Range(1, 9),
    "slowest_pcts": Range(1e-6, 99.999),
    "ratio": Range(1.0, 1000.0, above=True),
    "window_s": Range(0.001, 3600.0),
    "min_excess_ms": Range(0.0, 60_000.0),
    "temperature_limit_c": Range(1.0, 200.0),
    "power_limit_w": Range(1.0, 5000.0),
    "workers": Range(1, 1024),
    "max_worker_bytes": Range(1 << 28, 1 << 50),
    "max_file_seconds": Range(0.0, DAY_S, above=True),
    "settle_s": Range(0.01, 3600.0),
    "runs": Range(1, 1000),
    "looks": Range(2, 1000),
    # Films
    "film_start_s": Range(-DAY_S, DAY_S),
    "film_window_s": Range(1.0, 600.0),
    # Plans
    "margin": Range(1e-4, 0.9999),
    "seed": Range(0, (1 << 31) - 1),
    "swaps": Range(0, 10_000),
    "minutes_per_swap": Range(0.0, 1440.0),
    "minutes_per_run": Range(0.1, 1440.0),
    "near": Range(1, 1000),
    "price": Range(1e-4, 1e12),
    "tariff_per_kwh": Range(1e-4, 1e6),
    "hours_per_day": Range(0.01, 24.0),
    "years": Range(0.01, 100.0),
    # Tuning
    "offset_mhz": Range(-5000, 5000),
    "lowered_mv": Range(-500, 0),
    "power_limit_pct": Range(10.0, 100.0),
    "minutes": Range(0.0, 10_000.0, above=True),
    "fps": Range(0.0, 1_000_000.0, above=True),
}
"""By the name of the field that holds the number."""


def check_ranges(values: object, *names: str) -> None:
    """Refuse fields that are out of their range; ``None`` stands for no number, and each of several is looked at.

    Raises
    ------
    ValueError
        With the name of the field, what is allowed, and what was found.
    """
    for name in names:
        found = getattr(values, name)
        for value in found if isinstance(found, tuple) else (found,):
            if value is not None and not RANGES[name].holds(value):
                raise ValueError(f"{name} must be {RANGES[name]}, got {value!r}")
