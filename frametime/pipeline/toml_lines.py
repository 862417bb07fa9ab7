"""Where a key stands in a TOML text: the standard reader gives values, and no line numbers."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TypeAlias

KeyPath: TypeAlias = tuple[str | int, ...]

_PART = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_KEY = rf"{_PART}(?:\s*\.\s*{_PART})*"
_ARRAY_HEADER = re.compile(rf"\s*\[\[\s*({_KEY})\s*\]\]")
_HEADER = re.compile(rf"\s*\[\s*({_KEY})\s*\]")
_ASSIGNMENT = re.compile(rf"\s*({_KEY})\s*=")
_MULTILINE = re.compile(r'"""|\'\'\'')


def key_lines(text: str) -> Mapping[KeyPath, int]:
    """Line, counted from 1, of each table, array element and key of a TOML text that is known to be valid.

    A table array has one path for each element, with its position. Keys inside inline tables have no line of
    their own; `line_of` falls back to what they stand in.

    Examples
    --------
    >>> key_lines('title = "t"\\n[[cards]]\\nkey = "a"\\n[[cards]]\\nkey = "b"\\n')[("cards", 1, "key")]
    5
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    closing = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if closing:
            # Inside a text of several lines nothing is a key.
            if line.count(closing) % 2:
                closing = ""
            continue
        if found := _ARRAY_HEADER.match(line):
            path = _resolved(_parts(found[1]), counts)
            counts[path] = counts.get(path, -1) + 1
            table = (*path, counts[path])
            lines.setdefault(table, number)
            lines.setdefault(path, number)
        elif found := _HEADER.match(line):
            table = _resolved(_parts(found[1]), counts)
            lines.setdefault(table, number)
        elif found := _ASSIGNMENT.match(line):
            parts = _parts(found[1])
            for length in range(1, len(parts) + 1):
                lines.setdefault((*table, *parts[:length]), number)
        for mark in dict.fromkeys(_MULTILINE.findall(line)):
            if line.count(mark) % 2:
                closing = mark
    return lines


def line_of(path: KeyPath, lines: Mapping[KeyPath, int]) -> int | None:
    """Line of a key, or of the nearest thing around it that has one."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


def _parts(key: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in re.findall(_PART, key))


def _resolved(parts: tuple[str, ...], counts: Mapping[KeyPath, int]) -> KeyPath:
    """A header below a table array means its last element."""
    path: KeyPath = ()
    for at, part in enumerate(parts):
        path = (*path, part)
        if at < len(parts) - 1 and path in counts:
            path = (*path, counts[path])
    return path
