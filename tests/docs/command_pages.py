"""``docs/commands.md`` from the program itself: its commands and their options. Run this file to write it anew."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from frametime.cli import cli
from frametime.cli.options import HEADINGS

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"

_LEAD = """\
# Commands

Which commands there are, and what a settings file may hold. `frametime COMMAND -h` explains every option, with
examples.

Data goes to standard output, messages to standard error. The program expands patterns such as `"runs/*.csv"` itself, so
they work in every shell. It replaces no file without `--force`, and no input even with it.

For completion put `eval "$(_FRAMETIME_COMPLETE=bash_source frametime)"` into `~/.bashrc` (zsh: `zsh_source`,
`~/.zshrc`).

| frametime | |
|---|---|
"""

_SETTINGS = """\
## Settings files

What a command's help lists under {headings} may stand in a file `frametime.toml`, in the folder at
hand or beside the plan: a table for each heading, `_` for `-`. Paths in it start beside it. A command says what it took
from there; the command line wins.

```toml
[reading]
unit = "ms"

[limits]
max_columns = 4000
```
"""


def _commands(command: click.Command, context: click.Context) -> Iterator[tuple[str, click.Command, click.Context]]:
    """Path of a command, the command and its context, and of all below it."""
    yield context.command_path, command, context
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from _commands(below, click.Context(below, info_name=name, parent=context, terminal_width=80))


def page() -> str:
    """The text of the page."""
    top = click.Context(cli, info_name="frametime", terminal_width=80, help_option_names=["-h", "--help"])
    lines = ""
    for path, command, context in _commands(cli, top):
        if not isinstance(command, click.Group):
            usage = " ".join([*path.split()[1:], *command.collect_usage_pieces(context)[1:]]).replace("|", "\\|")
            lines += f"| `{usage}` | {command.get_short_help_str(200)} |\n"
    *first, last = HEADINGS[1:]
    settings = _SETTINGS.replace("{headings}", f"{', '.join(first)} and {last}")
    return f"{_LEAD}{lines}\n{settings}"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
