"""A TOML text that a person writes: read within limits, and every fault told with file, line and key.

And values as TOML text that reads back the same, and that a terminal can show.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple, TypeAlias

from frametime.errors import FrametimeError, did_you_mean, printable

KeyPath: TypeAlias = tuple[str | int, ...]
"""Where a value stands: ``("cards", 0, "price")``. An element of a list is counted from 0."""

SLASHES: Final = "in a path write / for \\"
_PLAIN: Final = "write a number with a point and no other mark: 1549.90"
_WITH_COMMA: Final = re.compile(r"=[ \t]*\d[\d.']*,\d")
MAX_CHARACTERS: Final = 4_000_000
MAX_KEY_PARTS: Final = 64
"""Most parts of a dotted key: the standard reader takes hours for a key of a million parts."""
_MOST_LISTED: Final = 16
_ALIKE: Final = 0.75
"""How much alike a wrong value must be to one that is suggested: "crashed" is not taken for "passed"."""
_TOKEN: Final = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*|[\[\]{}=,\n]|[\w+-]+',
    re.DOTALL,
)


def load_toml(text: str) -> dict[str, Any]:
    """The table in a TOML text; a byte order mark at its start is passed over.

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

    if len(text) > MAX_CHARACTERS:
        raise ValueError(f"it has {len(text)} characters, at most {MAX_CHARACTERS} are read")
    for piece in re.split(r"[=\n,{}\[\]#]", text):
        # Dots alone are no key: a line of them may stand in a text.
        if piece.count(".") >= MAX_KEY_PARTS and len(re.findall(r"[\w\"'-]\s*\.", piece)) >= MAX_KEY_PARTS:
            raise ValueError(f"a key has more than {MAX_KEY_PARTS} parts")
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


def file_bytes(path: str | os.PathLike[str], error: type[FrametimeError], *, helps: str | None = None) -> bytes:
    """The content of a file that a person writes.

    Raises
    ------
    FrametimeError
        The given ``error``, with ``helps``, if it cannot be read; also where no TOML text is as large.
    """
    try:
        with open(path, "rb") as stream:  # noqa: PTH123
            content = stream.read(4 * MAX_CHARACTERS + 1)
    except FileNotFoundError as fault:
        helps = helps or "check the name and the folder"
        raise error.at(os.fspath(path), "there is no such file", helps=helps) from fault
    except OSError as fault:
        raise error.at(os.fspath(path), f"cannot be read ({fault.strerror})", helps=helps) from fault
    if len(content) > 4 * MAX_CHARACTERS:
        raise error.at(os.fspath(path), "the file is too large for what it should be")
    return content


def decoded_text(content: bytes, name: str | os.PathLike[str], error: type[FrametimeError]) -> str:
    """The text of such a file; a byte order mark at its start is passed over.

    Raises
    ------
    FrametimeError
        The given ``error``, with the line, where it is not UTF-8.
    """
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = content[: fault.start].count(b"\n") + 1
        raise error.at(os.fspath(name), "the text is not UTF-8", line=line, helps="save it as UTF-8") from fault


def file_text(path: str | os.PathLike[str], error: type[FrametimeError]) -> str:
    """The text of a file that a person writes, as `file_bytes` and `decoded_text` give it."""
    return decoded_text(file_bytes(path, error), path, error)


class TomlSource(NamedTuple):
    """The values of a TOML text, and the error that tells a fault in it.

    Attributes
    ----------
    text : str
        Empty where the values stand in no file yet: faults have no line then.
    name : str
        File name shown in errors.
    error : type of FrametimeError
        Raised for every fault.
    values : Mapping
    """

    text: str
    name: str
    error: type[FrametimeError]
    values: Mapping[str, Any]

    @classmethod
    def read(cls, text: str, name: str, error: type[FrametimeError]) -> TomlSource:
        """Read a text.

        Raises
        ------
        FrametimeError
            The given ``error``, if the text is not TOML or too long.
        """
        try:
            return cls(text, name, error, load_toml(text))
        except ValueError as fault:
            wrong = f"this is not TOML: {printable(str(fault))}"
            helps = SLASHES if "\\" in text else _PLAIN if _WITH_COMMA.search(text) else None
            raise error.at(name, wrong, helps=helps) from None

    def fault(self, path: KeyPath, found: str, helps: str | None = None) -> FrametimeError:
        """The error at a key: file, line, key, what was found, and what helps."""
        named = ".".join(printable(part, limit=60) for part in path if isinstance(part, str))
        line = line_of(path, key_lines(self.text))
        return self.error.at(self.name, f"{named} {found}".strip(), line=line, helps=helps)

    def unknown(self, path: KeyPath, helps: str) -> FrametimeError:
        """The error at a key that is none of the known ones."""
        named = ".".join(part for part in path if isinstance(part, str))
        line = line_of(path, key_lines(self.text))
        return self.error.at(self.name, f"unknown key '{printable(named, limit=60)}'", line=line, helps=helps)

    def refuse(self, path: KeyPath, allowed: str, known: Sequence[str] = ()) -> FrametimeError:
        """The error at a value: what it is, what is allowed, and which of the known words was probably meant."""
        value, verb = self.at(path), "holds" if isinstance(path[-1], int) else "is"
        near = did_you_mean(str(value), known, cutoff=_ALIKE)
        return self.fault(path, f"{verb} {shown(value)}", f"allowed: {allowed}" + (f"; {near}" if near else ""))

    def at(self, path: KeyPath) -> Any:
        """The value at a path; ``None`` where nothing is given."""
        value: Any = self.values
        for part in path:
            try:
                value = value[part]
            except (LookupError, TypeError):
                return None
        return value

    def places(self, path: KeyPath) -> list[KeyPath]:
        """The path of a value, or one path for each element where it is a list."""
        value = self.at(path)
        if isinstance(value, list):
            return [(*path, at) for at in range(len(value))]
        return [] if value is None else [path]

    def check_among(self, path: KeyPath, known: Sequence[str], what: str = "") -> None:
        """Refuse a value, or an element of a list, that is none of the known words.

        Raises
        ------
        FrametimeError
        """
        for place in self.places(path):
            if self.at(place) not in known:
                raise self.refuse(place, what or one_of(known), known)

    def check_once(self, paths: Iterable[KeyPath], helps: str) -> None:
        """Refuse a value that stands at two of the paths.

        Raises
        ------
        FrametimeError
        """
        seen = set()
        for path in paths:
            value = self.at(path)
            if value in seen:
                verb = "holds" if isinstance(path[-1], int) else "is"
                raise self.fault(path, f"{verb} {shown(value)} a second time", helps)
            if value is not None:
                seen.add(value)


def shown(value: object) -> str:
    """A value as it would be written in the file, short enough for a message."""
    return printable(toml_value(value) if isinstance(value, str | bool | int | float) else str(value), limit=60)


def one_of(words: Sequence[str]) -> str:
    """The words in quotes, or how many there are.

    Examples
    --------
    >>> one_of(["timestamp", "rate"]), one_of(["longest"])
    ('one of "timestamp", "rate"', '"longest"')
    """
    listed = ", ".join(map(shown, words)) if len(words) <= _MOST_LISTED else f"{len(words)} words"
    return listed if len(words) == 1 else f"one of {listed}"


def line_of(path: KeyPath, lines: Mapping[KeyPath, int]) -> int | None:
    """Line of a key, or of the nearest thing around it that has one."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


def key_lines(text: str) -> Mapping[KeyPath, int]:
    """Line, counted from 1, of each table, key and element of a list, in a TOML text that is known to be valid.

    The standard reader gives values, and no line numbers.

    Examples
    --------
    >>> lines = key_lines('title = "t"\\n[[cards]]\\nkey = "a"\\n[[cards]]\\nkey = "b"\\n')
    >>> lines["cards", 1, "key"]
    5
    """
    return _Lines(text).lines


class _Lines:
    """The tokens of a text, gone through once."""

    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._tokens: list[tuple[str, int]] = []
        line, start = 1, 0
        for found in _TOKEN.finditer(text):
            line, start = line + text.count("\n", start, found.start()), found.start()
            if found[0][0] != "#":
                self._tokens.append((found[0], line))
        self._tokens.append(("\n", line))
        self._at = 0
        counts: dict[KeyPath, int] = {}
        table: KeyPath = ()
        while self._at < len(self._tokens):
            if self._next == "[":
                table = self._header(counts)
            elif self._next == "\n":
                self._at += 1
            else:
                self._pair(table)

    @property
    def _next(self) -> str:
        return self._tokens[self._at][0]

    def _names_up_to(self, end: str) -> list[str]:
        """The parts of a key, past its end."""
        names = []
        while self._next != end:
            names.append(self._next.strip(self._next[0]) if self._next[0] in "\"'" else self._next)
            self._at += 1
        self._at += 1
        return names

    def _header(self, counts: dict[KeyPath, int]) -> KeyPath:
        line = self._tokens[self._at][1]
        names = self._names_up_to("\n")
        parts = [name for name in names if name not in ("[", "]")]
        table: KeyPath = ()
        for at, part in enumerate(parts, start=1):
            table = (*table, part)
            self.lines.setdefault(table, line)
            if at == len(parts) and names[1] == "[":
                counts[table] = counts.get(table, -1) + 1
            if table in counts:
                table = (*table, counts[table])  # a header below a list of tables means its last element
                self.lines.setdefault(table, line)
        return table

    def _pair(self, table: KeyPath) -> None:
        line = self._tokens[self._at][1]
        path = table
        for name in self._names_up_to("="):
            path = (*path, name)
            self.lines.setdefault(path, line)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        begin = self._next
        self._at += 1
        if begin not in ("[", "{"):
            while self._next not in (",", "]", "}", "\n"):
                self._at += 1
            return
        element = 0
        while self._next not in ("]", "}"):
            if self._next in (",", "\n"):
                self._at += 1
            elif begin == "{":
                self._pair(path)
            else:
                self.lines[(*path, element)] = self._tokens[self._at][1]
                self._value((*path, element))
                element += 1
        self._at += 1


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
