"""The table ``[captures]`` of a plan: where the captures lie and how they are read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from frametime.pipeline.path_pattern import PathPattern
from frametime.pipeline.plan_table import PlanTable, quoted

DEFAULT_PATTERN: Final = "{card}/{scene}/{resolution}/run{run}.csv"


@dataclass(frozen=True, kw_only=True)
class CapturesPlan:
    """Where the captures lie and how they are read.

    Attributes
    ----------
    folder : pathlib.Path
        Beside the plan file unless absolute.
    pattern : PathPattern
    sensors : PathPattern or None
        Where the sensor log of a run lies; a run without one is measured without.
    layout, sensor_layout : pathlib.Path or None
        Column layouts.
    skip_start_s, skip_end_s : float
        Cut from every capture.
    skip_warm_up : bool
        Cut the warm-up that is found at the start of a capture; how much is said with the run.
    """

    folder: Path
    pattern: PathPattern
    sensors: PathPattern | None
    layout: Path | None
    sensor_layout: Path | None
    skip_start_s: float
    skip_end_s: float
    skip_warm_up: bool


def captures_of(root: PlanTable, folder: Path, *, one_resolution: bool) -> CapturesPlan:
    """Read the table; relative paths start at ``folder``, which is that of the plan."""
    table = root.table("captures")
    if table is None:
        raise root.refuse("captures", "is missing", "add a table [captures] with folder and pattern")
    pattern = _pattern(table, "pattern", table.text("pattern", DEFAULT_PATTERN))
    assert pattern is not None
    needed = ["card", "scene", "run"] + ([] if one_resolution else ["resolution"])
    absent = [name for name in needed if name not in pattern.fields]
    if absent:
        raise table.refuse("pattern", f"lacks {quoted(['{' + name + '}' for name in absent])}", "add it to the pattern")
    sensors = _pattern(table, "sensors", table.text("sensors", None))
    if sensors is not None and set(sensors.fields) != set(pattern.fields):
        raise table.refuse(
            "sensors",
            f"has the fields {quoted(sensors.fields)}",
            f"allowed: those of the pattern, {quoted(pattern.fields)}",
        )
    plan = CapturesPlan(
        folder=folder / (table.text("folder", ".") or "."),
        pattern=pattern,
        sensors=sensors,
        layout=_beside(folder, table.text("layout", None)),
        sensor_layout=_beside(folder, table.text("sensor_layout", None)),
        skip_start_s=table.number_from_zero("skip_start_s", 0.0),
        skip_end_s=table.number_from_zero("skip_end_s", 0.0),
        skip_warm_up=table.truth("skip_warm_up", False),
    )
    table.finish()
    return plan


def _pattern(table: PlanTable, key: str, text: str | None) -> PathPattern | None:
    if text is None:
        return None
    line = table.source.refuse((*table.path, key), "")
    return PathPattern.parse(text, where=f"{str(line).removesuffix(': ')}: {table.name_of(key)}")


def _beside(folder: Path, name: str | None) -> Path | None:
    return None if name is None else folder / name
