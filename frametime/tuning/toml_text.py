"""TOML as a person keeps it: where a key stands, and texts written so that they read back the same."""

from __future__ import annotations

import re
import unicodedata
from datetime import date, datetime

TomlScalar = str | bool | int | float

_HEADER = re.compile(r"\s*(\[\[?)\s*([A-Za-z0-9_.\"'-]+)\s*\]\]?\s*(#.*)?$")


def line_of(text: str, *, table: str | None, number: int | None, key: str | None) -> int | None:
    """Line, counted from 1, of a key in a table, or of the header of the table; ``None`` where it is not found.

    Parameters
    ----------
    text : str
    table : str or None
        Name of the table; ``None`` for the top of the file.
    number : int or None
        Which of an array of tables, counted from 1.
    key : str or None

    Examples
    --------
    >>> line_of("[card]\\nname = 'x'\\n[[trials]]\\n[[trials]]\\nnote = ''\\n", table="trials", number=2, key="note")
    5
    """
    current: str | None = None
    counts: dict[str, int] = {}
    table_line: int | None = None
    for place, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header is not None:
            current = header[2].strip("\"'")
            counts[current] = counts.get(current, 0) + 1
        if current != table or (number is not None and table is not None and counts.get(table) != number):
            continue
        if header is not None:
            table_line = place
            if key is None:
                return place
        elif key is not None and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*[.=]", line):
            return place
    return table_line


def toml_value(value: TomlScalar | tuple[TomlScalar, ...]) -> str:
    """A value as TOML text.

    Examples
    --------
    >>> toml_value('a "b"'), toml_value(True), toml_value((1.5, 2.0)), toml_value(25)
    ('"a \\\\"b\\\\""', 'true', '[1.5, 2.0]', '25')
    """
    if isinstance(value, tuple):
        return f"[{', '.join(toml_value(item) for item in value)}]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(map(_escaped, value)) + '"'
    # A number of numpy is a float as well, and would be written with its type.
    return repr(float(value)) if isinstance(value, float) else repr(int(value))


def _escaped(character: str) -> str:
    short = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(character)
    if short is not None:
        return short
    code = ord(character)
    if 0xD800 <= code <= 0xDFFF:
        return "\\uFFFD"  # half of a pair cannot be written in TOML
    # Marks that turn the reading direction are no printable characters either.
    if character.isprintable() or unicodedata.category(character) == "Zs":
        return character
    return f"\\u{code:04X}" if code <= 0xFFFF else f"\\U{code:08X}"


def date_text(value: object) -> str | None:
    """An ISO 8601 date of a TOML date or text; ``None`` where it is neither."""
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, str):
        try:
            datetime.fromisoformat(value)
        except ValueError:
            return None
        return value
    return None
