"""The table of metrics, ``metrics.tsv`` beside this file: one row a metric, with all that is told of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from frametime.metrics.metric import PRACTICE, Compute, Metric


@lru_cache(maxsize=1)
def table() -> Mapping[str, Mapping[str, str]]:
    """Every row by its key; ``-`` stands for what a metric does not have."""
    text = Path(__file__).with_name("metrics.tsv").read_text("utf-8")
    names, *rows = (line.split("\t") for line in text.splitlines())
    return {row[0]: dict(zip(names, row, strict=True)) for row in rows}


def metrics_of(functions: Mapping[str, Compute], **words: object) -> Iterator[Metric]:
    """The metrics that these functions compute, by key, in their order.

    Parameters
    ----------
    functions : Mapping of str to callable
        A key with ``*`` is filled with the word ``of``.
    words
        What stands in braces in labels and definitions.

    Raises
    ------
    KeyError
        If the table has no such row.

    Examples
    --------
    >>> [longest] = metrics_of({"max_frame_time_ms": lambda series: float(series.sorted_ms[-1])})
    >>> longest.label, longest.unit, longest.source
    ('longest frame time', 'ms', 'common practice, no source')
    """
    for key, compute in functions.items():
        row: dict[str, Any] = dict(table()[key])
        yield Metric(
            key=key.replace("*", str(words.get("of"))),
            label=row["label"].format(**words),
            unit=row["unit"],
            better=row["better"],
            group=row["group"],
            definition=row["definition"].format(**words),
            source=PRACTICE if row["source"] == "-" else row["source"],
            compute=compute,
            decimals=None if row["decimals"] == "-" else int(row["decimals"]),
        )
