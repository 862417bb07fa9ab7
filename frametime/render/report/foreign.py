"""Text from logs, plans and file names, made safe to stand in a page: no invisible or direction-turning characters."""

from __future__ import annotations

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
