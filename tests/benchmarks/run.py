"""Print every promised ratio, side by side with what a plain script takes. Usage: run.py [--only NAME] [--folder DIR]

Nothing here is a timed test: a ratio says more than seconds, and a slow machine is no defect.
"""

from __future__ import annotations

import argparse
import importlib
import platform
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from ratios import Ratio, n_cores  # noqa: E402


def benchmarks() -> dict[str, Callable[[Path], list[Ratio]]]:
    """All of them by name, from the files ``bench_*.py`` beside this one."""
    found = {}
    for path in sorted(HERE.glob("bench_*.py")):
        module = importlib.import_module(path.stem)
        found.update({f"{path.stem.removeprefix('bench_')}.{job.__name__}": job for job in module.BENCHMARKS})
    return found


def machine() -> str:
    """The machine in a line, without its name."""
    import numpy
    import pyarrow

    return (
        f"{n_cores()} cores, {platform.machine()}, {platform.system()}, Python {platform.python_version()}, "
        f"numpy {numpy.__version__}, pyarrow {pyarrow.__version__}"
    )


def rows(folder: Path, only: list[str]) -> Iterator[tuple[bool, str]]:
    """Whether all ratios of a row of the table keep their limit, and the row."""
    for name, job in benchmarks().items():
        if only and not any(part in name for part in only):
            continue
        together: dict[tuple[str, float], list[Ratio]] = {}
        for ratio in job(folder):
            together.setdefault((ratio.name, ratio.limit), []).append(ratio)
        for ratios in together.values():
            yield all(ratio.met for ratio in ratios), row(ratios)


def row(ratios: list[Ratio]) -> str:
    """The row of ratios that share name and limit."""
    first = ratios[0]
    limit = f"{'≥' if first.at_least else '≤'} {first.limit:g}"
    measured = ", ".join(
        (f"{ratio.measured:.2f}" if ratio.met else f"**{ratio.measured:.2f}**") + f" {ratio.case}".rstrip()
        for ratio in ratios
    )
    return f"| {first.name} | {limit} | {measured} | {'; '.join(ratio.detail for ratio in ratios)} |"


def main() -> int:
    """Run them and print a Markdown table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", action="append", default=[], help="run only those whose name holds this")
    parser.add_argument("--folder", type=Path, help="where the made logs lie; kept, and used again")
    parser.add_argument("--page", type=Path, help="put the table into this page, between its marks")
    chosen = parser.parse_args()
    lines = [
        f"Machine: {machine()}",
        "",
        "| ratio | limit | measured, bold where missed | how much |",
        "|---|---|---|---|",
    ]
    print("\n".join(lines))
    all_met = True
    with tempfile.TemporaryDirectory() as temporary:
        folder = chosen.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        for met, row in rows(folder, chosen.only):
            all_met = all_met and met
            lines.append(row)
            print(row, flush=True)
    if chosen.page is not None:
        before, _, rest = chosen.page.read_text("utf-8").partition("<!-- benchmarks -->\n")
        _, _, after = rest.partition("<!-- end -->")
        text = "\n".join(lines)
        chosen.page.write_text(
            f"{before}<!-- benchmarks -->\n\n{text}\n\n<!-- end -->{after}", encoding="utf-8", newline="\n"
        )
    return 0 if all_met else 1


if __name__ == "__main__":
    sys.exit(main())
