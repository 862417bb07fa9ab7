"""Charts as drawings inside the page: small, in the page's own light and dark colors, allowed by its policy.

A chart comes as an SVG file in the light palette. Its style attributes, which the policy of the page forbids, become
presentation attributes; its colors become the tokens of `chart_colors_css`, so that one drawing serves both schemes;
its letters, which are outlines, are kept once for all charts of the page; numbers keep a hundredth of a point.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from html import escape
from typing import Final
from xml.etree import ElementTree

from frametime.render.charts.theme import PALETTES, Palette
from frametime.render.report.markdown import readable

_SVG: Final = "{http://www.w3.org/2000/svg}"
_HREF: Final = "{http://www.w3.org/1999/xlink}href"
_NUMBER: Final = re.compile(r"-?\d+\.?\d*(?:e-?\d+)?")
_COLOR: Final = re.compile(r"#[0-9a-f]{6}\b")
_REFERENCE: Final = re.compile(r"url\(#([^)]+)\)")
_TRANSLATE: Final = re.compile(r"translate\((-?[\d.]+)(?:[ ,]+(-?[\d.]+))?\)")
_LEFT_OUT: Final = frozenset({"metadata", "style"})
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


class Outlines:
    """The letters of all charts of a page: each outline once, under a short name."""

    def __init__(self) -> None:
        self._names: dict[str, str] = {}

    def name(self, path: str) -> str:
        """The name of an outline, new or known."""
        return self._names.setdefault(path, f"o{len(self._names) + 1}")

    def markup(self) -> str:
        """All outlines, to stand once in the page."""
        paths = "".join(
            f'<path id="{name}" transform="scale(.015625)" d="{path}"/>' for path, name in self._names.items()
        )
        head = '<svg class="outlines" width="0" height="0" aria-hidden="true" focusable="false">'
        return f"{head}<defs>{paths}</defs></svg>"


def inline_svg(svg: bytes, *, key: str, alternative: str, outlines: Outlines) -> str:
    """A chart as markup for the page.

    Parameters
    ----------
    svg : bytes
        As `frametime.render.charts.figure_files.figure_bytes` makes it, in the light palette.
    key : str
        Begins the names of clipping paths and the like, so that two charts do not share one.
    alternative : str
        What the chart shows, in words and numbers.
    outlines : Outlines
        Takes up the letters.
    """
    root = ElementTree.fromstring(svg)
    writer = _Writer(root, key=key, outlines=outlines)
    body = "".join(writer.markup(child) for child in root)
    return (
        f'<svg class="chart" role="img" aria-label="{escape(readable(alternative))}" viewBox="{root.attrib["viewBox"]}"'
        f' stroke-linejoin="round" stroke-linecap="butt" focusable="false">{body}</svg>'
    )


class _Writer:
    """Writes the elements of one drawing."""

    def __init__(self, root: ElementTree.Element, *, key: str, outlines: Outlines) -> None:
        self._key = key
        self._letters: dict[str, str | None] = {}
        self._names: dict[str, str] = {}
        for element in root.iter(f"{_SVG}path"):
            if element.get("transform") == "scale(0.015625)" and "id" in element.attrib:
                path = _short_numbers(element.get("d", ""))
                self._letters[element.attrib["id"]] = outlines.name(path) if path else None
        for element in root.iter():
            for value in element.attrib.values():
                for name in _REFERENCE.findall(value):
                    self._name(name)
            target = element.get(_HREF, "").removeprefix("#")
            if target and target not in self._letters and not target.startswith("data:"):
                self._name(target)

    def _name(self, name: str) -> str:
        return self._names.setdefault(name, f"{self._key}-{len(self._names) + 1}")

    def markup(self, element: ElementTree.Element) -> str:
        """One element with all that is in it; what shows nothing is left out."""
        tag = element.tag.removeprefix(_SVG)
        if tag in _LEFT_OUT or element.get("id") in self._letters:
            return ""
        target = element.get(_HREF, "").removeprefix("#")
        if target in self._letters:
            return self._letter(element, self._letters[target])
        inside = "".join(self.markup(child) for child in element)
        if tag in {"g", "defs"} and not inside:
            return ""
        attributes = self._attributes(element)
        if tag == "g" and not attributes:
            return inside
        return f"<{tag}{attributes}>{inside}</{tag}>" if inside else f"<{tag}{attributes}/>"

    def _letter(self, element: ElementTree.Element, name: str | None) -> str:
        if name is None:
            return ""
        transform = element.get("transform", "")
        moved = _TRANSLATE.fullmatch(transform)
        if moved is None:
            place = f' transform="{_short_numbers(transform)}"' if transform else ""
        else:
            place = "".join(
                f' {axis}="{round(float(value))}"'  # of a hundred to the height of a letter
                for axis, value in zip("xy", moved.groups(), strict=True)
                if value is not None and round(float(value))
            )
        return f'<use href="#{name}"{place}/>'

    def _attributes(self, element: ElementTree.Element) -> str:
        found: dict[str, str] = {}
        for name, value in element.attrib.items():
            if name == "style":
                for rule in filter(None, (part.strip() for part in value.split(";"))):
                    key, _, setting = rule.partition(":")
                    found[key.strip()] = setting.strip()
            elif name == "id":
                if value in self._names:
                    found["id"] = self._names[value]
            elif name == _HREF:
                target = value.removeprefix("#")
                found["href"] = f"#{self._names[target]}" if target in self._names else value
            else:
                found[name] = value
        return "".join(f' {name}="{escape(self._value(name, value))}"' for name, value in found.items())

    def _value(self, name: str, value: str) -> str:
        value = _COLOR.sub(lambda match: color_tokens().get(match.group(), match.group()), value)
        value = _REFERENCE.sub(lambda match: f"url(#{self._name(match.group(1))})", value)
        return _short_numbers(value) if name in _WITH_NUMBERS else value


def _short(number: str) -> str:
    value = float(number)
    text = f"{value:.2f}".rstrip("0").rstrip(".") if abs(value) >= 1.0 else f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) else text


def _short_numbers(text: str) -> str:
    """Numbers with no more digits than are seen, and no spaces that mean nothing."""
    short = _NUMBER.sub(lambda match: _short(match.group()), " ".join(text.split()))
    return re.sub(r" ?([MLQCZzHV]) ?", r"\1", short)
