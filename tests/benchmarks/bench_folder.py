"""Folders of captures: batch against one process, and review against batch."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from made_files import write_folder  # noqa: E402
from ratios import Ratio, best_of, best_of_both, n_cores, peak_bytes, python  # noqa: E402

PATTERN = "{card}/{scene}/{resolution}/run{run}.csv"


def batch(folder: Path) -> list[Ratio]:
    """1 000 captures of 10 000 frames: all cores against one process, memory against a tenth of the captures."""
    captures = write_folder(folder / "captures-1000", 1000, 10_000)
    few = write_folder(folder / "captures-100", 100, 10_000)
    out = str(folder / "runs.csv")
    command = ("-m", "frametime", "batch", str(captures), "--out", out, "--force", "-q")
    plain = python(str(HERE / "plain_pandas.py"), *map(str, sorted(captures.rglob("*.csv"))))
    one, all_cores, pandas = best_of_both(2, python(*command, "--workers", "1"), python(*command), plain)
    many_peak = peak_bytes(*command)
    few_peak = peak_bytes("-m", "frametime", "batch", str(few), "--out", out, "--force", "-q")
    return [
        Ratio(
            "batch of 1 000 captures: speed-up / cores",
            0.8,
            one.wall / all_cores.wall / n_cores(),
            f"{one.wall:.1f} s on one, {all_cores.wall:.1f} s on {n_cores()}",
            at_least=True,
        ),
        Ratio(
            "batch of 1 000 captures / plain pandas (processor)",
            1.0,
            one.processor / pandas.processor,
            f"{one.processor:.1f}/{pandas.processor:.1f} s",
        ),
        Ratio(
            "memory of a batch of 1 000 / of 100",
            1.2,
            many_peak / few_peak,
            f"{many_peak / 1e6:.0f}/{few_peak / 1e6:.0f} MB",
        ),
    ]


def review(folder: Path) -> list[Ratio]:
    """500 captures of 20 000 frames: review without charts against batch, and again with the runs it kept."""
    captures = write_folder(folder / "captures-500", 500, 20_000)
    plan, result, out = folder / "plan.toml", folder / "result", str(folder / "runs.csv")
    plan.unlink(missing_ok=True)
    python("-m", "frametime", "plan", str(captures), "--path-pattern", PATTERN, "--out", str(plan))()
    command = ("-m", "frametime", "review", str(plan), "--out", str(result))
    bare = ("--no-charts", "--no-report")

    def first(*options: str) -> None:
        shutil.rmtree(result, ignore_errors=True)
        python(*command, *options)()

    [whole] = best_of(1, first)
    [whole_again] = best_of(2, python(*command))
    batched, reviewed = best_of(
        2, python("-m", "frametime", "batch", str(captures), "--out", out, "--force", "-q"), lambda: first(*bare)
    )
    [again] = best_of(2, python(*command, *bare))
    unchanged = [("", whole_again, whole), ("without charts and report", again, reviewed)]
    return [
        Ratio("review of 500 captures / batch of them", 1.3, reviewed / batched, f"{reviewed:.1f}/{batched:.1f} s"),
        *(
            Ratio("review of them unchanged / first review", 0.2, later / before, f"{later:.2f}/{before:.2f} s", case)
            for case, later, before in unchanged
        ),
    ]


def report(folder: Path) -> list[Ratio]:
    """The report with its charts against the review that it is of, on the invented captures."""
    logs, out = HERE.parents[1] / "reference_logs" / "review", folder / "reported"
    plan = folder / "two-cards.toml"
    text = (logs / "plan.toml").read_text("utf-8")
    plan.write_text(
        text.replace('folder = "captures"', f'folder = "{(logs / "captures").as_posix()}"'), encoding="utf-8"
    )

    def review_with(*options: str) -> None:
        shutil.rmtree(out, ignore_errors=True)
        python("-m", "frametime", "review", str(plan), "--out", str(out), *options)()

    bare, with_report = best_of(
        2, lambda: review_with("--no-charts", "--no-report"), lambda: review_with("--no-charts")
    )
    added = with_report - bare
    return [Ratio("report of 132 captures / review of them", 1.5, added / bare, f"{added:.1f}/{bare:.1f} s")]


BENCHMARKS = (batch, review, report)
