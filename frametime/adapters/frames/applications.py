"""Several applications in one log: the one that was asked for, or the busiest; and columns that say yes or no."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from frametime.adapters.arrow.arrow_columns import arrow_int64, arrow_texts, compute, numpy_of
from frametime.adapters.clocks.time_values import clean_texts
from frametime.adapters.columns.column_refusals import command
from frametime.adapters.columns.other_columns import EVERY_STREAM
from frametime.caveats import Caveat
from frametime.errors import ReadError, printable

_TRUE: Final = ("1", "1.0", "true", "yes", "y", "t")
_FALSE: Final = ("0", "0.0", "false", "no", "n", "f")
_MAX_STREAMS: Final = 64


def unnamed_stream(wanted: str | None) -> tuple[Caveat, ...]:
    """A caveat where a stream was asked for and no column of the log names any."""
    if wanted is None:
        return ()
    return (
        Caveat(
            code="stream-not-named",
            message=f"No column names an application: whether the frames are those of '{printable(wanted, limit=60)}' "
            "cannot be told.",
        ),
    )


def chosen_stream_of_texts(
    texts: Any, wanted: str | None, name: str, *, unknown: NDArray[np.int64]
) -> tuple[NDArray[np.int64] | None, tuple[Caveat, ...]]:
    """The same as ``chosen_stream`` for a column of texts.

    Parameters
    ----------
    texts : pyarrow.ChunkedArray
    wanted, name
    unknown : ndarray of int64
        Rows whose cell was lost: each may be a row of the stream, so the hole it leaves must be seen.
    """
    cleaned = clean_texts(texts)
    if not unknown.size:
        return chosen_stream(cleaned.dictionary_encode(), wanted, name)
    known = np.setdiff1d(np.arange(len(texts), dtype=np.int64), unknown)
    selected, caveats = chosen_stream(cleaned.take(arrow_int64(known)).dictionary_encode(), wanted, name)
    return (None if selected is None else np.union1d(known[selected], unknown)), caveats


def chosen_stream(column: Any, wanted: str | None, name: str) -> tuple[NDArray[np.int64] | None, tuple[Caveat, ...]]:
    """Rows of the stream that is read (``None``: all), and a caveat where there was a choice.

    Parameters
    ----------
    column : pyarrow.ChunkedArray
        Dictionary of texts.
    wanted : str or None
    name : str
        Of the log.

    Raises
    ------
    ReadError
        If the wanted stream is not there, or two are equally busy.
    """
    if wanted == EVERY_STREAM:
        return None, ()
    unified = column.unify_dictionaries()
    if not unified.num_chunks:
        return None, ()
    words = [str(word).strip() for word in unified.chunk(0).dictionary.to_pylist()]
    indices = np.concatenate([_indices(chunk) for chunk in unified.chunks])
    counts = np.bincount(indices[indices >= 0], minlength=len(words))
    present = [(int(count), word) for count, word in zip(counts, words, strict=True) if count]
    present.sort(key=lambda pair: (-pair[0], pair[1]))
    if wanted is None and (len(present) <= 1 or len(present) > _MAX_STREAMS):
        return None, ()
    caveats: tuple[Caveat, ...] = ()
    listed = ", ".join(f"'{printable(word, limit=40)}' ({count})" for count, word in present[:8])
    if wanted is not None:
        chosen = [word for _, word in present if word.casefold() == wanted.strip().casefold()]
        if not chosen:
            raise ReadError.at(
                name, f"there is no stream '{printable(wanted, limit=60)}'", helps=f"streams and rows: {listed}"
            )
        word = chosen[0]
    else:
        if present[0][0] == present[1][0]:
            raise ReadError.at(
                name,
                f"several applications are equally busy: {listed}",
                helps="choose one by name with --stream:  "
                + "  or  ".join(command(name, "--stream", word) for _, word in present[:4]),
            )
        word = present[0][1]
        caveats += (
            Caveat(
                code="several-streams",
                message=f"The log holds {len(present)} applications; the busiest was read, "
                f"'{printable(word, limit=40)}', of {listed}. --stream chooses another.",
            ),
        )
    codes = [code for code, text in enumerate(words) if text == word]
    return np.flatnonzero(np.isin(indices, codes)).astype(np.int64), caveats


def _indices(chunk: Any) -> NDArray[np.int64]:
    import pyarrow as pa

    indices = chunk.indices
    if indices.null_count:
        valid = numpy_of(pa.chunked_array([compute().cast(indices.is_valid(), pa.uint8())]))
        return np.where(
            valid, np.frombuffer(indices.buffers()[1], dtype=np.int32)[indices.offset :][: len(indices)], -1
        )
    return np.asarray(np.from_dlpack(indices), dtype=np.int64)


def flags_of_texts(texts: Any) -> tuple[NDArray[np.bool_], NDArray[np.bool_] | None]:
    """Truth values of a column of texts, and where there is one."""
    import pyarrow as pa

    pc = compute()
    lowered = pc.utf8_lower(clean_texts(texts))

    def among(words: tuple[str, ...]) -> NDArray[np.bool_]:
        return np.asarray(
            numpy_of(pc.cast(pc.is_in(lowered, value_set=arrow_texts(words)), pa.uint8())), dtype=np.bool_
        )

    yes, no = among(_TRUE), among(_FALSE)
    return yes, None if (yes | no).all() else yes | no
