"""Frame logs of a few lines, as files."""

from __future__ import annotations

from pathlib import Path


def log_text(*frame_times_ms: float, times: int = 1) -> str:
    """A log whose frames take these times, again and again."""
    return "frame_time_ms\n" + "".join(f"{time}\n" for time in frame_times_ms) * times


def write_log(path: Path, *frame_times_ms: float, times: int = 1) -> Path:
    """The same in a file; missing folders above it are made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(log_text(*frame_times_ms, times=times), encoding="utf-8")
    return path
