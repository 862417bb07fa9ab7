"""``frametime demo``: a small invented review to try things on."""

from __future__ import annotations

from pathlib import Path

import click

from frametime.cli.options import Command, NamedPath


@click.command(cls=Command)
@click.argument("folder", type=NamedPath(file_okay=False, path_type=Path))
@click.option("--full", is_flag=True, help="Runs of 60 s instead of 30 s, and an endurance run of 45 minutes.")
@click.option("--force", is_flag=True, help="Replace files that are there.")
def demo(folder: Path, full: bool, force: bool) -> None:
    """Write a small invented review into FOLDER.

    Three cards, five scenes, three resolutions, three runs: frame logs, sensor logs, a review plan with prices, and
    a tuning record. All names are invented; the same files are written each time.

    \b
    Examples:
      frametime demo first-review
      frametime review first-review/plan.toml --out first-review/result
      frametime tune show first-review/tuning/tuning.toml
    """
    from frametime.demo.demo_files import demo_files, write_files
    from frametime.errors import printable

    files = demo_files(full=full)
    write_files(folder, files, force=force)
    captures = sum(name.startswith("captures/") and name.endswith(".csv.gz") for name in files)
    megabytes = sum(map(len, files.values())) / 1e6
    shown, plan, result = (
        printable(path.as_posix(), limit=1000) for path in (folder, folder / "plan.toml", folder / "result")
    )
    click.echo(f"{captures} captures with sensor logs, a plan and a tuning record: {megabytes:.1f} MB in {shown}")
    click.echo(f"next: frametime review {plan} --out {result}")
