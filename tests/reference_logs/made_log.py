"""A made log: its rows, and the answers that follow from the formula it was made by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate
from typing import TypeAlias

Number: TypeAlias = Fraction | float | int

ORIGIN = "made by tests/reference_logs/known_answers.py from the formula above; nothing was recorded"
LICENCE = "MIT, as the package"


@dataclass(frozen=True, kw_only=True)
class Answer:
    """The right value of one metric and the formula that gives it, in words and figures."""

    key: str
    value: Number
    formula: str
    relative_tolerance: float | None = None


@dataclass(frozen=True, kw_only=True)
class MadeLog:
    """A log with known answers.

    Attributes
    ----------
    name : str
        File name without ending.
    description : str
        What the frames do, with the formula.
    text : str
        The log itself.
    rows, frames : int
        Data rows; frame times in them (one fewer than rows where the rows are times).
    duration_s : Fraction
    answers : tuple of Answer
    missing : tuple of str
        Keys that have no value here, because the formula divides by zero.
    caveats : tuple of str
        Codes of the caveats that must be given.
    sensors : str or None
        A sensor log that lies beside it.
    relative_tolerance : float
        What rounding to the digits of the file can change.
    """

    name: str
    description: str
    text: str
    rows: int
    frames: int
    duration_s: Fraction
    answers: tuple[Answer, ...]
    missing: tuple[str, ...] = ()
    caveats: tuple[str, ...] = ()
    sensors: str | None = None
    relative_tolerance: float = 1e-9


def scaled(value: int, digits: int) -> str:
    """``value`` with the decimal point ``digits`` places from the right.

    Examples
    --------
    >>> scaled(16_667, 3), scaled(5, 3), scaled(8, 0)
    ('16.667', '0.005', '8')
    """
    if not digits:
        return str(value)
    whole, part = divmod(value, 10**digits)
    return f"{whole}.{part:0{digits}d}"


def frame_time_text(header: str, frame_times: Sequence[int], digits: int) -> str:
    """One row a frame, its length in the last digit of the file."""
    return "\n".join([header, *(scaled(value, digits) for value in frame_times)]) + "\n"


def timestamp_text(header: str, frame_times: Sequence[int], digits: int) -> str:
    """One row a timestamp, the first at 0, so that ``n`` frames make ``n + 1`` rows."""
    return "\n".join([header, *(scaled(value, digits) for value in accumulate(frame_times, initial=0))]) + "\n"


def toml_text(log: MadeLog) -> str:
    """The facts and answers of a log as TOML, each answer under the formula that gives it."""
    lines = [f"# {line}" for line in log.description.splitlines()]
    lines += [
        f'file = "{log.name}.csv"',
        'adapter = "delimited-text"',
        f"rows = {log.rows}",
        f"frames = {log.frames}",
        f"duration_s = {float(log.duration_s)!r}",
        f'origin = "{ORIGIN}"',
        f'licence = "{LICENCE}"',
        "# Largest relative difference that the digits of the file allow (absolute where the answer is 0).",
        f"relative_tolerance = {log.relative_tolerance!r}",
    ]
    if log.sensors is not None:
        lines.append(f'sensors = "{log.name}.sensors.csv"')
    if log.missing:
        names = ", ".join(f'"{key}"' for key in log.missing)
        lines += ["# 0 / 0: there is no value, and a program must say so.", f"not_available = [{names}]"]
    if log.caveats:
        names = ", ".join(f'"{code}"' for code in log.caveats)
        lines += ["# What a program must warn of.", f"caveats = [{names}]"]
    lines += ["", "[answers]"]
    for answer in log.answers:
        lines += [f"# {answer.formula}", f"{answer.key} = {_toml_number(answer.value)}"]
    wider = [answer for answer in log.answers if answer.relative_tolerance is not None]
    if wider:
        lines += ["", "[tolerances]", "# The formula is an approximation here; how far it may be off."]
        lines += [f"{answer.key} = {answer.relative_tolerance!r}" for answer in wider]
    return "\n".join(lines) + "\n"


def log_files(log: MadeLog) -> Mapping[str, bytes]:
    """The files of a log by name."""
    files = {f"{log.name}.csv": log.text.encode(), f"{log.name}.toml": toml_text(log).encode()}
    if log.sensors is not None:
        files[f"{log.name}.sensors.csv"] = log.sensors.encode()
    return files


def _toml_number(value: Number) -> str:
    if isinstance(value, int):
        return str(value)
    # Fourteen digits: the last bits of a square root or a cosine are not the same on every machine.
    return repr(float(f"{float(value):.14g}"))
