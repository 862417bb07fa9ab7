"""The charts there are, and their texts: without matplotlib, so that a command can list them and not pay for it.

``charts.json`` beside this file holds them: ``name`` and ``caption`` stand in lists and reports, ``title``, ``lead``
and ``notes`` on the chart, ``full`` with the full notes alone.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from string import Formatter
from typing import Any, Final, Literal, TypeAlias

Source: TypeAlias = Literal["capture", "captures", "review", "review cells", "tuning", "endurance"]


@dataclass(frozen=True, kw_only=True)
class ChartKind:
    """One kind of chart.

    Attributes
    ----------
    key : str
        Name for ``--only`` and beginning of the file's name.
    name : str
        A few words.
    caption : str
        What it shows and how it is read, in one or two sentences.
    sources : sequence of str
        What it can be drawn from; *review cells* is a chart of single runs, drawn for each cell when asked for.
    title : str
        What stands above the chart, with names in braces for what each fills in.
    lead : sequence of str
        Sentences below the title: which way is better, what stands first.
    key_entries : sequence of mapping
        What its marks mean: fields of `chart_sheet.KeyEntry`, with colors of the palette.
    first : int
        How many of this kind are drawn of a review that has more charts than are drawn unless asked for.
    notes, full : sequence of str
        What stands at its foot; ``full`` are sentences for the reader who wants all: definitions, where zero is.
    """

    key: str
    name: str
    caption: str
    sources: Sequence[Source]
    title: str
    lead: Sequence[str]
    notes: Sequence[str]
    full: Sequence[str]
    key_entries: Sequence[Mapping[str, Any]] = ()
    first: int = 0

    def filled(self, **values: object) -> ChartKind:
        """The texts with these values.

        A sentence of which a value is ``None`` or false is left out, as is an empty one; of true nothing is shown.
        """
        values = {name: ("" if value else None) if isinstance(value, bool) else value for name, value in values.items()}
        lead, notes, full = (
            [text for line in lines if (text := _filled(line, values))] for lines in (self.lead, self.notes, self.full)
        )
        entries = [(_filled(entry["label"], values), entry) for entry in self.key_entries]
        kept = [{**entry, "label": label} for label, entry in entries if label]
        return replace(self, title=self.title.format_map(values), lead=lead, notes=notes, full=full, key_entries=kept)


def _filled(template: str, values: Mapping[str, Any]) -> str:
    names = [name for _, name, _, _ in Formatter().parse(template) if name]
    return "" if any(values[name] is None for name in names) else template.format_map(values)


CATALOG: Final[Mapping[str, ChartKind]] = {
    key: ChartKind(key=key, **found)
    for key, found in json.loads(Path(__file__).with_name("charts.json").read_text("utf-8")).items()
}


def keys_for(*sources: Source) -> tuple[str, ...]:
    """Keys of the charts that can be drawn from any of these, in the order of the catalog."""
    return tuple(key for key, kind in CATALOG.items() if any(source in kind.sources for source in sources))
