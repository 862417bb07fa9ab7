"""Arrow columns to numpy and back by way of their buffers: the usual functions import pandas where it is installed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from frametime.errors import printable


class _Later:
    """A module that is imported when something of it is asked for: that costs more than a small log."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, name: str) -> Any:
        return self.__dict__.setdefault(name, getattr(import_module(self._name), name))  # at hand the next time


pc: Any = _Later("pyarrow.compute")
if TYPE_CHECKING:
    import pyarrow

    pa = pyarrow  # for others to import
else:
    pa = _Later("pyarrow")


def numpy_of(column: Any) -> NDArray[Any]:
    """A numeric column without nulls, in chunks or not, as one array (``to_numpy`` would import pandas)."""
    chunks = [np.from_dlpack(chunk) for chunk in getattr(column, "chunks", [column]) if len(chunk)]
    return chunks[0] if len(chunks) == 1 else np.concatenate(chunks or [np.empty(0)])


def arrow_array(values: NDArray[Any], ok: NDArray[np.bool_] | None = None) -> Any:
    """An Arrow column over a numpy array of int64, float64 or bool, null where ``ok`` is false.

    ``pyarrow.array`` would import pandas.
    """

    def bits(flags: NDArray[np.bool_]) -> Any:
        return pa.py_buffer(np.packbits(flags, bitorder="little").tobytes())

    mask = None if ok is None or bool(ok.all()) else bits(ok)
    content = bits(values) if values.dtype == np.bool_ else pa.py_buffer(np.ascontiguousarray(values).data)
    return pa.Array.from_buffers(pa.from_numpy_dtype(values.dtype), len(values), [mask, content])


def text_scalar(text: str) -> Any:
    """One text as an Arrow scalar (``pyarrow.scalar`` would import pandas)."""
    return arrow_texts([text])[0]


def arrow_texts(texts: Sequence[str]) -> Any:
    """An Arrow column of texts."""
    encoded = [text.encode("utf-8", "replace") for text in texts]
    offsets = np.concatenate([[0], np.cumsum([len(text) for text in encoded])]).astype(np.int32)
    return pa.StringArray.from_buffers(len(encoded), pa.py_buffer(offsets.data), pa.py_buffer(b"".join(encoded)))


def table_of(arrays: Mapping[str, Any], columns: Mapping[str, tuple[str, str, str]]) -> pa.Table:
    """A table of a capture, each column with its unit; ``columns`` are ``FRAME_COLUMNS`` or ``SENSOR_COLUMNS``."""
    fields = [pa.field(name, array.type, metadata={"unit": columns[name][1]}) for name, array in arrays.items()]
    return pa.Table.from_arrays(list(arrays.values()), schema=pa.schema(fields))


def fault_of(table: pa.Table, columns: Mapping[str, tuple[str, str, str]]) -> str | None:
    """What is not as in a table of a capture: its columns and their types, and times that rise; ``None`` if all is.

    Parameters
    ----------
    table : pyarrow.Table
    columns : Mapping
        ``FRAME_COLUMNS`` or ``SENSOR_COLUMNS``: the first of them is the time.
    """
    for field in table.schema:
        if field.name not in columns or str(field.type).replace("double", "float64") != columns[field.name][0]:
            return f"a column {printable(field.name, limit=40)!r} of type {field.type}"
    time = next(iter(columns))
    if table.column_names.count(time) != 1 or len(set(table.column_names)) != table.num_columns:
        return f"no single {time}"
    if table.column(time).null_count:
        return f"empty cells in {time}"
    stamps = numpy_of(table.column(time))
    return None if (stamps[1:] > stamps[:-1]).all() else "timestamps that do not rise"
