"""The type of every confidence interval: what measures, compares or draws needs no more than it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Interval:
    """A confidence interval. ``level`` is between 0 and 1; ``method`` says of what and how."""

    low: float
    high: float
    level: float
    method: str

    def __post_init__(self) -> None:
        if not self.low <= self.high:
            raise ValueError(f"low must not exceed high, got {self.low!r} and {self.high!r}")
        if not 0.0 < self.level < 1.0:
            raise ValueError(f"level must be between 0 and 1, got {self.level!r}")

    def scaled(self, factor: float, what: str | None = None) -> Interval:
        """The interval of a positive multiple; ``what`` names the multiple in the method."""
        method = self.method if what is None else f"{what}, from {self.method}"
        return Interval(low=self.low * factor, high=self.high * factor, level=self.level, method=method)

    def shifted(self, amount: float) -> Interval:
        """The interval of the number and an exact amount."""
        return Interval(low=self.low + amount, high=self.high + amount, level=self.level, method=self.method)

    def of_reciprocal(self) -> Interval:
        """The interval of one over a positive number."""
        return Interval(low=1.0 / self.high, high=1.0 / self.low, level=self.level, method=self.method)
