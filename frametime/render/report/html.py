"""A document as one HTML page that needs no network: style, scripts, pictures and data lie in the page."""

from __future__ import annotations

import base64
import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from frametime.render.report.document import Bar, Block, Figure, Folded, ReaderChoice, Report, Section, Trace, TraceView
from frametime.render.report.inline_svg import Outlines, chart_colors_css, inline_svg
from frametime.render.report.markdown import readable
from frametime.render.tables.table import Cell, Mark, Number, Range, ShownAs, Strip, Table

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

STRIP_WIDTH: Final = 200
_SHORT_TEXT: Final = 24
_LONG_TEXT: Final = 36
_LIBRARY: Final = ("uplot/LICENSE", "uplot/uPlot.iife.min.js")


def render_html(report: Report) -> str:
    """The page. The same document gives the same text.

    Text of the document is escaped by the template engine; the page forbids, by its own content security policy,
    every script and style but those written here, and every connection.
    """
    environment = _environment()
    blocks = _all_blocks(report)
    has_traces = any(isinstance(block, TraceView) for block in blocks)
    figures = [block for block in blocks if isinstance(block, Figure)]
    outlines = Outlines()
    drawings = {
        key: inline_svg(svg, key=key, alternative=figure.alternative, outlines=outlines)
        for figure in figures
        for key, svg in ((figure.key, figure.svg), (f"{figure.key}-narrow", figure.narrow))
        if svg is not None
    }
    style = (
        _asset("report.css")
        + (chart_colors_css() if figures else "")
        + (_asset("uplot/uPlot.min.css") if has_traces else "")
    )
    scripts = [_asset("tables.js")]
    if any(isinstance(block, ReaderChoice) for block in blocks):
        scripts.append(_asset("reader.js"))
    if has_traces:
        licence, library = (_asset(name) for name in _LIBRARY)
        scripts += [f"/*\n{licence}*/\n{library}", _asset("traces.js")]
    return environment.get_template("report.html.j2").render(
        report=report,
        policy=_policy([style], scripts),
        style=_trusted(style),
        scripts=[_trusted(script) for script in scripts],
        outlines=_trusted(outlines.markup() if figures else ""),
        drawings={key: _trusted(drawing) for key, drawing in drawings.items()},
    )


def replace_traces(page: str, old: TraceView, new: TraceView) -> str:
    """The page with other frame times: how much room they have is known only when the rest of it stands.

    Raises
    ------
    ValueError
        If ``old`` is not in the page.
    """
    before, after = _trace_markup(old), _trace_markup(new)
    if page.count(before) != 1:
        raise ValueError(f"page must hold old once, got {page.count(before)!r} times")
    return page.replace(before, after)


def _trace_markup(view: TraceView) -> str:
    parts: Any = _environment().get_template("parts.html.j2").module
    return str(parts.traces(view))


def _all_blocks(report: Report) -> list[Block]:
    def of(section: Section) -> list[Block]:
        return [*section.blocks, *(block for inner in section.sections for block in of(inner))]

    every = [*report.lead, *(block for section in report.sections for block in of(section))]
    return [inner for block in every for inner in (block.blocks if isinstance(block, Folded) else (block,))]


@cache
def _asset(name: str) -> str:
    return (files("frametime.render.report") / "assets" / name).read_text("utf-8")


def _trusted(text: str) -> Markup:
    """Text of the package's own files, or markup that it escaped itself, put into the page as it is."""
    from markupsafe import Markup

    if "</script" in text.lower() or "</style" in text.lower():
        raise ValueError(f"text must not end its element, got {text[:40]!r}")
    return Markup(text)


def _policy(styles: list[str], scripts: list[str]) -> str:
    def allowed(texts: list[str]) -> str:
        digests = (hashlib.sha256(text.encode("utf-8")).digest() for text in texts)
        return " ".join(f"'sha256-{base64.b64encode(digest).decode('ascii')}'" for digest in digests)

    return (
        f"default-src 'none'; img-src data:; style-src {allowed(styles)}; script-src {allowed(scripts)};"
        " base-uri 'none'; form-action 'none'"
    )


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("frametime.render.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalized,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["nothing_known"] = NOTHING_KNOWN
    cells = (kind, needs_sort, column_facts, keeps_together, is_wordy)
    shapes = (strip_places, strip_ends, bar_places, trace_json, inert_json)
    environment.filters |= {write.__name__: write for write in (exact, *cells, *shapes)}
    return environment


def _finalized(value: object) -> object:
    """What a template writes: text that is not yet markup loses what cannot be seen or would turn the text."""
    return readable(value) if type(value) is str else value


def exact(value: float | str) -> str:
    """A number with seven digits, as in JSON: more than are read, fewer than double the page; text as it is."""
    if isinstance(value, float):
        value = float(f"{value:.7g}")
        value = int(value) if value.is_integer() and abs(value) < 1e7 else value
    return value if isinstance(value, str) else json.dumps(value, allow_nan=False)


def kind(part: object) -> str:
    """What sort of part or block a template writes."""
    return type(part).__name__.lower()


def needs_sort(cell: Cell) -> bool:
    """Whether the cell is sorted by something that is not what stands in it first."""
    if cell.sort is None:
        return False
    first = cell.content[0] if cell.content else None
    if isinstance(first, Mark):
        return cell.sort != first.word
    return not (isinstance(first, Number) and cell.sort == first.value)


@dataclass(frozen=True, kw_only=True)
class ColumnFacts:
    """What holds for every number of a column, so that its heading can say it once."""

    number: str
    range: str
    shown_as: ShownAs


NOTHING_KNOWN: Final = ColumnFacts(number="", range="", shown_as="value")


def column_facts(table: Table) -> tuple[ColumnFacts, ...]:
    """For each column, the origin that all its numbers share, that of all its intervals, and how they are shown."""

    def shared(found: set[str]) -> str:
        return found.pop() if len(found) == 1 else ""

    facts = []
    for position in range(len(table.columns)):
        parts = [part for row in table.rows for part in row.cells[position].content]
        numbers, ranges = ({part.origin for part in parts if isinstance(part, kind)} for kind in (Number, Range))
        shown = {part.shown_as for part in parts if isinstance(part, (Number, Range))}
        one = shown.pop() if len(shown) == 1 else "value"
        facts.append(ColumnFacts(number=shared(numbers), range=shared(ranges), shown_as=one))
    return tuple(facts)


def keeps_together(cell: Cell) -> bool:
    """Whether the words of a cell are so few that they stand on one line."""
    parts = [part if isinstance(part, str) else getattr(part, "text", None) for part in cell.content]
    text = "".join(part or "" for part in parts)
    return None not in parts and len(text) < _SHORT_TEXT and (" " in text or bool(cell.notes))


def is_wordy(cell: Cell) -> bool:
    """Whether a cell holds a sentence, which needs a column of some width to be read."""
    parts = [part for part in cell.content if isinstance(part, str)]
    return len("".join(parts)) >= _LONG_TEXT


def strip_places(strip: Strip) -> dict[str, str | bool]:
    """Where the parts of a strip lie, in its own units: logarithmic, no difference in the middle."""

    def place(ratio: float) -> float:
        return STRIP_WIDTH / 2.0 * (1.0 + math.log(ratio) / math.log(strip.reach))

    def kept(ratio: float) -> str:
        return f"{min(float(STRIP_WIDTH), max(0.0, place(ratio))):.1f}"

    band_left, band_right = place(1.0 / (1.0 + strip.margin)), place(1.0 + strip.margin)
    return {
        "band_left": f"{band_left:.1f}",
        "band_width": f"{band_right - band_left:.1f}",
        "low": kept(strip.low),
        "high": kept(strip.high),
        "value": kept(strip.value),
        "cut_low": strip.low * strip.reach < 1.0,
        "cut_high": strip.high > strip.reach,
    }


def strip_ends(strip: Strip) -> tuple[str, str]:
    """What the two ends of a strip stand for."""
    low_pct, high_pct = (1.0 - 1.0 / strip.reach) * 100.0, (strip.reach - 1.0) * 100.0
    return f"\N{MINUS SIGN}{low_pct:.0f} %", f"+{high_pct:.0f} %"


def bar_places(bar: Bar, longest: float) -> dict[str, str]:
    """Where a bar and its interval end, in its own units, from zero; no ``low`` without an interval."""

    def place(value: float) -> str:
        return f"{min(1.0, max(0.0, value / longest)) * STRIP_WIDTH:.1f}"

    low, high = bar.ends or (None, None)
    return {
        "value": place(bar.value.value or 0.0),
        "low": "" if low is None else place(low),
        "high": "" if high is None else place(high),
    }


def trace_json(view: TraceView) -> Markup:
    """The packed frame times for the page's script."""

    def plain(trace: Trace) -> dict[str, object]:
        sizes = {"color": trace.color, "duration_s": trace.duration_s, "n_steps": trace.n_steps, "packed": trace.packed}
        return {"label": trace.label, "group": trace.group, **sizes}

    return inert_json({"sets": [{"label": part.label, "traces": list(map(plain, part.traces))} for part in view.sets]})


def inert_json(value: object) -> Markup:
    """Plain values as JSON that cannot end its script element; texts lose what cannot be seen."""
    from markupsafe import Markup

    text = json.dumps(_readable(value), ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def _readable(value: object) -> object:
    match value:
        case str():
            return readable(value)
        case Mapping():
            return {str(key): _readable(item) for key, item in value.items()}
        case list() | tuple():
            return [_readable(item) for item in value]
    return value
