"""The types of Arrow to the few that frames are made of, and to times in ns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow_columns import arrow_int64, compute, numpy_of
from frametime.adapters.column_facts import ColumnUse
from frametime.adapters.number_style import POINT
from frametime.adapters.time_units import TimeUnit
from frametime.adapters.time_values import TimeValues, times_of_texts
from frametime.caveats import Caveat
from frametime.errors import printable

if TYPE_CHECKING:
    import pyarrow as pa

_MAX_NS: Final = 9.2e18
_EXACT_ENOUGH_NS: Final = 50.0
"""Times that are kept less exactly than this are told (common practice, no source)."""


def is_readable(kind: pa.DataType) -> bool:
    """Whether a column of that type can hold numbers, times, truth values or texts."""
    import pyarrow as pa

    if pa.types.is_dictionary(kind) or pa.types.is_run_end_encoded(kind):
        return is_readable(kind.value_type)
    return not (pa.types.is_nested(kind) or pa.types.is_null(kind))


def empty_column(n_rows: int) -> Any:
    """A column of texts without any."""
    import pyarrow as pa

    return pa.chunked_array([pa.nulls(n_rows, pa.string())])


def plain_column(column: Any) -> Any:
    """A column as int64, float64, bool or text; times as int64 in ns; what cannot be one of these as null text."""
    import pyarrow as pa

    kind = column.type
    try:
        if pa.types.is_dictionary(kind):
            return _plain_values(compute().cast(column, kind.value_type))
        return _plain_values(compute().run_end_decode(column) if pa.types.is_run_end_encoded(kind) else column)
    except pa.ArrowException:
        # Numbers beyond int64, dates beyond what ns can count, bytes that are no text: no time of a frame is like that.
        return empty_column(len(column))


def _plain_values(column: Any) -> Any:
    import pyarrow as pa

    pc, kind = compute(), column.type
    if pa.types.is_timestamp(kind) or pa.types.is_duration(kind) or pa.types.is_time(kind):
        bits = pa.int32() if pa.types.is_time32(kind) else pa.int64()
        numbers = pc.cast(pc.cast(column, bits), pa.int64())
        factor = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}[kind.unit]
        return pc.multiply_checked(numbers, arrow_int64(np.array([factor], dtype=np.int64))[0])
    if pa.types.is_integer(kind):
        return pc.cast(column, pa.int64())
    if pa.types.is_floating(kind):
        return pc.cast(column, pa.float64())
    if pa.types.is_boolean(kind):
        return column
    if pa.types.is_decimal(kind) or is_text(kind):
        return pc.cast(column, pa.string())
    return empty_column(len(column))


def is_text(kind: pa.DataType) -> bool:
    """Whether a type is one of the forms in which Arrow keeps texts."""
    import pyarrow as pa

    types = pa.types
    named = types.is_string(kind) or types.is_large_string(kind) or types.is_string_view(kind)
    # Some writers do not mark texts as such.
    return named or types.is_binary(kind) or types.is_large_binary(kind) or types.is_binary_view(kind)


def times_of(column: Any, unit: TimeUnit) -> TimeValues:
    """Times of a column that ``plain_column`` made, in ns; of rates, the times of the frames."""
    import pyarrow as pa

    if pa.types.is_string(column.type) or pa.types.is_boolean(column.type):
        return times_of_texts(compute().cast(column, pa.string()), unit, POINT)
    ok = None
    if column.null_count:
        valid = numpy_of(compute().cast(column.is_valid(), pa.uint8()))
        ok = np.asarray(valid, dtype=np.bool_)
        zero = compute().cast(arrow_int64(np.zeros(1, dtype=np.int64)), column.type)[0]
        column = compute().fill_null(column, zero)
    numbers = numpy_of(column)
    if not numbers.size:
        return TimeValues(ns=np.empty(0, dtype=np.int64), ok=ok)
    if unit.ns is not None and numbers.dtype == np.int64 and unit.ns.denominator == 1:
        factor = int(unit.ns)
        limit = (2**63 - 1) // factor
        inside = (numbers <= limit) & (numbers >= -limit)
        ns = np.where(inside, numbers, 0) * factor
        return TimeValues(ns=ns, ok=_both(ok, inside))
    with np.errstate(all="ignore"):
        scaled = 1e9 / numbers if unit.ns is None else numbers * float(unit.ns)
    inside = np.isfinite(scaled) & (np.abs(scaled) < _MAX_NS)
    if unit.ns is None:
        inside &= numbers > 0
    scaled = np.where(inside, scaled, 0.0)
    return TimeValues(ns=np.rint(scaled).astype(np.int64), ok=_both(ok, inside))


def rounding_caveats(values: TimeValues, use: ColumnUse, kind: pa.DataType) -> tuple[Caveat, ...]:
    """A caveat where floating-point numbers are too large for the digits that times need."""
    import pyarrow as pa

    while pa.types.is_dictionary(kind) or pa.types.is_run_end_encoded(kind):
        kind = kind.value_type
    if not pa.types.is_floating(kind) or not values.ns.size or use.unit is None or use.unit.ns is None:
        return ()
    unit_ns = float(use.unit.ns)
    largest = np.array([float(np.abs(values.ns).max()) / unit_ns], dtype=f"f{kind.bit_width // 8}")
    exact_to_ns = float(np.spacing(largest)[0]) * unit_ns / 2
    if exact_to_ns < _EXACT_ENOUGH_NS:
        return ()
    return (
        Caveat(
            code="rounded-timestamps",
            message=f"Column '{printable(str(use.ref), limit=40)}' holds times as floating-point numbers that are "
            f"exact to {exact_to_ns:.0f} ns only.",
        ),
    )


def _both(ok: NDArray[np.bool_] | None, inside: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    both = inside if ok is None else ok & inside
    return None if both.all() else both
