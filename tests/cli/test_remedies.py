"""Every option that a message names is one of each command that can show the message, or stands behind its command.

Messages are told by parts that know of no command. A plan has keys in place of most options: where a review does not
take an option, the message names the key as well.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

import click
import pytest
from msgspec.structs import fields

from frametime.cli import cli
from frametime.plans.plan_keys import CapturesKeys, MeasureKeys
from frametime.words import entries

PACKAGE: Final = Path(__file__).parents[2] / "frametime"
READERS: Final = ("check", "watch", "batch", "compare", "convert", "film", "tune add", "tune endurance", "review")
SENSORS: Final = ("check", "watch", "batch", "tune add", "tune endurance", "review")
MEASURERS: Final = ("check", "watch", "batch", "review")
TUNE: Final = ("tune add",)

SHOWN_BY: Final = {
    "adapters/sensors": SENSORS,
    "adapters": READERS,
    "metrics": MEASURERS,
    "plans/plan_draft.py": ("plan",),
    "film": ("film",),
    "tuning": TUNE,
    "pipeline/tuning_record.py": TUNE,
    "pipeline/tuning_watch.py": TUNE,
    "pipeline/tables.py": ("batch",),
    "pipeline/chart_files.py": ("review",),
    "pipeline/review_outputs.py": ("review", "pack"),
    "pipeline/measuring.py": MEASURERS,
    "pipeline/shelf.py": (),
    "pipeline/package.py": (),
    "review": ("review", "batch"),
    "render": (),
    "replacing.py": (
        "check",
        "batch",
        "compare",
        "convert",
        "film",
        "plan",
        "order",
        "review",
        "pack",
        "tune endurance",
    ),
}
"""Of each part the commands that show what it says; of none, it names the command itself."""

_COMMAND = re.compile(
    r"(?:frametime |\b)(" + "|".join(("check", "review", "shelf remove", "tune add", "compare")) + r")\b"
)


def commands(group: click.Group = cli, name: str = "") -> Iterator[tuple[str, set[str]]]:
    """Every command by its name, with its options."""
    context = click.Context(group)
    for word in group.list_commands(context):
        command = group.get_command(context, word)
        assert command is not None
        if isinstance(command, click.Group):
            yield from commands(command, f"{name}{word} ")
        else:
            yield f"{name}{word}", {option for of in command.params for option in of.opts if option.startswith("--")}


OPTIONS: Final = dict(commands())
KEYS: Final = {field.name for table in (CapturesKeys, MeasureKeys) for field in fields(table)}


class Told(NamedTuple):
    """A text of the package that names an option, and where it stands."""

    place: str
    text: str


def texts() -> Iterator[Told]:
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE).as_posix()
        if not name.startswith(("cli/", "demo/")):
            tree = ast.parse(path.read_text("utf-8"))
            documents = {
                id(node.body[0].value)
                for node in ast.walk(tree)
                if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
                and node.body
                and isinstance(node.body[0], ast.Expr)
            } | {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
            joined = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
            for node in ast.walk(tree):
                if isinstance(node, ast.JoinedStr):
                    text = "".join(
                        part.value if isinstance(part, ast.Constant) and isinstance(part.value, str) else "{}"
                        for part in node.values
                    )
                elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in joined:
                    text = "" if id(node) in documents else node.value
                else:
                    continue
                # An option alone is a part of a command that is put together.
                if re.search(r"(?<![\w(-])--[a-z]", text) and not re.fullmatch(r"--[a-z-]+", text):
                    yield Told(f"{name}:{node.lineno}", text)
    for name in ("review/caveats.txt", "review/methods.txt", "render/tables/tables.txt"):
        for entry in entries((PACKAGE / name).read_text("utf-8")):
            if re.search(r"(?<![\w-])--[a-z]", entry[-1]):
                yield Told(f"{name}:{entry[0]}", entry[-1])


def wrong_with(told: Told) -> Iterator[str]:
    """What a reader of the text would look for in vain."""
    part = max((part for part in SHOWN_BY if told.place.startswith(part)), key=len, default=None)
    if part is None:
        yield f"{told.place}: which commands show it?"
        return
    plan = {
        key for keys in re.findall(r"\(?in a plan:? ([a-z_, ]+?)[),;]", told.text) for key in re.split(r", | or ", keys)
    }
    yield from (f"{told.place}: a plan has no key {key}" for key in plan - KEYS)
    for found in re.finditer(r"(?<![\w-])--[a-z][a-z-]*", told.text):
        option, before = found.group(), _COMMAND.findall(told.text[: found.start()])
        if before and option in OPTIONS[before[-1]]:
            continue
        for command in SHOWN_BY[part]:
            if option not in OPTIONS[command] and not (command == "review" and plan):
                yield f"{told.place}: '{command}' has no {option}: {told.text}"
        if not SHOWN_BY[part] and option not in OPTIONS.get(before[-1] if before else "", ()):
            yield f"{told.place}: of which command is {option}? {told.text}"


def test_every_remedy_that_a_message_names_exists_where_it_is_shown() -> None:
    found = list(texts())
    assert len(found) > 50
    assert [wrong for told in found for wrong in wrong_with(told)] == []


@pytest.mark.parametrize(
    ("place", "text", "wrong"),
    [
        ("metrics/x.py:1", "--segment longest measures it", "'review' has no --segment"),
        ("metrics/x.py:1", "--segment longest (in a plan: section) does", "a plan has no key section"),
        ("adapters/x.py:1", "--sensor-offset settles it", "'compare' has no --sensor-offset"),
        ("render/x.py:1", "--verbose shows it", "of which command"),
    ],
)
def test_a_remedy_that_does_not_exist_is_found(place: str, text: str, wrong: str) -> None:
    assert any(wrong in found for found in wrong_with(Told(place, text)))


def test_the_page_of_caveats_names_options_of_the_commands_that_show_them() -> None:
    page = (PACKAGE.parent / "docs" / "caveats.md").read_text("utf-8").partition("## Review")[0]
    named = set(re.findall(r"`(--[a-z-]+)`", page))
    assert len(named) > 8
    for command in ("check", "batch", "watch"):
        assert named - OPTIONS[command] == set(), command
