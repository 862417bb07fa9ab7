"""``docs/commands.md`` from the program itself, options that commands share once. Run this file to write it anew."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator
from copy import copy
from pathlib import Path

import click

from frametime.cli import cli
from frametime.cli.options import Command

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"

_LEAD = """\
# Commands

Look up a command or an option here. It is the program's own help (`frametime COMMAND -h`); options that several
commands share stand once, [at the end](#options-that-several-commands-share).

Data goes to standard output, messages to standard error. The program expands patterns such as `"runs/*.csv"` itself, so
they work in every shell. It replaces no file without `--force`, and no input even with it.

Options under *Reading*, *Sensors* and *Limits* may stand in a file `frametime.toml`, in the folder at hand or beside
the plan: a table for each heading, `_` for `-`. Paths in it start beside it. A command says what it took from there;
the command line wins. [Exit codes](errors.md#exit-codes) have their own table.

```toml
[reading]
unit = "ms"

[limits]
max_columns = 4000
```

For completion in the shell, put `eval "$(_FRAMETIME_COMPLETE=bash_source frametime)"` into `~/.bashrc` (zsh:
`zsh_source`, `~/.zshrc`). For fish, write the output of `_FRAMETIME_COMPLETE=fish_source frametime` into
`~/.config/fish/completions/frametime.fish`.
"""

_SHARED = """\
## Options that several commands share

Each command lists the names of those that it takes.
"""


def _commands(command: click.Command, context: click.Context) -> Iterator[tuple[str, click.Command, click.Context]]:
    """Path of a command, the command and its context, and of all below it."""
    yield context.command_path, command, context
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from _commands(below, click.Context(below, info_name=name, parent=context, terminal_width=80))


def _told(option: click.Parameter, context: click.Context) -> tuple[str, tuple[str, str] | None]:
    """What the help says of an option, with its heading: equal where two commands share it."""
    return getattr(option, "heading", ""), option.get_help_record(context)


def _with(command: click.Command, parameters: list[click.Parameter]) -> click.Command:
    """The command with these parameters alone, and no mention of its help."""
    part = copy(command)
    part.params, part.add_help_option = parameters, False
    return part


def page() -> str:
    """The text of the page."""
    top = click.Context(cli, info_name="frametime", terminal_width=80, help_option_names=["-h", "--help"])
    commands = list(_commands(cli, top))
    counts = Counter(
        _told(option, context)
        for _, command, context in commands
        for option in command.params
        if isinstance(option, click.Option)
    )
    shared: dict[object, click.Parameter] = {}
    parts = [_LEAD]
    for path, command, context in commands:
        taken = [option for option in command.params if counts[_told(option, context)] > 1]
        shared |= {_told(option, context): option for option in taken if _told(option, context) not in shared}
        rest = [option for option in command.params if option not in taken]
        text = click.unstyle(_with(command, rest).get_help(context)).rstrip()
        parts.append(f"{'##' if path.count(' ') <= 1 else '###'} {path}\n\n```text\n{text}\n```\n")
        if taken:
            names = ", ".join(f"`{option.opts[-1]}`" for option in taken)
            parts.append(textwrap.fill(f"Shared: {names}.", 120, break_on_hyphens=False) + "\n")
    formatter = click.HelpFormatter(width=80)
    Command("shared", params=list(shared.values()), add_help_option=False).format_options(top, formatter)
    parts.append(f"{_SHARED}\n```text\n{click.unstyle(formatter.getvalue()).strip()}\n```\n")
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
