"""A document as one HTML page that needs no network: style, scripts, pictures and data lie in the page."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import fields
from functools import cache, lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final
from xml.etree import ElementTree

from frametime.render.charts.theme import PALETTES, Palette
from frametime.render.report.document import Bar, Block, Figure, Folded, ReaderChoice, Report, Section, TraceView
from frametime.render.report.markdown import kind, readable
from frametime.render.tables.parts import reach_ends
from frametime.render.tables.table import Cell, Number, Range, Strip, Table

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

STRIP_WIDTH: Final = 200
_BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=%|°C|(?:mV|MHz|W)\b)")
_SHORT_TEXT: Final = 24
_LONG_TEXT: Final = 36


def render_html(report: Report) -> str:
    """The page. The same document gives the same text.

    Text of the document is escaped by the template engine; the page forbids, by its own content security policy,
    every script and style but those written here, and every connection.
    """
    environment = _environment()
    blocks = list(_blocks_of(Section("", "", report.lead, report.sections)))
    has_traces = any(isinstance(block, TraceView) for block in blocks)
    figures = [block for block in blocks if isinstance(block, Figure)]
    outlines: dict[str, str] = {}
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
        licence, library = _asset("uplot/LICENSE"), _asset("uplot/uPlot.iife.min.js")
        scripts += [f"/*\n{licence}*/\n{library}", _asset("traces.js")]
    return environment.get_template("report.html.j2").render(
        report=report,
        policy=_policy([style], scripts),
        style=_trusted(style),
        scripts=[_trusted(script) for script in scripts],
        outlines=outlines,
        drawings={key: _trusted(drawing) for key, drawing in drawings.items()},
    )


def with_traces(page: str, place: TraceView, traces: TraceView) -> str:
    """The page with frame times where a place was kept for them: as if all of it were made anew with them."""
    parts: Any = _environment().get_template("parts.html.j2").module
    return page.replace(str(parts.traces(place)), str(parts.traces(traces)))


def _blocks_of(section: Section) -> Iterator[Block]:
    for block in section.blocks:
        yield from block.blocks if isinstance(block, Folded) else (block,)
    for inner in section.sections:
        yield from _blocks_of(inner)


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
        # Text that is not yet markup loses what cannot be seen or would turn the text; no line ends between 7.9 and %.
        finalize=lambda value: _BEFORE_UNIT.sub("\u00a0", readable(value)) if type(value) is str else value,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["nothing_known"] = NOTHING_KNOWN
    writers = (exact, kind, column_facts, text_class, strip_places, reach_ends, bar_places, inert_json)
    environment.filters |= {write.__name__: write for write in writers}
    return environment


def exact(value: float | str) -> str:
    """A number with seven digits, as in JSON: more than are read, fewer than double the page; text as it is."""
    if isinstance(value, float):
        value = float(f"{value:.7g}")
        value = int(value) if value.is_integer() and abs(value) < 1e7 else value
    return value if isinstance(value, str) else json.dumps(value, allow_nan=False)


NOTHING_KNOWN: Final = {"number": "", "range": "", "shown_as": "value"}


def column_facts(table: Table) -> list[dict[str, str]]:
    """For each column what its heading can say once: origin of all its numbers, of all its intervals, their form."""
    facts = []
    for position in range(len(table.columns)):
        parts = [part for row in table.rows for part in row.cells[position].content]
        shown = [part for part in parts if isinstance(part, (Number, Range))]
        found: dict[str, set[str]] = {
            "number": {part.origin for part in shown if isinstance(part, Number)},
            "range": {part.origin for part in shown if isinstance(part, Range)},
            "shown_as": {part.shown_as for part in shown},
        }
        shared = {name: values.pop() for name, values in found.items() if len(values) == 1}
        facts.append({**NOTHING_KNOWN, **shared})
    return facts


def text_class(cell: Cell) -> str:
    """``k`` where the words are so few that they stand on one line, ``w`` for a sentence, which needs some width."""
    parts = [part if isinstance(part, str) else getattr(part, "text", None) for part in cell.content]
    text = "".join(part or "" for part in parts)
    if None not in parts and len(text) < _SHORT_TEXT and (" " in text or cell.notes):
        return "k"
    return "w" if sum(len(part) for part in cell.content if isinstance(part, str)) >= _LONG_TEXT else ""


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


def bar_places(bar: Bar, longest: float) -> dict[str, str]:
    """Where a bar and its interval end, in its own units, from zero; no ``low`` without an interval."""

    def place(value: float) -> str:
        return f"{min(1.0, max(0.0, value / longest)) * STRIP_WIDTH:.1f}"

    low, high = ("", "") if bar.ends is None else (place(bar.ends.low), place(bar.ends.high))
    return {"value": place(bar.value.value or 0.0), "low": low, "high": high}


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


"""Charts come as SVG files in the light palette. Their style attributes, which the policy of the page forbids, become
presentation attributes; their colors become the tokens of `chart_colors_css`, so that one drawing serves both schemes;
letters, which are outlines, are kept once for all charts of the page; numbers keep a hundredth of a point."""
_SVG: Final = "{http://www.w3.org/2000/svg}"
_HREF: Final = "{http://www.w3.org/1999/xlink}href"
_NUMBER: Final = re.compile(r"-?\d+\.?\d*(?:e-?\d+)?")
_COLOR: Final = re.compile(r"#[0-9a-f]{6}\b")
_REFERENCE: Final = re.compile(r"""(url\(#|href="#)([^")]+)""")
_TRANSLATE: Final = re.compile(r"translate\((-?[\d.]+)(?:[ ,]+(-?[\d.]+))?\)")
_LETTER_SCALE: Final = "scale(0.015625)"
_WITH_NUMBERS: Final = frozenset(
    {"d", "x", "y", "x1", "x2", "y1", "y2", "width", "height", "transform", "stroke-width", "stroke-dasharray"}
)


def _palette_colors(palette: Palette) -> dict[str, str]:
    """Name of each color of a palette, the ground left out, to the color."""
    colors: dict[str, str] = {}
    for item in fields(palette):
        value = getattr(palette, item.name)
        if isinstance(value, tuple):
            colors |= {f"chart-{item.name}-{number}": color for number, color in enumerate(value, 1)}
        elif item.name not in {"key", "ground"}:
            colors[f"chart-{item.name.replace('_', '-')}"] = value
    return colors


@cache
def color_tokens() -> Mapping[str, str]:
    """Each color of the light palette as it is written in the page; the ground of charts is that of the page."""
    light, dark = _palette_colors(PALETTES["light"]), _palette_colors(PALETTES["dark"])
    tokens: dict[str, str] = {PALETTES["light"].ground: "var(--ground)"}
    for name, color in light.items():
        known = tokens.setdefault(color, f"var(--{name})")
        if dark[known.removeprefix("var(--").removesuffix(")")] != dark[name]:
            raise ValueError(f"the light color {color!r} stands for two dark ones")
    return tokens


def chart_colors_css() -> str:
    """The colors of charts for both schemes, as custom properties; paper is light."""

    def rule(palette: str) -> str:
        return (
            ":root{" + "".join(f"--{name}:{color};" for name, color in _palette_colors(PALETTES[palette]).items()) + "}"
        )

    return f"{rule('light')}@media screen and (prefers-color-scheme:dark){{{rule('dark')}}}"


def inline_svg(svg: bytes, *, key: str, alternative: str, outlines: dict[str, str]) -> str:
    """A chart as markup for the page.

    Parameters
    ----------
    svg : bytes
        As `frametime.render.charts.chart_sheet.figure_bytes` makes it, in the light palette.
    key : str
        Begins the names of clipping paths and the like, so that two charts do not share one.
    alternative : str
        What the chart shows, in words and numbers.
    outlines : dict of str to str
        Takes up the letters: each outline and its short name.
    """
    root = ElementTree.fromstring(svg)
    letters: dict[str, str | None] = {}
    for element in root.iter(f"{_SVG}path"):
        if element.get("transform") == _LETTER_SCALE and "id" in element.attrib:
            path = _short_numbers(element.get("d", ""))
            letters[element.attrib["id"]] = outlines.setdefault(path, f"o{len(outlines) + 1}") if path else None
    referred = dict.fromkeys(name for _, name in _REFERENCE.findall(svg.decode("utf-8")) if name not in letters)
    names = {name: f"{key}-{number}" for number, name in enumerate(referred, 1)}
    inside = [kept for child in root for kept in _slimmed(child, letters, names)]
    chart = {"class": "chart", "role": "img", "aria-label": " ".join(readable(alternative).split())}
    chart |= {"viewBox": root.attrib["viewBox"], "stroke-linejoin": "round", "stroke-linecap": "butt"}
    page = ElementTree.Element("svg", {**chart, "focusable": "false"})
    page[:] = inside
    return ElementTree.tostring(page, encoding="unicode").replace(" />", "/>")


def _slimmed(
    element: ElementTree.Element, letters: Mapping[str, str | None], names: Mapping[str, str]
) -> list[ElementTree.Element]:
    """The element as the page has it, or what is in a group that means nothing; what shows nothing is left out."""
    tag, target = element.tag.removeprefix(_SVG), element.get(_HREF, "").removeprefix("#")
    if tag in {"metadata", "style"} or element.get("id") in letters or (target in letters and not letters[target]):
        return []
    letter = letters.get(target)
    attributes = _attributes(element, names) if letter is None else _letter_place(element, letter)
    inside = [kept for child in element for kept in _slimmed(child, letters, names)]
    if (tag == "g" and not attributes) or (tag in {"g", "defs"} and not inside):
        return inside
    slim = ElementTree.Element(tag, attributes)
    slim[:] = inside
    return [slim]


def _letter_place(element: ElementTree.Element, name: str) -> dict[str, str]:
    transform = element.get("transform", "")
    moved = _TRANSLATE.fullmatch(transform)
    if moved is None:
        place = {"transform": _short_numbers(transform)} if transform else {}
    else:  # of a hundred to the height of a letter
        told = {axis: str(round(float(value or 0))) for axis, value in zip("xy", moved.groups(), strict=True)}
        place = {axis: value for axis, value in told.items() if value != "0"}
    return {"href": f"#{name}", **place}


def _attributes(element: ElementTree.Element, names: Mapping[str, str]) -> dict[str, str]:
    found = {name: value for name, value in element.attrib.items() if name not in {"style", "id", _HREF}}
    rules = (rule.partition(":") for rule in element.get("style", "").split(";") if rule.strip())
    found |= {name.strip(): value.strip() for name, _, value in rules}
    if (name := element.get("id", "")) in names:
        found["id"] = names[name]
    if target := element.get(_HREF, ""):
        found["href"] = f"#{names[target[1:]]}" if target[1:] in names else target
    return {name: _value(name, value, names) for name, value in found.items()}


def _value(name: str, value: str, names: Mapping[str, str]) -> str:
    value = _COLOR.sub(lambda match: color_tokens().get(match.group(), match.group()), value)
    value = _REFERENCE.sub(lambda match: f"{match.group(1)}{names[match.group(2)]}", value)
    return _short_numbers(value) if name in _WITH_NUMBERS else value


@lru_cache(maxsize=4096)
def _short_numbers(text: str) -> str:
    """Numbers with no more digits than are seen, and no spaces that mean nothing."""
    short = _NUMBER.sub(lambda match: _short(match[0]), " ".join(text.split()))
    return re.sub(r" ?([MLQCZzHV]) ?", r"\1", short)


@lru_cache(maxsize=16384)
def _short(number: str) -> str:
    value = float(number)
    text = (f"{value:.2f}" if abs(value) >= 1.0 else f"{value:.4f}").rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) else text
