"""``frametime plan``: a draft of a review plan from the captures in a folder."""

from __future__ import annotations

from pathlib import Path

import click

from frametime.cli.output import refuse_log_as_output
from frametime.cli.pattern_options import PATTERN_FIELDS, chosen_pattern
from frametime.cli.value_types import NamedPath


@click.command()
@click.argument("folder", type=NamedPath(path_type=Path))
@click.option(
    "--out", "-o", type=NamedPath(path_type=Path), default=Path("plan.toml"), show_default=True, metavar="FILE",
    help="Where to write the plan.",
)  # fmt: skip
@click.option("--path-pattern", "pattern", metavar="PATTERN", help=f"How paths are built. Fields: {PATTERN_FIELDS}.")
@click.option("--force", is_flag=True, help="Replace a file that exists.")
def plan(folder: Path, out: Path, pattern: str | None, force: bool) -> None:
    """Draft a review plan from the captures in a folder, ready to edit.

    \b
    Examples:
      frametime plan captures --out plan.toml
      frametime plan logs --path-pattern "{scene}_{resolution}/{card}_{run}.csv" --out plan.toml
    """
    from frametime.errors import printable
    from frametime.plans.plan_draft import draft_plan
    from frametime.replacing import claiming, refuse_existing, write_text
    from frametime.words import counted

    refuse_existing([out], force=force)
    refuse_log_as_output(out)
    draft = draft_plan(folder, beside=out.parent, pattern=chosen_pattern("--path-pattern", pattern))
    with claiming([out], force=force):
        write_text(out, draft.text)
    click.echo(
        f"{printable(str(out))}: {counted(len(draft.cards), 'card')}, {counted(len(draft.scenes), 'scene')}, "
        f"{counted(len(draft.resolutions), 'resolution')}, up to {counted(draft.n_runs, 'run')} a cell, "
        f"{counted(draft.n_captures, 'capture')} (pattern {printable(draft.pattern.text)})"
    )
    for name, reason in draft.unlisted.items():
        click.echo(
            f"frametime: {printable(name, limit=200)}: this folder cannot be listed ({printable(reason)})", err=True
        )
    if draft.left_over:
        files = "1 file does" if len(draft.left_over) == 1 else f"{len(draft.left_over)} files do"
        click.echo(f"{files} not fit the pattern, such as '{printable(draft.left_over[0])}'", err=True)
