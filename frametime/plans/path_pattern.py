"""Where a run lies below a folder: ``{card}/{scene}/{resolution}/run{run}.csv.gz``.

The same resolution may be written by its lines, its size, or a word of the trade: `resolution_name` makes them one.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Final

from frametime.errors import PlanError, did_you_mean, printable

FIELDS: Final = (
    "card",
    "card_settings",
    "scene",
    "scene_settings",
    "resolution",
    "driver",
    "operating_system",
    "session",
    "run",
)
SHOWN_FIELDS: Final = ", ".join(f"{{{name}}}" for name in FIELDS)
_FIELD = re.compile(r"\{([^{}]*)\}")
_MAYBE: Final = re.compile(r"<([^<>/]*)>")
_MOST_MAYBE: Final = 4
_VALUE: Final = r"[^/\\]+?"
_ANY: Final = r"[^/\\]*"
_NOTHING: Final[Mapping[str, str]] = MappingProxyType({})
_FREE: Final = (f"{_VALUE})", _ANY)


# Sizes behind the words: common practice, no source. "2K" is left as it is: it is used for two sizes.
_WIDE: Final = {f"{lines}p": (lines * 16 // 9, lines) for lines in (720, 1080, 1440, 1800, 2160, 2880, 4320)}
_SIZES: Final = MappingProxyType({**_WIDE, "1200p": (1920, 1200), "1600p": (2560, 1600)})
_WORDS: Final = MappingProxyType(
    {
        "hd": "720p", "fhd": "1080p", "fullhd": "1080p", "qhd": "1440p", "wqhd": "1440p", "4k": "2160p", "uhd": "2160p",
        "4kuhd": "2160p", "ultrahd": "2160p", "2.5k": "1440p", "5k": "2880p", "8k": "4320p", "uwfhd": "2560x1080",
        "quadhd": "1440p", "uwqhd": "3440x1440", "ultrawide1440p": "3440x1440", "ultrawide1080p": "2560x1080",
    }
)  # fmt: skip
_RESOLUTION: Final = (
    r"(?<![^\W_])(?:(?:ultra[- ]?wide[-_ ]?)?(?:\d{3,5} ?[x×] ?\d{3,5}|\d{3,4}[pi])"
    r"|4k[-_ ]?uhd|2\.5k|[24568]k|(?:full|ultra|quad)[-_ ]?hd|u?w?[fqu]hd|hd|(?:1080|1440|2160))(?![^\W_])"
    # Behind a word, and in front of the number or the letter of a run: "lake1080p", "1440p2", "1080pb".
    r"|(?<!\d)(?:\d{3,4}p|[24568]k)(?=(?:\d{1,2}|[a-h])?(?![^\W_]))|"
)
RESOLUTION: Final = re.compile(rf"{_RESOLUTION}(?<=[^\W\d_]{{4}})(?:1080|1440|2160)(?![^\W_])", re.IGNORECASE)


def resolution_name(text: str) -> str:
    """One name for equal resolutions: by lines where the size is a usual one, else by width and height.

    Examples
    --------
    >>> [resolution_name(text) for text in ("QHD", "2560x1440", "1440p", "4K", "ultrawide 3440x1440", "Low")]
    ['1440p', '1440p', '1440p', '2160p', '3440x1440', 'low']
    """
    name = re.sub(r"[-_ ]", "", text).casefold().replace("×", "x")
    name = _WORDS.get(name, name)
    if (size := re.search(r"(\d{3,5})x(\d{3,5})", name)) is not None:
        pair = int(size[1]), int(size[2])
        return next((lines for lines, known in _SIZES.items() if known == pair), f"{pair[0]}x{pair[1]}")
    return f"{name}p" if f"{name}p" in _SIZES else name


def spelling(name: str) -> str:
    """One text for names that differ only in capitals, spaces, dashes and underscores; two numbers stay two.

    Examples
    --------
    >>> [spelling(text) for text in ("Brae 41", "brae-41", "BRAE41", "Sector 1-2", "Sector 12")]
    ['brae41', 'brae41', 'brae41', 'sector1 2', 'sector12']
    """
    return re.sub(r"(?<!\d) | (?!\d)", "", re.sub("[-_ ]+", " ", name.casefold()))


_ORDINALS: Final = "first second third fourth fifth sixth", "1st 2nd 3rd 4th 5th 6th"
_COUNTED: Final = ("a b c d e f g h", "i ii iii iv v vi vii viii", "one two three four five six", *_ORDINALS)
RUN_WORDS: Final = {word: str(number) for words in _COUNTED for number, word in enumerate(words.split(), 1)}
"""Runs that are counted in letters or words, and their numbers."""
AGAIN: Final = r"(?:(?:first|re-?(?:test|run|do|peat)(?:ed)?|again|nochmals?|final|last|extra)(?:[-_ ]?\d{1,2})?)"
"""How runs without a number are called, all or all but the first."""
_RUN: Final = "|".join([r"\d{1,3}", AGAIN, *RUN_WORDS])
# Where a pattern says that one stands there, a short word may stand before its lines, and a letter behind them.
_GIVEN: Final = rf"{_RESOLUTION}(?<=[^\W\d_])(?:1080|1440|2160)(?=[a-h]?(?![^\W_]))"
KNOWN: Final = {"resolution": f"(?i:{_GIVEN})", "run": f"(?i:{_RUN})"}
"""Expressions of fields that are known by their values."""
UNNAMED: Final = "default"
"""The resolution of captures whose paths name none."""


@dataclass(frozen=True)
class PathPattern:
    """A path pattern with named fields; ``*`` stands for any text inside one name, and what stands in ``< >`` may be
    missing.

    A pattern is relative, uses ``/`` on every system, and cannot lead out of its folder: ``..``, an absolute
    path and a drive are refused, and a value is never empty, a separator, ``.`` or ``..``.

    Examples
    --------
    >>> pattern = PathPattern.parse("{card}/{scene}/run{run}.csv.gz")
    >>> pattern.fields
    ('card', 'scene', 'run')
    >>> pattern.match("amber-6/harbor/run2.csv.gz")
    {'card': 'amber-6', 'scene': 'harbor', 'run': '2'}
    >>> pattern.match("notes.txt") is None
    True
    >>> pattern = PathPattern.parse("{card}/{scene}< {resolution}>.csv")
    >>> pattern.match("amber-6/dry harbor.csv"), pattern.match("amber-6/dry harbor 4K.csv")
    ({'card': 'amber-6', 'scene': 'dry harbor'}, {'card': 'amber-6', 'scene': 'dry harbor', 'resolution': '4K'})
    >>> pattern = PathPattern.parse("{card}/{scene}/run{run}.csv.gz")
    >>> pattern.path_of({"card": "amber-6", "scene": "harbor", "run": "2"})
    'amber-6/harbor/run2.csv.gz'
    """

    text: str
    fields: tuple[str, ...]
    _ways: tuple[tuple[str, re.Pattern[str]], ...]

    @classmethod
    def parse(cls, text: str, *, where: str = "path pattern", told: Mapping[str, str] = _NOTHING) -> PathPattern:
        """Read a pattern.

        Parameters
        ----------
        text : str
        where : str
            What messages name.
        told : mapping of str to str
            Expressions for fields of which more is known than that they stay inside one name.

        Raises
        ------
        PlanError
            Where a field is unknown or stands twice, a brace is left open, or the pattern could leave its folder.
        """
        _refuse_leaving(text, where)
        whole, *others = _ways_of(text)
        told = {**KNOWN, **told} if others else told
        fields = tuple(dict.fromkeys(_FIELD.findall(whole)))
        return cls(text, fields, tuple((way, _expression(way, where, told)) for way in (whole, *others)))

    def with_values(
        self, values: Mapping[str, Iterable[str]], *, any_spelling: bool = False, told: Mapping[str, str] = _NOTHING
    ) -> PathPattern:
        """The same pattern for the values that its fields can have: names with separators in them are told apart.

        ``any_spelling`` takes in what `spelling` makes one; ``told`` holds an expression for each other field of which
        more is known.

        Examples
        --------
        >>> pattern = PathPattern.parse("{card}-{scene}.csv").with_values({"card": ["GPU-70", "GPU-80"]})
        >>> pattern.match("GPU-70-dry-harbor.csv")
        {'card': 'GPU-70', 'scene': 'dry-harbor'}
        """
        flags, quoted = ("i", spelled_anyhow) if any_spelling else ("", re.escape)
        expressions = {
            field: f"(?{flags}:{'|'.join(map(quoted, sorted(texts, key=len, reverse=True)))})"
            for field, texts in values.items()
        }
        return PathPattern.parse(self.text, told={**expressions, **told})

    def match(self, relative_path: str | os.PathLike[str]) -> dict[str, str] | None:
        """Values of the fields in a relative path, or ``None`` when the path does not fit."""
        path = os.fspath(relative_path).replace(os.sep, "/")
        found = next((found for _, way in self._ways if (found := way.fullmatch(path)) is not None), None)
        if found is None or any(value in {".", ".."} for value in found.groupdict().values()):
            return None
        return found.groupdict()

    def path_of(self, values: Mapping[str, str]) -> str:
        """The relative path for given values, with ``/``; a ``*`` stays.

        Raises
        ------
        PlanError
            When a value holds a path separator, or is empty, ``.`` or ``..``.
        """
        way = next((way for way, _ in self._ways if set(_FIELD.findall(way)) <= set(values)), self.text)
        for name in _FIELD.findall(way):
            value = values[name]
            if value in {"", ".", ".."} or any(sign in value for sign in "/\\\0"):
                wrong = f"'{printable(value)}' cannot stand for {name}: it would lead to another folder"
                raise PlanError.at(f"path pattern '{printable(self.text)}'", wrong)
        return _FIELD.sub(lambda found: values[found[1]], way)

    def glob(self, folder: Path) -> Iterator[tuple[Path, dict[str, str]]]:
        """Files below ``folder`` that fit, with the values of their fields, sorted by relative path.

        Links to folders are not followed, so that a link cannot lead out of the folder.
        """
        yield from sorted(self._files(folder, "", self.text.count("/")), key=lambda item: item[0].as_posix())

    def _files(self, folder: Path, prefix: str, depth: int) -> Iterator[tuple[Path, dict[str, str]]]:
        with os.scandir(folder) as entries:
            for entry in entries:
                if depth > 0 and entry.is_dir(follow_symlinks=False):
                    yield from self._files(Path(entry.path), f"{prefix}{entry.name}/", depth - 1)
                elif depth == 0 and entry.is_file() and (values := self.match(prefix + entry.name)) is not None:
                    yield Path(entry.path), values


def _refuse_leaving(text: str, where: str) -> None:
    helps = "write it relative to the captures folder, with '/', such as '{card}/{scene}/{resolution}/run{run}.csv'"
    shown = printable(text)
    if not text:
        raise PlanError.at(where, "the pattern is empty", helps=helps)
    if "\\" in text or "\0" in text:
        raise PlanError.at(where, f"'{shown}' holds a backslash", helps=helps)
    if text.startswith("/") or re.match(r"[A-Za-z]:", text):
        raise PlanError.at(where, f"'{shown}' is an absolute path", helps=helps)
    if len(_MAYBE.findall(text)) > _MOST_MAYBE:
        raise PlanError.at(where, f"'{shown}' holds more than {_MOST_MAYBE} parts in < >", helps=helps)
    if any(part in {"", ".", ".."} for part in text.split("/")):
        raise PlanError.at(where, f"'{shown}' holds an empty part, '.' or '..'", helps=helps)


def _ways_of(text: str) -> list[str]:
    """The pattern with all that may be missing, then without one part or another."""
    if (found := _MAYBE.search(text)) is None:
        return [text]
    return [f"{text[: found.start()]}{part}{rest}" for part in (found[1], "") for rest in _ways_of(text[found.end() :])]


def _expression(text: str, where: str, told: Mapping[str, str]) -> re.Pattern[str]:
    parts: list[str] = []
    fields: set[str] = set()
    at = 0
    for found in _FIELD.finditer(text):
        name = found[1]
        if name not in FIELDS:
            near = did_you_mean(f"{{{name}}}", [f"{{{field}}}" for field in FIELDS])
            helps = f"{near} known fields: {', '.join(FIELDS)}".lstrip()
            raise PlanError.at(where, f"unknown field '{{{printable(name)}}}'", helps=helps)
        value, before = told.get(name, _VALUE), text[: found.start()]
        if before.endswith("{resolution}") and name == "run":  # "1080pb.csv"
            parts[-1], value = parts[-1].replace(_VALUE, KNOWN["resolution"]), KNOWN["run"]
        elif before.endswith("}") and name == "run":  # the number at the end of a name: "harbor1.csv"
            parts[-1], value = parts[-1].replace(_VALUE, r"(?:[^/\\]*[^/\\0-9])"), "[0-9]+"
        elif before.endswith("}") and name == "resolution":  # "harbor1080p"
            value = told.get(name, KNOWN[name])
        elif before.endswith(("{card}", "{scene}")) and name in {"card", "scene"}:  # "Orrin40Night": by what crosses
            parts[-1], value = parts[-1].replace(_VALUE, r"(?:[^/\\]*[^/\\A-Z])"), f"(?=[A-Z]){value}"
        elif before.endswith("}"):
            wrong = f"nothing stands between two fields before '{{{name}}}'"
            raise PlanError.at(where, wrong, helps="put a separator between them, such as '/' or '_'")
        parts += _literals(text[at : found.start()], where)
        if name == "run" and before.endswith("*"):  # all digits of a number are the run's
            value = f"(?<![0-9]){value}"
        parts.append(f"(?P={name})" if name in fields else f"(?P<{name}>{value})")
        fields.add(name)
        at = found.end()
    parts += _literals(text[at:], where)
    return re.compile(_committed(parts), re.DOTALL)


def spelled_anyhow(name: str) -> str:
    """An expression for what has the same `spelling`, and little else."""
    return "[-_ ]*".join("[-_ ]" if letter == " " else re.escape(letter) for letter in spelling(name))


def _literals(text: str, where: str) -> list[str]:
    """Expressions for the text between two fields: a literal, which may be empty, then ``*`` and literal in turn.

    Capitals do not matter: ``Run1.CSV`` of one system is ``run1.csv`` of another.
    """
    if "{" in text or "}" in text:
        raise PlanError.at(where, f"a brace is left open in '{printable(text)}'", helps="write fields as '{card}'")
    return [part if part == _ANY else f"(?i:{part})" for part in _with_stars(text)]


def _with_stars(text: str) -> list[str]:
    first, *others = map(re.escape, re.sub(r"\*+", "*", text).split("*"))
    return [first, *(part for other in others for part in (_ANY, other))]


def starred(pattern: str, name: str) -> bool:
    """Whether a name fits a text in which ``*`` stands for any text without a slash."""
    return re.fullmatch(_committed(_with_stars(pattern)), name) is not None


def _committed(parts: list[str]) -> str:
    """The expression of a pattern: literals at even places, fields and ``*`` between them.

    What is free and has something free behind it may end at the first place that fits: a later one would leave the
    rest less room. Without that rule a name that does not fit is tried in each of its partings, which never ends.
    A ``*`` takes as much as it can where a field comes next, and the text of a field that stands twice is not free.
    """
    expression = parts[0]
    for at in range(1, len(parts), 2):
        free, literal, behind = parts[at], parts[at + 1], parts[at + 2] if at + 2 < len(parts) else ""
        if free == _ANY and behind == _ANY:
            expression += f"(?>{free}?{literal})"
        elif (
            free.endswith(f"{_VALUE})") and f"(?P={free[4 : free.index('>')]})" not in parts and behind.endswith(_FREE)
        ):
            expression += f"(?>{free}{literal})"
        else:
            expression += free + literal
    return expression
