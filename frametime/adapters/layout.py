"""A column layout as a person writes it: a few lines of TOML that settle what a log leaves open."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Final, TypeAlias

from frametime.adapters.time_units import unit_named, unit_names
from frametime.errors import LayoutError, did_you_mean, printable

ColumnRef: TypeAlias = str | int
"""Name of a column, or its position counted from 1 where it has none."""

KINDS: Final = ("timestamp", "frame time", "rate")
DELIMITERS: Final = (",", ";", "\t", "|", " ", "none")
ENCODINGS: Final = ("utf-8", "utf-16-le", "utf-16-be", "cp1252", "latin-1")
DECIMALS: Final = (".", ",")
QUOTES: Final = ('"', "'", "none")
THOUSANDS: Final = (",", ".", "'", " ", "none")

UNIT_OF: Final[Mapping[str, str]] = MappingProxyType(
    {
        "time_column": "unit",
        "frame_time_column": "frame_time_unit",
        "simulation_start_column": "simulation_start_unit",
        "displayed_column": "displayed_unit",
        "gpu_work_column": "gpu_work_unit",
        "cpu_work_column": "cpu_work_unit",
    }
)
"""Which key holds the unit of which column."""

_CHOICES: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "kind": KINDS,
        "delimiter": DELIMITERS,
        "encoding": ENCODINGS,
        "decimal": DECIMALS,
        "quote": QUOTES,
        "thousands": THOUSANDS,
    }
)
_LINES: Final = ("header_line", "units_line", "first_data_line")
_MAX_BYTES: Final = 64 * 1024
_MAX_LINE: Final = 2**53


@dataclass(frozen=True, kw_only=True)
class Layout:
    """How one log is laid out. ``None`` means: find it in the log.

    Attributes
    ----------
    time_column : str, int or None
        Name of the column that holds the time, or its position counted from 1.
    unit : str or None
        Unit of that column: ``s``, ``ms``, ``us``, ``ns``, ``100ns``, ``fps``, ``h:m:s``, ``iso8601``, ...
    kind : str or None
        ``timestamp`` (time at which each frame ended), ``frame time`` (how long each took) or ``rate``.
    frame_time_column, frame_time_unit
        A second column with the frame times, where the time column holds timestamps.
    simulation_start_column, displayed_column, gpu_work_column, cpu_work_column, shown_column, dropped_column
        Other columns by meaning, each with its ``..._unit`` where it has one.
    stream_column
        Column with the name of the application or stream, where a log holds several.
    delimiter, decimal, thousands, quote, encoding
        How the text is written; ``none`` for a single column, or where no such mark is used.
    header_line, units_line, first_data_line : int or None
        Counted from 1; 0 for ``header_line`` and ``units_line`` means that there is none.

    Examples
    --------
    >>> Layout.from_toml('time_column = "t"\\nunit = "ms"\\n', "bench.toml").unit
    'ms'
    """

    time_column: ColumnRef | None = None
    unit: str | None = None
    kind: str | None = None
    frame_time_column: ColumnRef | None = None
    frame_time_unit: str | None = None
    simulation_start_column: ColumnRef | None = None
    simulation_start_unit: str | None = None
    displayed_column: ColumnRef | None = None
    displayed_unit: str | None = None
    gpu_work_column: ColumnRef | None = None
    gpu_work_unit: str | None = None
    cpu_work_column: ColumnRef | None = None
    cpu_work_unit: str | None = None
    shown_column: ColumnRef | None = None
    dropped_column: ColumnRef | None = None
    stream_column: ColumnRef | None = None
    delimiter: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    quote: str | None = None
    encoding: str | None = None
    header_line: int | None = None
    units_line: int | None = None
    first_data_line: int | None = None

    @classmethod
    def from_toml(cls, text: str, name: str) -> Layout:
        """The layout written in ``text``; ``name`` is the file name shown in errors.

        Raises
        ------
        LayoutError
            If the text is not TOML, or a key or value is not allowed: the message names file, line and key.
        """
        if len(text) > _MAX_BYTES:
            raise LayoutError.at(name, f"the layout has {len(text)} characters", helps="a layout is a few lines long")
        from frametime.toml_loading import load_toml

        try:
            table = load_toml(text)
        except ValueError as error:
            raise LayoutError.at(name, f"this is not TOML: {printable(str(error))}") from None
        checked: dict[str, ColumnRef] = {}
        for key, value in table.items():
            checked[key] = _checked(key, value, name=name, line=_line_of(key, text))
        layout = cls(**checked)  # type: ignore[arg-type]  # _checked has looked at each type
        layout._check_pairs(name, text)
        return layout

    def _check_pairs(self, name: str, text: str) -> None:
        for column_key, unit_key in UNIT_OF.items():
            if column_key != "time_column" and getattr(self, unit_key) and getattr(self, column_key) is None:
                raise LayoutError.at(
                    name,
                    f"{unit_key} is given without {column_key}",
                    line=_line_of(unit_key, text),
                    helps=f"add {column_key}, or remove {unit_key}",
                )
        if self.delimiter == self.decimal == "," and self.quote == "none":
            raise LayoutError.at(
                name,
                "delimiter and decimal are both ',' and cells have no quotes",
                line=_line_of("delimiter", text),
                helps="one of them must differ",
            )

    def to_toml(self, *, comments: Mapping[str, str] | None = None) -> str:
        """The layout as the text of a layout file: one line for each key that is set.

        Parameters
        ----------
        comments : Mapping, optional
            Key to the sentence that is written after the value, for example the evidence.

        Examples
        --------
        >>> print(Layout(time_column="t", unit="ms").to_toml(comments={"unit": "in the header"}), end="")
        time_column = "t"
        unit = "ms"  # in the header
        """
        lines = []
        for key in _KEYS:
            value = getattr(self, key)
            if value is None:
                continue
            comment = (comments or {}).get(key)
            lines.append(f"{key} = {_toml_value(value)}" + (f"  # {printable(comment, limit=400)}" if comment else ""))
        return "\n".join(lines) + "\n" if lines else ""


_KEYS: Final = tuple(item.name for item in fields(Layout))


def _line_of(key: str, text: str) -> int | None:
    for number, line in enumerate(text.splitlines(), start=1):
        if line.lstrip().lstrip("\"'[").startswith(key):
            return number
    return None


def _checked(key: str, value: object, *, name: str, line: int | None) -> ColumnRef:
    if key not in _KEYS:
        helps = did_you_mean(key, _KEYS) or f"known keys are {', '.join(_KEYS)}"
        raise LayoutError.at(name, f"unknown key '{printable(key, limit=60)}'", line=line, helps=helps)

    def refuse(found: str, allowed: str) -> LayoutError:
        error = LayoutError.at(name, f"{key} is {found}", line=line, helps=f"allowed is {allowed}")
        assert isinstance(error, LayoutError)
        return error

    if key in _LINES:
        lowest = 1 if key == "first_data_line" else 0
        if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value < _MAX_LINE:
            raise refuse(_shown(value), f"a line number from {lowest}")
        return value
    if key.endswith("_column"):
        if isinstance(value, str) or (isinstance(value, int) and not isinstance(value, bool) and 1 <= value < 100_000):
            return value
        raise refuse(_shown(value), "the name of a column in quotes, or its position counted from 1")
    if not isinstance(value, str):
        raise refuse(_shown(value), "a text in quotes")
    if key in _CHOICES:
        if value not in _CHOICES[key]:
            raise refuse(_shown(value), "one of " + ", ".join(_toml_value(choice) for choice in _CHOICES[key]))
        return value
    if unit_named(value) is None:
        raise refuse(_shown(value), f"one of {unit_names()}")
    return value


def _shown(value: object) -> str:
    return printable(_toml_value(value) if isinstance(value, str | int) else str(value), limit=60)


def _toml_value(value: ColumnRef) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    escaped = "".join(
        {"\\": "\\\\", '"': '\\"', "\t": "\\t", "\n": "\\n", "\r": "\\r"}.get(character)
        or (character if character.isprintable() or character == " " else _escape(character))
        for character in value
    )
    return f'"{escaped}"'


def _escape(character: str) -> str:
    # A lone surrogate cannot be written in TOML; it cannot come from decoded text either.
    code = ord(character)
    if 0xD800 <= code <= 0xDFFF:
        return "\\uFFFD"
    return f"\\u{code:04X}" if code <= 0xFFFF else f"\\U{code:08X}"
