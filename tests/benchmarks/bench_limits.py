"""Peak memory of a check at each limit of reading, beyond that of a small log, against what the limit allows."""

from __future__ import annotations

import gzip
import sys
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from ratios import Ratio, peak_bytes  # noqa: E402

MIB = 1 << 20
ROWS = b"8.25\n9.5\n8.75\n"


def _logs(folder: Path) -> Iterator[tuple[str, Path, list[str], int]]:
    """Option, a log as large as it lets pass, the options, and the bytes that the limit speaks of."""
    line = folder / "line.csv"
    line.write_bytes(b"frame_time_ms,note\n" + b"8.25,a\n" * 20_000 + b"9.5," + b"x" * (MIB - 8) + b"\n8.25,a\n")
    yield "--max-line-bytes 1048576", line, [], MIB
    long_line = folder / "long_line.csv"
    long_line.write_bytes(
        b"frame_time_ms,note\n" + b"8.25,a\n" * 20_000 + b"9.5," + b"x" * (64 * MIB - 8) + b"\n8.25,a\n"
    )
    yield "--max-line-bytes 67108864", long_line, ["--max-line-bytes", str(64 * MIB)], 64 * MIB
    columns = folder / "columns.csv"
    names = b",".join(b"counter_%d" % number for number in range(1999))
    columns.write_bytes(b"frame_time_ms," + names + b"\n" + (b"8.25" + b",1" * 1999 + b"\n") * 5000)
    yield "--max-columns 2000", columns, [], columns.stat().st_size
    packed = folder / "packed.csv.gz"
    held = 256 * MIB
    # Each row is its text and 40 bytes once it is held.
    n_rows = held // (40 + len(ROWS) // 3) - 1
    packed.write_bytes(gzip.compress(b"frame_time_ms\n" + ROWS * (n_rows // 3), mtime=0))
    yield "--max-decompressed-bytes 268435456", packed, ["--max-decompressed-bytes", str(held)], held
    zeros = folder / "zeros.csv.gz"
    zeros.write_bytes(gzip.compress(b"frame_time_ms\n" + b"8.25\n" * (200 * MIB // 5), mtime=0))
    yield "--max-decompression-ratio 2000", zeros, [], 200 * MIB // 5 * 45


def memory(folder: Path) -> list[Ratio]:
    """One ratio for each limit; a limit that is reached at a small size may cost what any log costs, 128 MiB."""
    small = folder / "small.csv"
    small.write_bytes(b"frame_time_ms\n" + ROWS * 100)
    base = _peak(small, [])
    found = []
    for option, path, options, allowed in _logs(folder):
        added = max(0, _peak(path, options) - base)
        found.append(
            Ratio(
                "memory at a limit / what it lets be held + 128 MiB",
                2.0,
                added / (allowed + 128 * MIB),
                f"{added / MIB:.0f} MiB",
                option.partition(" ")[0],
            )
        )
    return found


def _peak(path: Path, options: list[str]) -> int:
    return peak_bytes("-m", "frametime", "check", "-q", str(path), *options)


BENCHMARKS = (memory,)
