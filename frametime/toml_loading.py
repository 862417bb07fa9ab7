"""TOML that people write, read within limits: the standard reader takes hours for a key of a million parts."""

from __future__ import annotations

import re
from typing import Any, Final

MAX_CHARACTERS: Final = 4_000_000
MAX_KEY_PARTS: Final = 64


def load_toml(text: str, *, max_characters: int = MAX_CHARACTERS, max_key_parts: int = MAX_KEY_PARTS) -> dict[str, Any]:
    """The table in a TOML text.

    Parameters
    ----------
    text : str
        A byte order mark at its start is passed over.
    max_characters, max_key_parts : int
        Longest text, and most parts of a dotted key, that are taken.

    Raises
    ------
    ValueError
        If the text is not TOML, or beyond a limit; the message is for the person who wrote it.

    Examples
    --------
    >>> load_toml('[card]\\nname = "amber"')
    {'card': {'name': 'amber'}}
    """
    import tomllib

    if len(text) > max_characters:
        raise ValueError(f"it has {len(text)} characters, at most {max_characters} are read")
    for piece in re.split(r"[=\n,{}\[\]#]", text):
        # Dots alone are no key: a line of them may stand in a text.
        if piece.count(".") >= max_key_parts and len(re.findall(r"[\w\"'-]\s*\.", piece)) >= max_key_parts:
            raise ValueError(f"a key has more than {max_key_parts} parts")
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        # The standard reader names a table by its parts: ('limits',).
        told = re.sub(
            r"\(('[^()]*')(,?)\)", lambda parts: f"[{parts[1]}]".replace("', '", ".").replace("'", ""), str(error)
        )
        raise ValueError(told) from None
    except RecursionError:
        raise ValueError("its brackets are nested too deeply") from None
