"""Results for programs, every number in full precision: as JSON without NaN, and as frames, CSV and Arrow schemas.

A spreadsheet takes a cell for a formula by its first sign, whether or not it is quoted, so that the name of a file can
become a command on the machine of whoever opens the table. The rule here is that of the page "CSV Injection" of the
OWASP Foundation (from memory): a text that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line end, also in full
width, is written with an apostrophe in front. Beyond that page, blanks in front of the sign are looked through, and a
text that is nothing but a number is left alone: as a formula it would be that number.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from enum import Enum
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple, TypeAlias, cast

import pyarrow as pa

from frametime import __version__
from frametime.metrics.metric import MeasuredRun

if TYPE_CHECKING:  # a check of one capture does without the room of tuning, and without frames
    import polars as pl

    from frametime.tuning.endurance_verdict import EnduranceVerdict
    from frametime.tuning.proposal import NextStep
    from frametime.tuning.tuning_summary import TuningSummary

Plain: TypeAlias = "bool | int | float | str | list[Plain] | dict[str, Plain] | None"


def plain(value: object) -> Plain:
    """``value`` as JSON values: dataclasses, named tuples and mappings become objects, tuples become lists.

    Raises
    ------
    ValueError
        If a number is NaN or infinite, or a type has no plain form: both are mistakes of the caller.

    Examples
    --------
    >>> from frametime.caveats import Caveat
    >>> plain(Caveat(code="gap", message="no frame for 3 s", metrics=("average_fps",)))
    {'code': 'gap', 'message': 'no frame for 3 s', 'weight': 'care', 'metrics': ['average_fps'], 'is_carried': False}
    """
    kind: type = type(value)
    if kind in (bool, int, str, type(None)):
        return cast("Plain", value)
    if isinstance(value, Enum):
        return plain(value.value)
    names = _field_names(kind)
    if names:
        return {name: plain(getattr(value, name)) for name in names}
    form = next((form for family, form in _FORMS.items() if issubclass(kind, family)), None)
    if form is None:
        raise ValueError(f"value has no plain form, got {kind.__name__}")
    return form(value)


@cache
def _field_names(kind: type) -> tuple[str, ...]:
    """The fields of a dataclass or named tuple."""
    return tuple(item.name for item in fields(kind)) if is_dataclass(kind) else getattr(kind, "_fields", ())


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"value must be finite, got {value!r}")
    return float(value)


_FORMS: Final[dict[type, Callable[[Any], Plain]]] = {
    int: int,
    str: str,
    float: _finite,
    Fraction: str,
    Mapping: lambda value: {str(key): plain(item) for key, item in value.items()},
    Set: lambda value: [plain(item) for item in sorted(value)],
    list: lambda value: [plain(item) for item in value],
    tuple: lambda value: [plain(item) for item in value],
}


def json_text(value: object, *, indent: int | None = 2) -> str:
    """`plain` as JSON text in ASCII, which every shell passes on unchanged."""
    return json.dumps(plain(value), ensure_ascii=True, allow_nan=False, indent=indent)


SCHEMA: Final = "frametime.run/1"


def run_document(run: MeasuredRun, *, path: str | None = None) -> dict[str, Plain]:
    """Everything about one run but its curves. Keys are only ever added within a schema number.

    Parameters
    ----------
    run : MeasuredRun
    path : str or None
        The file that was measured; the provenance names the log that a converted capture came from.
    """
    told: dict[str, Plain] = {"schema": SCHEMA, "frametime_version": __version__}
    told["file"] = run.provenance.file_name if path is None else path
    told |= {name: plain(getattr(run, name)) for name in ("judgement", "n_frames", "duration_s")}
    told["metrics"] = plain(run.values)
    others = ("findings", "caveats", "conditions", "options", "provenance")
    return told | {name: plain(getattr(run, name)) for name in others}


_TUNING_SCHEMA_VERSION = 1


_TUNING_KINDS: Final = {
    "Finished": ("tuning-finished", "step"),
    "Proposal": ("tuning-next-trial", "step"),
    "TuningSummary": ("tuning-summary", "summary"),
    "EnduranceVerdict": ("endurance-verdict", "verdict"),
}


def tuning_json(told: NextStep | TuningSummary | EnduranceVerdict) -> str:
    """The next trial or the finish, a tuning record, judged, or the verdict of an endurance run."""
    from frametime.tuning.record import CAUTIONS

    kind, name = _TUNING_KINDS[type(told).__name__]
    version = {"schema_version": _TUNING_SCHEMA_VERSION, "frametime_version": __version__}
    return json_text({"kind": kind, **version, "cautions": CAUTIONS, name: told}) + "\n"


_FORMULA: Final = r"^(?:[\t\r\n]|[\s\x1c-\x1f]*[=+\-@＝＋－＠])"
_NUMBER: Final = r"^[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?$"
_ESCAPE: Final = "'"
_TYPES: Final = {
    "text": ("String", "string"),
    "whole": ("Int64", "int64"),
    "number": ("Float64", "float64"),
    "truth": ("Boolean", "bool_"),
    "bytes": ("Binary", "binary"),
}
"""Kinds of columns, as the types of frames and of Arrow are called."""


class Column(NamedTuple):
    """A column of a table.

    Attributes
    ----------
    name : str
    kind : 'text', 'whole', 'number', 'truth' or 'bytes'
    unit : str or None
        Code of UCUM, for numbers; it stands in the metadata of Parquet columns.
    """

    name: str
    kind: Literal["text", "whole", "number", "truth", "bytes"] = "text"
    unit: str | None = None

    def dtype(self) -> pl.DataType:
        """The type of the column in a frame."""
        import polars as pl

        found: pl.DataType = getattr(pl, _TYPES[self.kind][0])()
        return found


def frame_of(rows: Sequence[Mapping[str, object]], columns: Sequence[Column]) -> pl.DataFrame:
    """Rows as a frame; a cell that a row lacks is null."""
    import polars as pl

    return pl.DataFrame(
        [pl.Series(item.name, [_plain(row.get(item.name)) for row in rows], dtype=item.dtype()) for item in columns]
    )


def _plain(cell: object) -> object:
    """Half a pair of a text that is none cannot be written: it becomes an escape."""
    return cell.encode("utf-8", "backslashreplace").decode() if isinstance(cell, str) and not cell.isascii() else cell


def is_formula(text: pl.Expr) -> pl.Expr:
    """Whether a spreadsheet would take a text for a formula; null is none.

    Examples
    --------
    >>> import polars as pl
    >>> texts = pl.DataFrame({"text": ["=1+1", "  @sum", "-5", "-5 degrees", "harbor", None]})
    >>> texts.select(is_formula(pl.col("text")))["text"].to_list()
    [True, True, False, True, False, False]
    """
    return (text.str.contains(_FORMULA) & ~text.str.contains(_NUMBER)).fill_null(value=False)


def formula_count(frame: pl.DataFrame) -> int:
    """Cells of text that a spreadsheet would take for formulas."""
    import polars as pl

    found = frame.select(is_formula(pl.col(pl.String)).sum())
    return sum(found.row(0)) if found.width else 0


def escaped(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame, with an apostrophe in front of each text that looks like a formula."""
    import polars as pl

    text = pl.col(pl.String)
    return frame.with_columns(pl.when(is_formula(text)).then(pl.lit(_ESCAPE) + text).otherwise(text).name.keep())


def unescaped(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame before `escaped`."""
    import polars as pl

    text = pl.col(pl.String)
    rest = text.str.strip_prefix(_ESCAPE)
    return frame.with_columns(pl.when(is_formula(rest)).then(rest).otherwise(text))


def csv_bytes(frame: pl.DataFrame, *, escape_formulas: bool = False, include_header: bool = True) -> bytes:
    r"""A frame as CSV in UTF-8: full precision, ``\n`` after each row, an empty cell where there is no value."""
    import polars as pl

    # An empty text would be written as two quotes, and read back as no value all the same.
    plain = frame.with_columns(pl.col(pl.String).replace("", None))
    return (escaped(plain) if escape_formulas else plain).write_csv(include_header=include_header).encode()


def arrow_schema(columns: Iterable[Column], name: str) -> pa.Schema:
    """The schema of a Parquet file: the unit of each column of numbers, and what table of which version it is."""
    fields: list[pa.Field[Any]] = [
        pa.field(item.name, getattr(pa, _TYPES[item.kind][1])(), metadata={"unit": item.unit} if item.unit else None)
        for item in columns
    ]
    about: dict[bytes | str, bytes | str] = {"frametime": f'{{"schema": "{name}", "version": "{__version__}"}}'}
    return pa.schema(fields, metadata=about)
