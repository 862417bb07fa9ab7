"""Drift, change and warm-up in words."""

from __future__ import annotations

from typing import Final, Literal

from frametime.metrics.findings import Change, WarmUp
from frametime.words import counted

_MINUS: Final = "\N{MINUS SIGN}"


def seconds(time_s: float) -> str:
    """A time for a sentence: whole seconds from 20 s on, one decimal below.

    Examples
    --------
    >>> seconds(41.3), seconds(3.71)
    ('41 s', '3.7 s')
    """
    return f"{time_s:.0f} s" if time_s >= 20.0 else f"{time_s:.1f} s"


def percent(value: float) -> str:
    """Two significant digits and never an exponent.

    Examples
    --------
    >>> percent(5.21), percent(0.034), percent(152.3)
    ('5.2', '0.034', '152')
    """
    size = abs(value)
    if size >= 100.0:
        return f"{size:.0f}"
    return f"{size:.1f}" if size >= 1.0 else f"{size:.2g}" if size >= 0.001 else "0"


def change_sentence(kind: Literal["level", "spread"], before_ms: float, after_ms: float, time_s: float) -> str:
    """One change.

    Examples
    --------
    >>> change_sentence("level", 8.0, 8.416, 41.2)
    '5.2 % slower after 41 s (median 8.00 to 8.42 ms)'
    >>> change_sentence("spread", 0.5, 1.0, 12.0)
    'steps from frame to frame 2.0 times as large after 12.0 s (0.50 to 1.00 ms)'
    """
    values = f"{before_ms:.3g} to {after_ms:.3g} ms" if min(before_ms, after_ms) < 0.01 else None
    values = values or f"{before_ms:.2f} to {after_ms:.2f} ms"
    if kind == "level":
        word = "slower" if after_ms > before_ms else "faster"
        change_pct = 100.0 * (after_ms / before_ms - 1.0)
        return f"{percent(change_pct)} % {word} after {seconds(time_s)} (median {values})"
    ratio = after_ms / before_ms
    how = f"{ratio:.1f} times as large" if ratio > 1.0 else f"down to {100.0 * ratio:.0f} %"
    return f"steps from frame to frame {how} after {seconds(time_s)} ({values})"


def warm_up_sentence(skip_s: float, difference_pct: float) -> str:
    """The warm-up.

    Examples
    --------
    >>> warm_up_sentence(12.0, -4.2)
    'the first 12.0 s are warm-up, 4.2 % faster than the rest'
    """
    word = "slower" if difference_pct > 0.0 else "faster"
    return f"the first {seconds(skip_s)} are warm-up, {percent(difference_pct)} % {word} than the rest"


def open_sentence(low_pct: float, high_pct: float, part: str) -> str:
    """What is left open where neither drift nor its absence is shown.

    Examples
    --------
    >>> open_sentence(-7.2, 21.0, "this run")
    'the level may change by −7.2 to +21.0 % over this run'
    >>> open_sentence(-143.0, 147.0, "the rest")
    'the level may change by 100 % or more over the rest'
    """
    # A slope that would take the level below 0 is no bound at all.
    is_bound = max(abs(low_pct), abs(high_pct)) < 100.0
    change = f"{low_pct:+.1f} to {high_pct:+.1f} %".replace("-", _MINUS) if is_bound else "100 % or more"
    return f"the level may change by {change} over {part}"


def drift_sentence(
    *,
    slope_pct_per_min: float,
    interval_pct_per_min: tuple[float, float],
    minutes: float,
    is_drift: bool,
    is_steady: bool,
    wander_pct: float | None,
    changes: tuple[Change, ...],
    warm_up: WarmUp | None,
) -> str:
    """All of it in one sentence; a step in the level is told instead of the slope that it causes."""
    parts = [] if warm_up is None else [warm_up.sentence]
    parts += [change.sentence for change in changes[:3]]
    if len(changes) > 3:
        parts.append(counted(len(changes) - 3, "more change"))
    if not any(change.kind == "level" for change in changes):
        low, high = interval_pct_per_min
        rest = "" if warm_up is None else " in the rest"
        if is_drift:
            word = "slower" if slope_pct_per_min > 0.0 else "faster"
            bounds = sorted((abs(low), abs(high)))
            parts.append(
                f"{percent(slope_pct_per_min)} % {word} per minute{rest} ({percent(bounds[0])} to {percent(bounds[1])})"
            )
        elif wander_pct is not None:
            parts.append(
                f"the level goes up and down{rest} by {percent(wander_pct)} % (standard deviation), with no drift"
            )
        elif is_steady:
            parts.append(f"no drift found{rest} ({low:+.1f} to {high:+.1f} % per minute)".replace("-", _MINUS))
        else:
            parts.append(open_sentence(low * minutes, high * minutes, "this run" if warm_up is None else "the rest"))
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."
