"""Text of logs and plans inside Markdown, and tables of it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final

from frametime.render.report.foreign import readable

_SPECIAL: Final = re.compile(r"([\\`*\[\]<|]|(?<!\w)_|_(?!\w)|~|&(?=#?\w+;))")
_LINE_START: Final = re.compile(r"^([-+]\s|#|>|=+$|-+$)")
_NUMBER_START: Final = re.compile(r"^(\d+)([.)]\s)")


def escaped(text: str) -> str:
    r"""Foreign text as Markdown that shows it as it is, in one line; only what would be read as markup is changed.

    Examples
    --------
    >>> print(escaped("a|b <i> *c* average_fps"))
    a\|b \<i> \*c\* average_fps
    """
    one_line = _SPECIAL.sub(r"\\\1", " ".join(readable(text).split()))
    return _NUMBER_START.sub(r"\1\\\2", _LINE_START.sub(r"\\\1", one_line))


def markdown_table(heading: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """A table and an empty line after it; cells are escaped here.

    Examples
    --------
    >>> markdown_table(["card", "place"], [["Birch|9", "1"]])
    ['| card | place |', '|---|---|', '| Birch\\\\|9 | 1 |', '']
    """
    head, *body = ["| " + " | ".join(map(escaped, row)) + " |" for row in (heading, *rows)]
    return [head, "|" + "---|" * len(heading), *body, ""]
