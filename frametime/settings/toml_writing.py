"""Values as TOML text that reads back the same, and that a terminal can show."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import TypeAlias

from frametime.errors import printable

TomlScalar: TypeAlias = str | bool | int | float
TomlValue: TypeAlias = TomlScalar | Sequence[TomlScalar]


def toml_value(value: TomlValue) -> str:
    """A value as TOML text.

    Every text of JSON is one of TOML; what cannot be seen, moves the cursor or turns the reading
    direction is escaped as well. Each
    capture carries its layout, so a quick check writes TOML: a library for it would take longer to load than to use.

    Examples
    --------
    >>> toml_value('a "b"'), toml_value(True), toml_value((1.5, 2.0)), toml_value(25)
    ('"a \\\\"b\\\\""', 'true', '[1.5, 2.0]', '25')
    """
    if isinstance(value, str):
        return re.sub(r"[^ -~]", _escaped, json.dumps(value, ensure_ascii=False))
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Sequence):
        return f"[{', '.join(map(toml_value, value))}]"
    # A number of numpy is a float as well, and would be written with its type.
    return repr(float(value)) if isinstance(value, float) else repr(int(value))


def toml_lines(values: Mapping[str, TomlValue | None], *, comments: Mapping[str, str] | None = None) -> str:
    """One line for each key that has a value.

    Parameters
    ----------
    values : Mapping
        A key with ``None`` is left out.
    comments : Mapping, optional
        Key to the sentence that is written after the value, for example the evidence.

    Examples
    --------
    >>> print(toml_lines({"unit": "ms", "kind": None}, comments={"unit": "in the header"}), end="")
    unit = "ms"  # in the header
    """
    told = {key: f"  # {printable(comment, limit=400)}" for key, comment in (comments or {}).items() if comment}
    return "".join(
        f"{key} = {toml_value(value)}{told.get(key, '')}\n" for key, value in values.items() if value is not None
    )


def _escaped(found: re.Match[str]) -> str:
    if found[0].isprintable():
        return found[0]
    code = ord(found[0])
    # Half of a pair cannot be written in TOML.
    return f"\\U{0xFFFD if 0xD800 <= code <= 0xDFFF else code:08X}"
