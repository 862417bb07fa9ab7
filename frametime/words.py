"""Counts, lists, changes in percent and amounts of money: written the same way in every output."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import Final, Protocol


class Bounds(Protocol):
    """The two ends of an interval."""

    @property
    def low(self) -> float:
        """Lower end."""

    @property
    def high(self) -> float:
        """Upper end."""


def counted(count: float, singular: str, plural: str | None = None) -> str:
    """A count and its noun.

    Examples
    --------
    >>> counted(1, "run"), counted(3, "run"), counted(12_500, "frame"), counted(0.5, "hitch", "hitches")
    ('1 run', '3 runs', '12,500 frames', '0.5 hitches')
    """
    number = f"{count:,}" if isinstance(count, int) else f"{count:g}"
    return f"{number} {singular if count == 1 else plural or singular + 's'}"


def command_line(words: Sequence[str]) -> str:
    """A command as it can be pasted into a POSIX shell, and into PowerShell, which joins no quoted parts to one word.

    Examples
    --------
    >>> print(command_line(["frametime", "check", "a run.csv", "O'Neill.csv"]))
    frametime check 'a run.csv' "O'Neill.csv"
    """
    return " ".join(f'"{word}"' if "'" in word and not set(word) & set('"$`!') else shlex.quote(word) for word in words)


COMMAND: Final = re.compile(r"  (frametime(?: (?:'[^']*'|\"[^\"]*\"|[^\s'\"])+)+)(?=  |$)")
"""A command in a text: two spaces before it and behind it, one between its words, which may be quoted."""


def joined(parts: Sequence[str]) -> str:
    """A list in a sentence.

    Examples
    --------
    >>> joined([]), joined(["a"]), joined(["a", "b"]), joined(["a", "b", "c"])
    ('', 'a', 'a and b', 'a, b and c')
    """
    return " and ".join(filter(None, [", ".join(parts[:-1]), *parts[-1:]]))


def first_of(parts: Sequence[str], most: int, joint: str = ", ") -> str:
    """The first of some parts, and how many more there are.

    Examples
    --------
    >>> first_of(["a", "b", "c"], 2), first_of(["a", "b"], 2, "; ")
    ('a, b and 1 more', 'a; b')
    """
    more = f" and {len(parts) - most} more" if len(parts) > most else ""
    return joint.join(parts[:most]) + more


def begun(text: str) -> str:
    """A text as a sentence begins.

    Examples
    --------
    >>> begun("average rate (fps)"), begun("")
    ('Average rate (fps)', '')
    """
    return text[:1].upper() + text[1:]


def continued(text: str) -> str:
    """A sentence as it goes on behind another word: a small letter at its start, unless an abbreviation stands there.

    Examples
    --------
    >>> continued("No frame for 3.2 s."), continued("A frame of 300 ms"), continued("JSON rows")
    ('no frame for 3.2 s.', 'a frame of 300 ms', 'JSON rows')
    """
    return text[:1].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text


def entries(text: str) -> list[list[str]]:
    """The entries of a text file of the package: each begins at the margin, and bars part what it is made of.

    Examples
    --------
    >>> entries("mean | the mean\\n    over runs\\nvalue | speed")
    [['mean', 'the mean over runs'], ['value', 'speed']]
    """
    return [" ".join(entry.split()).split(" | ") for entry in re.split(r"\n(?=\S)", text)]


def table_rows(beside: str, name: str) -> list[list[str]]:
    """The rows of a table of the package, a file beside another one, without the names of its columns."""
    return [line.split("\t") for line in Path(beside).with_name(name).read_text("utf-8").splitlines()[1:]]


def signed(number: float, spec: str = "+.1f") -> str:
    """A number by a format, with a minus sign for a hyphen.

    Examples
    --------
    >>> signed(-7.25), signed(21.0), signed(-50, "+d"), signed(-3.0, ".2f")
    ('−7.2', '+21.0', '−50', '−3.00')
    """
    return f"{number:{spec}}".replace("-", "\N{MINUS SIGN}")


def percent_change(ratio: float) -> str:
    """A ratio as a signed change in percent with one decimal.

    One decimal whatever the width of the interval, so that the changes of a column or a sentence can be compared at
    a glance; how sure a change is, its interval tells.

    Examples
    --------
    >>> percent_change(1.052), percent_change(0.97), percent_change(0.9999)
    ('+5.2 %', '−3.0 %', '0.0 %')
    """
    change_pct = round((ratio - 1.0) * 100.0, 1)
    return "0.0 %" if change_pct == 0.0 else f"{signed(change_pct)} %"


def percent_change_range(interval: Bounds | None) -> str:
    """The interval of a ratio as signed changes, or that there is none; the sign of percent stands once.

    An end that rounds to zero keeps its sign: whether zero lies in an interval decides whether a difference is shown
    at all.

    Examples
    --------
    >>> from types import SimpleNamespace as Ends
    >>> percent_change_range(Ends(low=1.041, high=1.063)), percent_change_range(Ends(low=0.9996, high=1.012))
    ('+4.1 to +6.3 %', '−0.0 to +1.2 %')
    """
    if interval is None:
        return "no interval"
    low, high = ("0.0" if end == 1.0 else signed((end - 1.0) * 100.0) for end in (interval.low, interval.high))
    return f"{low} to {high} %"


def percent_change_words(ratio: float, interval: Bounds | None) -> str:
    """The change and, in brackets, its interval or that there is none.

    Examples
    --------
    >>> from types import SimpleNamespace as Ends
    >>> percent_change_words(1.052, Ends(low=1.041, high=1.063)), percent_change_words(1.052, None)
    ('+5.2 % (+4.1 to +6.3 %)', '+5.2 % (no interval)')
    """
    return f"{percent_change(ratio)} ({percent_change_range(interval)})"


def money(amount: float, interval: Bounds | None = None) -> str:
    """An amount of money without its currency, with the digits that its interval carries.

    Examples
    --------
    >>> from types import SimpleNamespace as Ends
    >>> money(499.0), money(6.5938), money(543.871, Ends(low=542.3, high=545.4))
    ('499', '6.59', '544')
    """
    return f"{amount:.{_money_decimals(amount, interval)}f}"


def money_words(amount: float, interval: Bounds | None) -> str:
    """The amount and, where there is one, its interval in brackets.

    Examples
    --------
    >>> from types import SimpleNamespace as Ends
    >>> money_words(543.871, Ends(low=542.3, high=545.4)), money_words(543.871, None)
    ('544 (542 to 545)', '543.87')
    """
    return money(amount, interval) if interval is None else f"{money(amount, interval)} ({money_range(interval)})"


def money_range(interval: Bounds) -> str:
    """The interval of an amount of money, without its currency."""
    return f"{money(interval.low, interval)} to {money(interval.high, interval)}"


def _money_decimals(amount: float, interval: Bounds | None) -> int:
    """None where the amount is whole or its interval one unit wide or wider, else two: money has no tenths."""
    is_rough = interval is not None and interval.high - interval.low >= 1.0
    return 0 if is_rough or (interval is None and float(amount).is_integer()) else 2
