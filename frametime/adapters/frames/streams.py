"""Several applications in one log: the one that was asked for, or the busiest."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.columns.column_refusals import command
from frametime.adapters.columns.other_columns import EVERY_STREAM
from frametime.caveats import Caveat
from frametime.errors import ReadError, printable

_MAX_STREAMS: Final = 64


def unnamed_stream(wanted: str | None) -> tuple[Caveat, ...]:
    """A caveat where a stream was asked for and no column of the log names any."""
    if wanted is None:
        return ()
    message = (
        f"No column names an application: whether the frames are those of '{printable(wanted, limit=60)}' cannot be "
        "told."
    )
    return (Caveat(code="stream-not-named", message=message),)


def chosen_stream(
    column: Any, wanted: str | None, name: str, *, unknown: NDArray[np.int64]
) -> tuple[NDArray[np.int64] | None, tuple[Caveat, ...]]:
    """Rows of the stream that is read (``None``: all), and a caveat where there was a choice.

    Parameters
    ----------
    column : pyarrow.ChunkedArray
        Texts, or a dictionary of texts.
    wanted : str or None
    name : str
        Of the log.
    unknown : ndarray of int64
        Rows whose cell was lost: each may be a row of the stream, so the hole it leaves must be seen.

    Raises
    ------
    ReadError
        If the wanted stream is not there, or two are equally busy.
    """
    import pyarrow as pa

    encoded = column if pa.types.is_dictionary(column.type) else column.dictionary_encode()
    unified = encoded.unify_dictionaries()
    if wanted == EVERY_STREAM or not unified.num_chunks:
        return None, ()
    words = [word.strip().strip("\"'").strip() for word in unified.chunk(0).dictionary.to_pylist()]
    indices = np.concatenate([np.from_dlpack(chunk.indices) for chunk in unified.chunks])
    counts: dict[str, int] = {}
    for word, count in zip(words, np.bincount(np.delete(indices, unknown), minlength=len(words)), strict=True):
        counts[word] = counts.get(word, 0) + int(count)
    present = sorted((word for word in counts if counts[word]), key=lambda word: (-counts[word], word))
    if wanted is None and not 2 <= len(present) <= _MAX_STREAMS:
        return None, ()
    caveats: tuple[Caveat, ...] = ()
    listed = ", ".join(f"'{printable(word, limit=40)}' ({counts[word]})" for word in present[:8])
    if wanted is not None:
        chosen = next((word for word in present if word.casefold() == wanted.strip().casefold()), None)
        if chosen is None:
            found = f"there is no stream '{printable(wanted, limit=60)}'"
            raise ReadError.at(name, found, helps=f"streams and rows: {listed}")
    else:
        chosen = present[0]
        if counts[chosen] == counts[present[1]]:
            ways = "  or  ".join(command(name, "--stream", word) for word in present[:4])
            found = f"several applications are equally busy: {listed}"
            raise ReadError.at(name, found, helps=f"choose one by name with --stream:  {ways}")
        message = (
            f"The log holds {len(present)} applications; the busiest was read, '{printable(chosen, limit=40)}', of "
            f"{listed}. --stream chooses another."
        )
        caveats = (Caveat(code="several-streams", message=message),)
    codes = [code for code, word in enumerate(words) if word == chosen]
    return np.union1d(np.flatnonzero(np.isin(indices, codes)), unknown).astype(np.int64), caveats
