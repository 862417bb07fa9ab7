"""Logs whose answers are known in closed form: ``python tests/reference_logs/known_answers.py FOLDER``.

The answers are worked out here from the formula of each log, as fractions and by hand, and never by running the
metrics. Three rules are used throughout; ``n`` is the number of frames, ranks count from 0:

* quantile ``p`` of type 7: the value at rank ``(n - 1) p`` of the sorted frame times, between two ranks by proportion;
* mean low: the mean of the slowest ``n / 100`` (or ``n / 1000``) frames, the last of them in part;
* time-weighted low: the frame time at which the slowest frames, added up, reach 1 % (or 0.1 %) of the duration.

Two levels ``a`` (``A`` frames) and ``a + d`` (``B`` frames) have the sum of squared deviations ``A B d**2 / n``.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

import level_logs
import smooth_logs
from made_log import MadeLog, log_files

from frametime.demo.demo_files import write_files
from frametime.errors import FrametimeError


def made_logs() -> tuple[MadeLog, ...]:
    """All logs with known answers."""
    return (
        level_logs.constant(),
        level_logs.two_levels(),
        smooth_logs.sine(),
        level_logs.alternating(),
        level_logs.one_freeze(),
        level_logs.periodic_hitches(),
        smooth_logs.linear_drift(),
        smooth_logs.shuffled(),
        level_logs.capped(),
        level_logs.coarse_timer(),
        smooth_logs.steady_power(),
    )


def made_files() -> Mapping[str, bytes]:
    """Every file of every log, by name: the same bytes each time."""
    return {name: content for log in made_logs() for name, content in log_files(log).items()}


def main(arguments: Sequence[str] | None = None) -> int:
    """Write all logs into a folder."""
    parser = argparse.ArgumentParser(
        prog="known_answers.py", description="Write logs whose answers are known in closed form."
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--force", action="store_true", help="overwrite what is there")
    given = parser.parse_args(arguments)
    try:
        write_files(given.folder, made_files(), force=given.force)
    except FrametimeError as error:
        sys.stderr.write(f"{parser.prog}: {error}\n")
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(main())
