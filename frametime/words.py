"""Counts and lists as they stand in a sentence."""

from __future__ import annotations

from collections.abc import Sequence


def counted(count: float, singular: str, plural: str | None = None) -> str:
    """A count and its noun.

    Examples
    --------
    >>> counted(1, "run"), counted(3, "run"), counted(12_500, "frame"), counted(0.5, "hitch", "hitches")
    ('1 run', '3 runs', '12,500 frames', '0.5 hitches')
    """
    number = f"{count:,}" if isinstance(count, int) else f"{count:g}"
    return f"{number} {singular if count == 1 else plural or singular + 's'}"


def joined(parts: Sequence[str]) -> str:
    """A list in a sentence.

    Examples
    --------
    >>> joined([]), joined(["a"]), joined(["a", "b"]), joined(["a", "b", "c"])
    ('', 'a', 'a and b', 'a, b and c')
    """
    return " and ".join(filter(None, [", ".join(parts[:-1]), *parts[-1:]]))
