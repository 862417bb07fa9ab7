"""A document as Markdown for a text editor: the same words and numbers, tables with bars; foreign text made safe."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from frametime.render.report import document as doc
from frametime.render.tables.table import Code, Column, Inline, Line, Note, Table, line_text, plain_text

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
    return "".join(
        character if _is_kept(character) else character.encode("unicode_escape").decode("ascii") for character in text
    )


def _is_kept(character: str) -> bool:
    return character.isprintable() or character in _KEPT or unicodedata.category(character) == "Zs"


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


_WEIGHT_WORDS: Final = {"repeat": "**Repeat:** ", "care": "**Care:** "}


def render_markdown(report: doc.Report) -> str:
    """The text, ending in one line end."""
    lines = [f"# {escaped(report.title)}", "", escaped(report.subtitle), ""]
    for caution in report.cautions:
        lines += [f"> **Caution:** {escaped(caution)}", ">"]
    if report.cautions:
        lines[-1] = ""
    lines += ["## Verdict", ""]
    for block in report.lead:
        lines += _block(block, 3)
    for section in report.sections:
        lines += _section(section, 2)
    lines += ["---", "", escaped(report.colophon), ""]
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines))


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


def _section(section: doc.Section, level: int) -> list[str]:
    lines = [f"{'#' * level} {escaped(section.heading)}", ""]
    for block in section.blocks:
        lines += _block(block, level + 1)
    for inner in section.sections:
        lines += _section(inner, level + 1)
    return lines


def _block(block: doc.Block, level: int) -> list[str]:
    match block:
        case doc.Paragraph():
            lines = [_line(block.content), ""]
        case Table():
            lines = _table(block)
        case doc.Figure():
            lines = _figure(block)
        case doc.Notes():
            lines = [*(f"- {_note(note)}{f' {code(note.code)}' if note.code else ''}" for note in block.notes), ""]
        case doc.Definitions():
            lines = [*(_definition(item) for item in block.items), ""]
        case doc.VerdictCards():
            lines = [line for card in block.cards for line in _verdict(card, level)]
        case doc.TraceView():
            lines = _traces(block)
        case doc.Answers():
            lines = [*(f"- **{escaped(fact.term)}** {_line(fact.content)}" for fact in block.facts), ""]
        case doc.Bars():
            lines = _bars(block)
        case doc.Folded():
            lines = [line for inner in block.blocks for line in _block(inner, level)]
        case doc.ReaderChoice():
            lines = ["Scenes, resolutions and prices can be chosen in report.html, which lies beside this file.", ""]
    return lines


def _definition(item: doc.Definition) -> str:
    return f"- **{escaped(item.term)}**: {escaped(item.text)} Source: {escaped(item.source)}"


def _traces(view: doc.TraceView) -> list[str]:
    return [escaped(view.caption), "", "The frame times can be zoomed in report.html, which lies beside this file.", ""]


def _figure(figure: doc.Figure) -> list[str]:
    picture = [f"![{escaped(figure.alternative)}]({_target(figure.file)})", ""] if figure.file else []
    return [*picture, f"*{escaped(figure.caption)}*", ""]


def _bars(block: doc.Bars) -> list[str]:
    lines = [f"*{escaped(block.caption)}*", ""]
    for label, bars in block.groups:
        lines += [f"{escaped(label)}:", ""] if label else []
        lines += [f"- {escaped(bar.label)}: {_line((bar.value, ' ', *bar.more))}" for bar in bars]
        lines.append("")
    return lines


def _target(path: str) -> str:
    return "<" + path.replace("<", "%3C").replace(">", "%3E") + ">" if re.search(r"[\s()<>]", path) else path


def _verdict(card: doc.VerdictCard, level: int) -> list[str]:
    return [
        f"{'#' * level} {escaped(card.name)}: {_inline(card.mark)}",
        "",
        f"**{_line(card.amount)}** ({_line(card.range)}), {escaped(card.against)}.",
        "",
        escaped(card.sentence),
        "",
        *(f"- {escaped(fact.term)}: {_line(fact.content)}" for fact in card.facts),
        *(f"- {_note(note)}" for note in card.notes),
        "",
    ]


def _note(note: Note) -> str:
    return _WEIGHT_WORDS.get(note.weight, "") + escaped(note.text)


def _table(table: Table) -> list[str]:
    # A column of pictures has no text.
    shown = [position for position, column in enumerate(table.columns) if column.kind != "strip"]
    lines = [f"*{escaped(table.caption)}*", ""]
    lines.append("| " + " | ".join(escaped(table.columns[position].heading) for position in shown) + " |")
    lines.append("| " + " | ".join(_rule(table.columns[position]) for position in shown) + " |")
    for row in table.rows:
        cells = []
        for position in shown:
            item = row.cells[position]
            marks = "".join(f" [{number}]" for number in table.note_numbers(item))
            cells.append(_line(item.content) + marks)
        lines.append("| " + " | ".join(cells) + " |")
    lines.append("")
    if table.notes:
        lines += [*(f"{number}. {_note(note)}" for number, note in enumerate(table.notes, 1)), ""]
    return lines


def _rule(column: Column) -> str:
    return "---" if column.is_text else "---:"
