"""The values that a command line gives, checked: what cannot be, or would do nothing, is wrong usage."""

from __future__ import annotations

import glob
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from frametime.errors import FrametimeError, LayoutError, did_you_mean, printable

if TYPE_CHECKING:
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.sensors.sensor_log import SensorOptions
    from frametime.metrics.options import MeasureOptions, Refresh
    from frametime.pipeline.chart_files import ChartRequest
    from frametime.pipeline.measuring_many import WorkerLimits
    from frametime.plans.path_pattern import PathPattern


R = TypeVar("R")


def make_read_options(chosen: Mapping[str, Any]) -> ReadOptions:
    """The reading options of a command line.

    Raises
    ------
    click.UsageError
        If one of them is out of range.
    """
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.columns.layout import Layout

    layout = None
    if chosen.get("layout") is not None:
        from frametime.settings.toml_source import file_text

        layout = Layout.from_toml(file_text(chosen["layout"], LayoutError), chosen["layout"])
    if chosen.get("kind") is not None or chosen.get("decimal") is not None:
        told = {"kind": chosen["kind"] and chosen["kind"].replace("-", " "), "decimal": chosen["decimal"]}
        layout = replace(layout or Layout(), **{key: value for key, value in told.items() if value is not None})
    if chosen["adapter"] is not None:
        _refuse_unknown_adapter(chosen["adapter"])
    start = number_or("auto", chosen.get("skip_start"), float, "--skip-start takes a number of seconds")
    return _checked(
        ReadOptions,
        layout=layout,
        time_column=_column(chosen["time_column"]),
        unit=chosen["unit"],
        stream=chosen["stream"],
        remember=chosen.get("remember", False),
        adapter=chosen["adapter"],
        sort=chosen["sort"],
        skip_start_s=0.0 if start in (None, "auto") else start,
        skip_end_s=chosen.get("skip_end", 0.0),
        from_s=chosen.get("from_s"),
        to_s=chosen.get("to_s"),
        max_rejected_fraction=chosen["max_rejected"] / 100.0,
        **_given(chosen, "max_line_bytes", "max_columns", "max_decompressed_bytes", "max_decompression_ratio"),
    )


def _column(text: str | None) -> str | int | None:
    """A column by its name or its number."""
    if text is None or not (text.isascii() and text.isdigit()):
        return text
    if int(text) == 0:
        raise click.UsageError("--time-column 0: columns are counted from 1")
    return int(text)


def _refuse_unknown_adapter(name: str) -> None:
    from frametime.adapters.reading import adapter_names

    known = adapter_names()
    if name not in known:
        hint = did_you_mean(name, known) or f"there are {', '.join(known)}"
        raise click.UsageError(f"--adapter: there is no '{printable(name, limit=60)}'; {hint}")


def refuse_auto_start(chosen: Mapping[str, Any], because: str) -> None:
    """Refuse ``--skip-start auto`` where the warm-up is not looked for.

    Raises
    ------
    click.UsageError
    """
    if skips_warm_up(chosen):
        raise click.UsageError(f"--skip-start auto is not for this command: {because}; give a number of seconds")


def _given(chosen: Mapping[str, Any], *names: str) -> dict[str, Any]:
    """Those of some options that were given; what they are for has defaults of its own."""
    return {name: chosen[name] for name in names if chosen[name] is not None}


def skips_warm_up(chosen: Mapping[str, Any]) -> bool:
    """Whether the warm-up is to be found and left out."""
    return bool(chosen.get("skip_start") == "auto")


def number_or(word: str, text: str | None, number: type[float], told: str) -> Any:
    """A number, the ``word`` that may stand in its place, or nothing where nothing is given.

    Raises
    ------
    click.UsageError
    """
    if text is None or text == word:
        return text
    try:
        return number(text)
    except ValueError:
        raise click.UsageError(f"{told} or '{word}', not {text!r}") from None


def make_measure_options(chosen: Mapping[str, Any]) -> MeasureOptions:
    """The measuring options of a command line, of those that the command has.

    Raises
    ------
    click.UsageError
        If one of them is out of range.
    """
    from frametime.metrics.options import MeasureOptions, StutterRule

    rule = _checked(
        StutterRule,
        ratio=chosen["stutter_ratio"],
        window_s=chosen["stutter_window"],
        min_excess_ms=chosen["stutter_excess"],
    )
    return _checked(
        MeasureOptions,
        quantile_type=chosen.get("quantile_type", 7),
        slowest_pcts=_shares(chosen["lows"]),
        stutter=rule,
        refresh=_refresh(chosen.get("refresh"), tearing=chosen.get("tearing", False)),
        temperature_limit_c=chosen.get("temperature_limit"),
        power_limit_w=chosen.get("power_limit"),
        within_run_intervals=chosen.get("intervals", False),
    )


def _refresh(text: str | None, *, tearing: bool) -> Refresh | None:
    if text is None:
        if tearing:
            raise click.UsageError("--tearing says how frames meet the refresh of the display: give --refresh too")
        return None
    from frametime.metrics.options import parse_refresh

    try:
        return parse_refresh(text, tearing=tearing)
    except ValueError as error:
        raise click.UsageError(f"--refresh: {error}") from error


def _shares(text: str) -> tuple[float, ...]:
    try:
        shares = tuple(float(part) for part in text.split(","))
    except ValueError:
        raise click.UsageError(f"--lows takes percentages separated by commas, not {text!r}") from None
    if len({f"{share:g}" for share in shares}) < len(shares):
        raise click.UsageError(f"--lows names a share twice: {text!r}")
    return shares


def make_sensor_options(chosen: Mapping[str, Any], *, needs: str, given: bool) -> SensorOptions | None:
    """The sensor options of a command line; ``None`` without a sensor log, whose reader is then not imported.

    Parameters
    ----------
    chosen : Mapping
    needs : str
        The option that names the sensor log.
    given : bool
        Whether it was given: without it the others would do nothing.

    Raises
    ------
    click.UsageError
        If one of them is out of range, or is given without a sensor log.
    """
    if not given:
        names = ("sensor_layout", "sensor_offset", "sensor_zone", "sensor_device", "recorded_from")
        refuse_idle(names, f"is for reading a sensor log: give {needs} too")
        return None
    from frametime.adapters.sensors.sensor_log import SensorLayout, SensorOptions
    from frametime.settings.toml_source import file_text

    layout = chosen.get("sensor_layout")
    return _checked(
        SensorOptions,
        layout=SensorLayout.from_toml(file_text(layout, LayoutError), layout) if layout is not None else None,
        offset_s=chosen.get("sensor_offset"),
        time_zone=chosen["sensor_zone"],
        device=chosen["sensor_device"],
        recorded_from=chosen.get("recorded_from"),
    )


def make_worker_limits(chosen: Mapping[str, Any]) -> WorkerLimits | None:
    """What one file may take of a process that measures; ``None`` where the command line says nothing of it."""
    from frametime.pipeline.measuring_many import WorkerLimits

    limits = _given(chosen, "max_worker_bytes", "max_file_seconds")
    return WorkerLimits(**limits) if limits else None


def sensors_beside(capture: str) -> str | None:
    """The sensor log that lies beside a capture under its name, where there is one."""
    from frametime.plans.folder_walk import sensor_log_beside

    found = sensor_log_beside(capture)
    return None if found is None else str(found)


_OPTION_OF: Final[Mapping[str, str]] = {
    "slowest_pcts": "--lows",
    "unit": "--unit",
    "skip_start_s": "--skip-start",
    "from_s": "--from",
    "to_s": "--to",
}
"""Names of fields that no range of an option checks, as the command line calls them."""


def _checked(kind: Callable[..., R], **values: Any) -> R:
    """Build options; what they refuse is wrong usage, told with the name that was typed."""
    try:
        return kind(**values)
    except ValueError as error:
        told = re.sub(r"\b[a-z_]+\b", lambda word: _OPTION_OF.get(word.group(), word.group()), str(error))
        raise click.UsageError(told) from error


def refuse_standard_input_twice(captures: Iterable[str], sensors: str | None) -> None:
    """Refuse a capture and a sensor log that are both to come from standard input, which is read once.

    Raises
    ------
    click.UsageError
    """
    if sensors == "-" and "-" in captures:
        raise click.UsageError("standard input can be the capture or the sensor log, not both: give one as a file")


def refuse_idle(names: Iterable[str], because: str) -> None:
    """Refuse options that were given and would do nothing.

    Parameters
    ----------
    names : iterable of str
        Parameters of the command at hand.
    because : str
        What follows the name of the option in the message.

    Raises
    ------
    click.UsageError
    """
    ctx = click.get_current_context()
    for name in names:
        if ctx.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE:
            option = next(parameter for parameter in ctx.command.params if parameter.name == name)
            raise click.UsageError(f"{max(option.opts, key=len)} {because}")


def refuse_idle_plot(other: str) -> None:
    """Refuse the look of a drawing without ``--plot``, and ``--force`` where neither it nor ``other`` names a file.

    Raises
    ------
    click.UsageError
    """
    chosen = click.get_current_context().params
    if chosen["plot"] is None:
        refuse_idle(("theme", "size"), "is for the drawing: give --plot FILE too")
        if chosen[other] is None:
            refuse_idle(("force",), f"replaces a file: give --{other} FILE or --plot FILE too")


def refuse_second_form(names: Iterable[str]) -> None:
    """Refuse two of the options that each choose the form of what is printed.

    Raises
    ------
    click.UsageError
    """
    ctx = click.get_current_context()
    options = {parameter.name: max(parameter.opts, key=len) for parameter in ctx.command.params}
    given = [options[name] for name in names if ctx.params[name]]
    if len(given) > 1:
        raise click.UsageError(f"{given[0]} and {given[1]} each choose what is printed: give one of them")


def expand_paths(patterns: tuple[str, ...]) -> list[str]:
    """Input paths with ``*``, ``?`` and ``**`` expanded, sorted; a path that exists is taken as it is.

    The program does it itself on every system, because some shells do not.

    Raises
    ------
    click.UsageError
        If a pattern matches no file.
    """
    paths: list[str] = []
    for pattern in patterns:
        if not pattern:
            raise click.UsageError("a file name is empty")
        is_pattern = pattern != "-" and any(mark in pattern for mark in "*?[")
        paths.extend(_matches(pattern) if is_pattern else [pattern])
    return list(dict.fromkeys(paths))


def _matches(pattern: str) -> list[str]:
    """The files that a pattern names; itself where a file has that very name."""
    if Path(pattern).exists():
        return [pattern]
    # pathlib has no pattern that may start at a drive or at the root.
    found = sorted(path for path in glob.glob(pattern, recursive=True) if Path(path).is_file())  # noqa: PTH207
    if not found:
        raise click.UsageError(f"no file matches {pattern!r}")
    return found


def chosen_pattern(option: str, text: str | None) -> PathPattern | None:
    """The path pattern of an option.

    Raises
    ------
    click.UsageError
        If it is not one.
    """
    from frametime.plans.path_pattern import PathPattern

    if text is None:
        return None
    try:
        return PathPattern.parse(text, where=option)
    except FrametimeError as error:
        raise click.UsageError(str(error)) from error


def check_sensor_fields(sensors: PathPattern | None, path: PathPattern | None) -> None:
    """Refuse a sensor pattern with a field that no path of a capture can fill.

    Raises
    ------
    click.UsageError
    """
    known = path.fields if path is not None else ()
    unknown = [name for name in (sensors.fields if sensors is not None else ()) if name not in known]
    if unknown:
        raise click.UsageError(
            f"--sensors-pattern: the field '{{{unknown[0]}}}' is not in --path-pattern; name it there too"
        )


def folder_options(chosen: Mapping[str, Any]) -> dict[str, Any]:
    """How each capture of a folder is read and measured, as ``FolderOptions`` takes it.

    Raises
    ------
    click.UsageError
        If one of the options is out of range.
    """
    return {
        "path_pattern": chosen_pattern("--path-pattern", chosen["path_pattern"]),
        "read": make_read_options(chosen),
        "measure": make_measure_options(chosen),
        "skip_start_auto": skips_warm_up(chosen),
        "segment": chosen["segment"],
        "sensor_options": make_sensor_options(chosen, needs="a log", given=True),
        "limits": make_worker_limits(chosen),
    }


def make_chart_request(chosen: Mapping[str, Any], known: Sequence[str]) -> ChartRequest:
    """The charts of a command line, of the keys that are known there.

    Raises
    ------
    click.UsageError
        If a key is not known.
    """
    from frametime.pipeline.chart_files import ChartRequest

    for key in chosen["only"]:
        if key not in known:
            raise click.UsageError(f"--only: there is no chart {key!r} here; known are {', '.join(known)}")
    return ChartRequest(
        theme=chosen["theme"],
        size=chosen["size"],
        formats=tuple(dict.fromkeys(chosen["formats"])),
        only=chosen["only"] or None,
        transparent=chosen["transparent"],
    )
