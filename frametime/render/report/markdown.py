"""A document as Markdown for a text editor: the same words and numbers, tables with bars; foreign text made safe."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Final

from frametime.errors import visible
from frametime.render.report.document import Report
from frametime.render.tables.table import Code, Inline, Line, line_text, plain_text

if TYPE_CHECKING:
    from jinja2 import Template

_KEPT: Final = frozenset("\t\n\r\u200c\u200d")
"""White space, and the joiners that some scripts need; they hide nothing."""


def readable(text: str) -> str:
    r"""``text`` with control characters, direction marks and lone surrogates written as escapes; white space stays.

    A lone surrogate stands for a byte of a file name that is not UTF-8; it could not be written to a file at all.

    Examples
    --------
    >>> print(readable("run\x1b[1m \u202e7 \udcff"))
    run\x1b[1m \u202e7 \udcff
    >>> readable("a\nb") == "a\nb"
    True
    """
    if text.isprintable():
        return text
    return "".join(character if character in _KEPT else visible(character) for character in text)


_SPECIAL: Final = re.compile(r"([\\`*\[\]<|$^]|=(?==)|(?<==)=|(?<!\w)_|_(?!\w)|~|&(?=#?\w+;))")
_LINE_START: Final = re.compile(r"^([-+]\s|#|>|=+$|-+$)")
_NUMBER_START: Final = re.compile(r"^(\d+)([.)]\s)")


def escaped(text: str) -> str:
    r"""Foreign text as Markdown that shows it as it is, in one line; only what would be read as markup is changed.

    Examples
    --------
    >>> print(escaped("a|b <i> *c* average_fps $x^2$ ==d=="))
    a\|b \<i> \*c\* average_fps \$x\^2\$ \=\=d\=\=
    """
    one_line = _SPECIAL.sub(r"\\\1", " ".join(readable(text).split()))
    return _NUMBER_START.sub(r"\1\\\2", _LINE_START.sub(r"\\\1", one_line))


def render_markdown(report: Report) -> str:
    """The text, ending in one line end."""
    text: str = _template().render(report=report)
    return re.sub(r"\n{3,}", "\n\n", text).strip("\n") + "\n"


@cache
def _template() -> Template:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("frametime.render.report", "templates"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"escaped": escaped, "line": _line, "code": code, "target": _target, "kind": kind}
    return environment.get_template("report.md.j2")


def kind(part: object) -> str:
    """What sort of part or block a template writes."""
    return type(part).__name__.lower()


def code(text: str) -> str:
    """Text between backticks, as many as it needs; the bar is escaped for tables."""
    one_line = " ".join(readable(text).split())
    longest = max((len(run) for run in re.findall(r"`+", one_line)), default=0)
    fence = "`" * (longest + 1)
    space = " " if longest else ""
    return f"{fence}{space}{one_line}{space}{fence}".replace("|", "\\|")


def _inline(part: Inline) -> str:
    if isinstance(part, str):
        # Spaces at the ends join parts, so they stay.
        lead, tail = part[: len(part) - len(part.lstrip())], part[len(part.rstrip()) :]
        return (" " if lead else "") + escaped(part) + (" " if tail and part.strip() else "")
    return code(part.text) if isinstance(part, Code) else escaped(plain_text(part))


def _line(content: Line) -> str:
    return line_text(content, _inline)


def _target(path: str) -> str:
    return "<" + path.replace("<", "%3C").replace(">", "%3E") + ">" if re.search(r"[\s()<>]", path) else path
