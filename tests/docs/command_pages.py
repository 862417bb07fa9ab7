"""``docs/commands.md`` from the program itself, options that commands share once. Run this file to write it anew."""

from __future__ import annotations

import re
import textwrap
from collections import defaultdict
from collections.abc import Iterator
from copy import copy
from pathlib import Path

import click

from frametime.cli import cli
from frametime.cli.options import Command

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"

_LEAD = """\
# Commands

Look up a command or an option here. It is the program's own help (`frametime COMMAND -h`, which has examples too);
options that several commands share stand once, [at the end](#options-that-several-commands-share), in groups that each
command names.

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

_EXAMPLES = re.compile(r"\n  Examples?:\n(?:    .*\n)+")
"""They stand in the guides, with what comes of them."""

_SHARED = """\
## Options that several commands share
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
    takers: defaultdict[object, list[str]] = defaultdict(list)
    for path, command, context in commands:
        for option in command.params:
            if isinstance(option, click.Option):
                takers[_told(option, context)].append(path.removeprefix("frametime "))
    groups: dict[tuple[str, ...], dict[object, click.Parameter]] = {}
    parts = [_LEAD]
    for path, command, context in commands:
        own = [option for option in command.params if len(takers[_told(option, context)]) < 2]
        text = _EXAMPLES.sub("", click.unstyle(_with(command, own).get_help(context)).rstrip())
        parts.append(f"{'##' if path.count(' ') <= 1 else '###'} {path}\n\n```text\n{text}\n```\n")
        taken = {}
        for option in command.params:
            if option not in own:
                group = tuple(takers[_told(option, context)])
                groups.setdefault(group, {}).setdefault(_told(option, context), option)
                taken[1 + list(groups).index(group)] = option
        if taken:
            parts.append(f"Shared options: {', '.join(map(str, sorted(taken)))}.\n")
    parts.append(_SHARED)
    for number, (group, options) in enumerate(groups.items(), 1):
        formatter = click.HelpFormatter(width=80)
        _with(Command("shared"), list(options.values())).format_options(top, formatter)
        listed = click.unstyle(formatter.getvalue()).strip().removeprefix("Options:\n")
        names = textwrap.fill(f"**{number}.** {', '.join(f'`{name}`' for name in group)}", 120, break_on_hyphens=False)
        parts.append(f"{names}\n\n```text\n{listed}\n```\n")
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
