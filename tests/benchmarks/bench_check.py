"""The quick check of one file against the least that any such program must do: start Python and its libraries."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pa_csv

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from made_files import write_log  # noqa: E402
from ratios import Ratio, best_of, best_of_both, best_processor_of, peak_bytes, python  # noqa: E402

from frametime import Capture, MeasureOptions, measure, read_capture  # noqa: E402
from frametime.metrics.catalog import catalog_for  # noqa: E402
from frametime.metrics.frame_series import FrameSeries  # noqa: E402
from frametime.metrics.quality import quality_caveats  # noqa: E402

BOTH = {"frame": pa.int64(), "elapsed_ms": pa.float64()}


def start_up(folder: Path) -> list[Ratio]:
    """Whole processes: ``check`` on 20 000 frames, and ``--help``."""
    log = str(write_log(folder / "check-20000.csv", 20_000))
    imports, checked, click, helped, pandas = best_of(
        9,
        python("-c", "import numpy, pyarrow.csv, click"),
        python("-m", "frametime", "check", log),
        python("-c", "import click"),
        python("-m", "frametime", "--help"),
        python(str(HERE / "plain_pandas.py"), log),
    )
    return [
        Ratio(
            "check of 20 000 frames / import numpy, pyarrow.csv, click",
            1.5,
            checked / imports,
            f"{checked:.3f}/{imports:.3f} s; plain pandas {pandas:.3f} s",
        ),
        Ratio("frametime --help / import click", 2.0, helped / click, f"{helped:.3f}/{click:.3f} s"),
    ]


def _typed_read(path: str, names: dict[str, pa.DataType]) -> pa.Table:
    return pa_csv.read_csv(path, convert_options=pa_csv.ConvertOptions(include_columns=list(names), column_types=names))


def _frame_metrics(capture: Capture) -> None:
    """Level, lows, stutter and pacing with the checks of the capture: what the timestamps alone carry."""
    options = MeasureOptions()
    series = FrameSeries.of(capture, options)
    for metric in catalog_for(options).values():
        if metric.group in ("level", "lows", "tail", "stutter", "pacing"):
            metric.compute(series)
    quality_caveats(series)


def short_files(folder: Path) -> list[Ratio]:
    """A capture of 10 000 frames, of which a folder holds many: the typed read half as long again, and 2 ms."""
    ratios = []
    for n_columns in (2, 8):
        path = str(write_log(folder / f"short-{n_columns}.csv", 10_000, n_columns=n_columns))
        typed, read = best_processor_of(
            100,
            partial(_typed_read, path, BOTH),
            partial(read_capture, path, use_threads=False),
        )
        allowed = 1.5 * typed + 0.002
        ratios.append(
            Ratio(
                "read of 10 000 rows / 1.5 typed reads of 2 columns + 2 ms (processor)",
                1.0,
                read / allowed,
                f"{1e3 * read:.1f}/{1e3 * allowed:.1f} ms",
                f"{n_columns} columns",
            )
        )
    return ratios


def large_files(folder: Path) -> list[Ratio]:
    """Ten million frames: time and memory, two columns and twenty.

    Of processors: the plain read keeps all cores busy, and by the clock the same work would have another ratio on each
    machine. That of the clock stands beside it. The limit for everything adds what rhythm, drift, segments and display
    may take: five times the reading.
    """
    ratios = []
    for n_columns, limit, memory_limit in ((2, 2.5, 3.0), (20, 1.5, 0.5)):
        path = write_log(folder / f"large-{n_columns}.csv", 10_000_000, n_columns=n_columns)
        size = path.stat().st_size
        typed, frames, whole, read = best_of_both(
            3,
            lambda path=path: _typed_read(str(path), BOTH),
            lambda path=path: _frame_metrics(read_capture(path)),
            lambda path=path: measure(read_capture(path)),
            lambda path=path: read_capture(path),
        )
        peak = peak_bytes("-m", "frametime", "check", "-q", str(path))
        name = f"1e7 rows x {n_columns}"
        for what, spent, most in (("level, lows, stutter, pacing", frames, limit), ("everything", whole, limit + 5.0)):
            ratios.append(
                Ratio(
                    f"{what} of {name} / typed read of 2 columns (processor)",
                    most,
                    spent.processor / typed.processor,
                    f"{spent.processor:.2f}/{typed.processor:.2f} s, reading {read.processor:.2f}; "
                    f"clock {spent.wall:.2f}/{typed.wall:.2f}, {read.wall:.2f}",
                )
            )
        ratios += [
            Ratio(f"memory of {name} / file", memory_limit, peak / size, f"{peak / 1e6:.0f}/{size / 1e6:.0f} MB"),
        ]
    return ratios


BENCHMARKS = (start_up, short_files, large_files)
