"""``docs/commands.md`` from the program itself: its commands and their options. Run this file to write it anew."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from pathlib import Path

import click

from frametime.cli import cli
from frametime.cli.options import HEADINGS

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"

_LEAD = """\
# Commands

Look up here which commands there are, and which options they take. What an option does, what it is by default, and
examples stand in the program's help: `frametime COMMAND -h`.

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


def _commands(command: click.Command, context: click.Context) -> Iterator[tuple[str, click.Command, click.Context]]:
    """Path of a command, the command and its context, and of all below it."""
    yield context.command_path, command, context
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from _commands(below, click.Context(below, info_name=name, parent=context, terminal_width=80))


def _options(command: click.Command, name: str, first: dict[tuple[str, ...], str]) -> Iterator[str]:
    """A line for each heading: the options below it, or which command (in ``first``) has just the same."""
    for heading in HEADINGS:
        options = tuple(
            f"`{max(option.opts, key=len)}`"
            for option in command.params
            if isinstance(option, click.Option) and getattr(option, "heading", HEADINGS[0]) == heading
        )
        if options:
            alike = first.setdefault(options, name)
            told = ", ".join(options) if alike == name or len(options) < 4 else f"those of `{alike}`"
            yield textwrap.fill(f"* {heading}: {told}.", 120, subsequent_indent="  ", break_on_hyphens=False)


def page() -> str:
    """The text of the page."""
    top = click.Context(cli, info_name="frametime", terminal_width=80, help_option_names=["-h", "--help"])
    parts = [_LEAD]
    first: dict[tuple[str, ...], str] = {}
    for path, command, context in _commands(cli, top):
        if command is cli:
            continue
        usage = " ".join([path, *command.collect_usage_pieces(context)])
        level = "##" if path.count(" ") == 1 else "###"
        lines = [f"{level} {path}", "", f"`{usage}`", "", command.get_short_help_str(200)]
        lines += _options(command, path.removeprefix("frametime "), first)
        if len(lines) > 5:
            lines.insert(5, "")
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
