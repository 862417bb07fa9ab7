"""Arrow columns to numpy and back by way of their buffers: the usual functions import pandas where it is installed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray


def compute() -> Any:
    """The module of Arrow's compute functions, imported when it is needed (it costs more than a small log)."""
    import pyarrow.compute

    return pyarrow.compute


def numpy_of(column: Any) -> NDArray[Any]:
    """A numeric column without nulls as one array (through DLPack: ``to_numpy`` would import pandas)."""
    chunks = [np.from_dlpack(chunk) for chunk in column.chunks if len(chunk)]
    if not chunks:
        return np.empty(0, dtype=np.float64)
    return chunks[0] if len(chunks) == 1 else np.concatenate(chunks)


def arrow_int64(values: NDArray[np.int64], ok: NDArray[np.bool_] | None = None) -> Any:
    """An Arrow column over a numpy array, null where ``ok`` is false (``pyarrow.array`` would import pandas)."""
    import pyarrow as pa

    values = np.ascontiguousarray(values, dtype=np.int64)
    mask = None if ok is None or bool(ok.all()) else pa.py_buffer(np.packbits(ok, bitorder="little").tobytes())
    return pa.Array.from_buffers(pa.int64(), len(values), [mask, pa.py_buffer(values.data)])


def arrow_bool(values: NDArray[np.bool_], ok: NDArray[np.bool_] | None = None) -> Any:
    """The same for truth values."""
    import pyarrow as pa

    mask = None if ok is None or bool(ok.all()) else pa.py_buffer(np.packbits(ok, bitorder="little").tobytes())
    bits = pa.py_buffer(np.packbits(values, bitorder="little").tobytes())
    return pa.Array.from_buffers(pa.bool_(), len(values), [mask, bits])


def arrow_float64(values: NDArray[np.float64]) -> Any:
    """The same for numbers, null where one is not finite."""
    import pyarrow as pa

    usable = np.isfinite(values)
    mask = None if bool(usable.all()) else pa.py_buffer(np.packbits(usable, bitorder="little").tobytes())
    return pa.Array.from_buffers(pa.float64(), len(values), [mask, pa.py_buffer(np.ascontiguousarray(values).data)])


def text_scalar(text: str) -> Any:
    """One text as an Arrow scalar (``pyarrow.scalar`` would import pandas)."""
    return arrow_texts([text])[0]


def arrow_texts(texts: Sequence[str]) -> Any:
    """An Arrow column of texts."""
    import pyarrow as pa

    encoded = [text.encode("utf-8", "replace") for text in texts]
    offsets = np.concatenate([[0], np.cumsum([len(text) for text in encoded])]).astype(np.int32)
    return pa.StringArray.from_buffers(len(encoded), pa.py_buffer(offsets.data), pa.py_buffer(b"".join(encoded)))
