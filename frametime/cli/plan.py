"""``frametime plan``: a first review plan from what lies in a folder."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--out", "-o", type=click.Path(dir_okay=False, path_type=Path), default=Path("plan.toml"), show_default=True,
    help="Where to write the plan.",
)  # fmt: skip
@click.option(
    "--path-pattern", "pattern", metavar="PATTERN", help="How paths are built: {card}/{scene}/{resolution}/run{run}.csv"
)
@click.option("--force", is_flag=True, help="Replace a plan that is there already.")
def plan(folder: Path, out: Path, pattern: str | None, force: bool) -> None:
    """Write a first review plan from what lies in a folder, ready to edit.

    \b
    Examples:
      frametime plan captures --out plan.toml
      frametime plan logs --path-pattern "{scene}_{resolution}/{card}_{run}.csv" --out plan.toml
    """
    from frametime.cli.pattern_options import chosen_pattern
    from frametime.errors import printable
    from frametime.pipeline.plan_draft import draft_plan
    from frametime.replacing import refuse_existing, write_text

    refuse_existing([out], force=force)
    draft = draft_plan(folder, beside=out.parent, pattern=chosen_pattern("--path-pattern", pattern))
    write_text(out, draft.text)
    click.echo(
        f"{printable(str(out))}: {len(draft.cards)} cards, {len(draft.scenes)} scenes, "
        f"{len(draft.resolutions)} resolutions, up to {draft.n_runs} runs a cell, {draft.n_captures} captures "
        f"(pattern {draft.pattern.text})"
    )
    if draft.left_over:
        click.echo(f"{len(draft.left_over)} files do not fit the pattern, such as {draft.left_over[0]!r}", err=True)
