"""``docs/commands.md`` from the program itself: every command with all its options. Run this file to write it anew."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from frametime.cli import EXIT_CODES, cli

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"

_LEAD = f"""\
# Commands

Every command and option, as the program itself says it (`frametime COMMAND -h`).

Data goes to standard output, everything else to standard error. Input patterns such as `"runs/*.csv"` are expanded by
the program, so they work in every shell. No file is replaced without `--force`, no input even with it; folders that
are missing above an output are made.

{EXIT_CODES.replace(chr(10), " ")}

What is printed to a standard output that is closed or full is lost: the command says so and ends with 3. Numbers have
ranges, which stand beside each option; a number outside is wrong usage.

Options under *Reading*, *Sensors* and *Limits* are rare, and mean the same in every command. They may stand in a file
`frametime.toml` once, in the folder at hand or, for a review, beside its plan: a table for each heading, and the names
of the options with `_` for `-`. A path in it starts beside it. Each command says which of them it took from there, and
the command line wins.

```toml
[reading]
unit = "ms"

[limits]
max_columns = 4000
```

Shell completion: put `eval "$(_FRAMETIME_COMPLETE=bash_source frametime)"` into `~/.bashrc`, the same with `zsh_source`
into `~/.zshrc`, and for fish write the output of `_FRAMETIME_COMPLETE=fish_source frametime` into
`~/.config/fish/completions/frametime.fish`.
"""


def _commands(command: click.Command, context: click.Context) -> Iterator[tuple[str, str]]:
    """Path and help of a command and all below it."""
    yield context.command_path, command.get_help(context)
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from _commands(below, click.Context(below, info_name=name, parent=context, terminal_width=80))


def page() -> str:
    """The text of the page."""
    parts = [_LEAD]
    top = click.Context(cli, info_name="frametime", terminal_width=80, help_option_names=["-h", "--help"])
    for path, text in _commands(cli, top):
        level = "##" if path.count(" ") <= 1 else "###"
        parts.append(f"{level} {path}\n\n```text\n{click.unstyle(text).rstrip()}\n```\n")
    return "\n".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
