"""One recording written in several layouts: ``python tests/reference_logs/layout_examples.py RECORDING FOLDER``.

``RECORDING`` is a log of ``reference_logs/recorded`` (``runN.csv.gz``). Each example holds the same frames to the
nanosecond, so that all of them must give the same numbers.
"""

from __future__ import annotations

import argparse
import csv
import gzip
import io
import sys
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path

from made_log import scaled

from frametime.demo.demo_files import write_files
from frametime.errors import FrametimeError, ReadError

HEADERLESS_LAYOUT = """\
# Two columns without names: the end of each frame, then the time the card worked on it.
time_column = 1
unit = "us"
kind = "timestamp"
gpu_work_column = 2
gpu_work_unit = "us"
header_line = 0
"""


def layout_files(recording: bytes, origin: str) -> Mapping[str, bytes]:
    """The same recording in other layouts, by file name.

    Parameters
    ----------
    recording : bytes
        The gzip log, with the columns ``finished_ns`` and ``gpu_work_ns``.
    origin : str
        Named in the preamble of the layout that has one.

    Raises
    ------
    ReadError
        If the log is not such a recording.
    """
    try:
        rows = list(csv.DictReader(io.StringIO(gzip.decompress(recording).decode("utf-8"))))
        ends_ns = [int(row["finished_ns"]) for row in rows]
        work_ns = [int(row["gpu_work_ns"]) for row in rows]
    except (OSError, EOFError, UnicodeDecodeError, KeyError, ValueError) as error:
        raise ReadError.at(origin, f"not a recording in gzip with finished_ns and gpu_work_ns ({error})") from error
    frame_times_ns = [end - start for start, end in pairwise(ends_ns)]
    return {
        "semicolon_decimal_comma.csv": _semicolons(frame_times_ns, work_ns[1:]),
        "utf16_tab.txt": _utf16(ends_ns, work_ns),
        "preamble_frame_times.csv": _preamble(frame_times_ns, origin),
        "tab_elapsed_seconds.tsv": _tabs(ends_ns),
        "no_header.csv": _no_header(ends_ns, work_ns),
        "no_header.layout.toml": HEADERLESS_LAYOUT.encode(),
    }


def _semicolons(frame_times_ns: Sequence[int], work_ns: Sequence[int]) -> bytes:
    """As a spreadsheet in a country with decimal comma saves it: UTF-8 mark, CRLF, semicolons."""
    lines = ["Frame;Frame time (ms);GPU work (ms)"]
    lines += [
        f"{number};{_comma(scaled(frame, 6))};{_comma(scaled(work, 6))}"
        for number, (frame, work) in enumerate(zip(frame_times_ns, work_ns, strict=True), start=1)
    ]
    return b"\xef\xbb\xbf" + ("\r\n".join(lines) + "\r\n").encode()


def _utf16(ends_ns: Sequence[int], work_ns: Sequence[int]) -> bytes:
    """As a shell that redirects into UTF-16 leaves it: byte order mark, CRLF, tabs."""
    lines = ["elapsed [ms]\tGPU work [ms]"]
    lines += [f"{scaled(end, 6)}\t{scaled(work, 6)}" for end, work in zip(ends_ns, work_ns, strict=True)]
    return b"\xff\xfe" + ("\r\n".join(lines) + "\r\n").encode("utf-16-le")


def _preamble(frame_times_ns: Sequence[int], origin: str) -> bytes:
    """Frame times in ms under lines that say what was recorded."""
    lines = [
        f"Recorded from: {origin}",
        "Scene: canyon",
        "Resolution: 1920 x 1080",
        f"Frames: {len(frame_times_ns)}",
        "",
        "frame_time_ms",
        *(scaled(frame, 6) for frame in frame_times_ns),
    ]
    return ("\n".join(lines) + "\n").encode()


def _tabs(ends_ns: Sequence[int]) -> bytes:
    """Elapsed seconds, tabs, and a comment above the header."""
    lines = [
        "# end of each frame",
        "frame\telapsed_s",
        *(f"{row}\t{scaled(end, 9)}" for row, end in enumerate(ends_ns)),
    ]
    return ("\n".join(lines) + "\n").encode()


def _no_header(ends_ns: Sequence[int], work_ns: Sequence[int]) -> bytes:
    """Two columns without names: only the layout file beside it says what they are."""
    lines = [f"{scaled(end, 3)},{scaled(work, 3)}" for end, work in zip(ends_ns, work_ns, strict=True)]
    return ("\n".join(lines) + "\n").encode()


def _comma(number: str) -> str:
    return number.replace(".", ",")


def main(arguments: Sequence[str] | None = None) -> int:
    """Write one recording in several layouts into a folder."""
    parser = argparse.ArgumentParser(prog="layout_examples.py", description="Write one recording in several layouts.")
    parser.add_argument("recording", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--force", action="store_true", help="overwrite what is there")
    given = parser.parse_args(arguments)
    try:
        files = layout_files(given.recording.read_bytes(), given.recording.name)
        write_files(given.folder, files, force=given.force)
    except (FrametimeError, OSError) as error:
        sys.stderr.write(f"{parser.prog}: {error}\n")
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(main())
