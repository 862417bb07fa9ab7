"""Text from logs, plans and file names, made safe to stand in a page or in Markdown."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

_KEPT: Final = frozenset("\t\n\r\u200c\u200d")
"""White space, and the joiners that some scripts need; they hide nothing."""


def readable(text: str) -> str:
    r"""``text`` with control characters, direction marks and lone surrogates written as escapes; white space stays.

    A lone surrogate stands for a byte of a file name that is not UTF-8; it could not be written to a file at all.

    Examples
    --------
    >>> print(readable("run\x1b[1m \u202e7 \udcff"))
    run\x1b[1m \u202e7 \udcff
    >>> readable("a\nb") == "a\nb"
    True
    """
    if text.isprintable():
        return text
    return "".join(
        character if _is_kept(character) else character.encode("unicode_escape").decode("ascii") for character in text
    )


def _is_kept(character: str) -> bool:
    return character.isprintable() or character in _KEPT or unicodedata.category(character) == "Zs"


_SPECIAL: Final = re.compile(r"([\\`*\[\]<|$^]|=(?==)|(?<==)=|(?<!\w)_|_(?!\w)|~|&(?=#?\w+;))")
_LINE_START: Final = re.compile(r"^([-+]\s|#|>|=+$|-+$)")
_NUMBER_START: Final = re.compile(r"^(\d+)([.)]\s)")


def escaped(text: str) -> str:
    r"""Foreign text as Markdown that shows it as it is, in one line; only what would be read as markup is changed.

    Examples
    --------
    >>> print(escaped("a|b <i> *c* average_fps $x^2$ ==d=="))
    a\|b \<i> \*c\* average_fps \$x\^2\$ \=\=d\=\=
    """
    one_line = _SPECIAL.sub(r"\\\1", " ".join(readable(text).split()))
    return _NUMBER_START.sub(r"\1\\\2", _LINE_START.sub(r"\\\1", one_line))
