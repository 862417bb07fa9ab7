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

Which commands there are, and which options a settings file may hold. `frametime COMMAND -h` explains every option, with
examples.

Data goes to standard output, messages to standard error. The program expands patterns such as `"runs/*.csv"` itself, so
they work in every shell. It replaces no file without `--force`, and no input even with it.

For completion put `eval "$(_FRAMETIME_COMPLETE=bash_source frametime)"` into `~/.bashrc` (`zsh_source` into `~/.zshrc`;
for fish, write the output of `fish_source` to `~/.config/fish/completions/frametime.fish`).

| frametime | |
|---|---|
"""

_SETTINGS = """\
## Settings files

These options may stand in a file `frametime.toml`, in the folder at hand or beside the plan: a table for each heading,
`_` for `-`. Paths in it start beside it. A command says what it took from there; the command line wins.

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


def _wrapped(line: str) -> str:
    return textwrap.fill(line, 120, subsequent_indent="  ", break_on_hyphens=False, break_long_words=False) + "\n"


def page() -> str:
    """The text of the page."""
    top = click.Context(cli, info_name="frametime", terminal_width=80, help_option_names=["-h", "--help"])
    lines, headed = "", {heading: dict[str, None]() for heading in HEADINGS[1:]}
    for path, command, context in _commands(cli, top):
        for option in command.params:
            if getattr(option, "heading", HEADINGS[0]) in headed:
                headed[option.heading][f"`{max(option.opts, key=len)}`"] = None
        if not isinstance(command, click.Group):
            usage = " ".join([*path.split()[1:], *command.collect_usage_pieces(context)[1:]]).replace("|", "\\|")
            lines += f"| `{usage}` | {command.get_short_help_str(200)} |\n"
    lists = "".join(_wrapped(f"* {heading}: {', '.join(options)}.") for heading, options in headed.items())
    return f"{_LEAD}{lines}\n{_SETTINGS}{lists}"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
