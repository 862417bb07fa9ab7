"""``frametime tune``: guide and judge tuning trials. It reads logs; it never drives a card."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from frametime.cli import option_values
from frametime.cli.options import DRAWING_NAMES, NAME, CommandGroup, NamedPath, takes
from frametime.cli.output import refuse_input_as_output, refuse_one_name, refuse_unwritable
from frametime.errors import printable
from frametime.words import command_line

if TYPE_CHECKING:
    from frametime.pipeline.measuring import MeasureRequest

_RECORD: Final = click.argument(
    "record", metavar="[RECORD]", type=NamedPath(dir_okay=False), required=False, default="tuning.toml"
)


@click.group(
    cls=CommandGroup,
    epilog="Tuning can make a system unstable, corrupt data, shorten a card's life and void its warranty. "
    "frametime only reads logs: it sets no clock, no limit and no fan.",
)
def tune() -> None:
    """Guide and judge tuning trials (reads logs only).

    \b
    Examples:
      frametime tune new
      frametime tune next
      frametime tune add --passed
      frametime tune add --core 25 --workload "light scene" --outcome froze --log run.csv
      frametime tune watch
      frametime tune undo
      frametime tune show
      frametime tune endurance long.csv --sensors long.sensors.csv --temperature-limit 85
    """


@tune.command()
@_RECORD
def new(record: str) -> None:
    """Begin a tuning record, to be filled in by hand."""
    from frametime.pipeline.tuning_record import new_record
    from frametime.render.terminal_text import wrapped
    from frametime.render.tuning_text import cautions_text

    new_record(record)
    shown = printable(record, limit=1000)
    command = ["frametime", "tune", "next", shown]
    told = f"{shown} is written: fill in card, limits and workloads, then:  {command_line(command)}"
    click.echo(f"{wrapped(told)}\n")
    click.echo(cautions_text(), nl=False)


def _tell(found: Any, words_of: Callable[..., str], *, as_json: bool, **record: str) -> None:
    """What was found, in words or as JSON."""
    from frametime.render.data_output import tuning_json

    click.echo(tuning_json(found) if as_json else words_of(found, **record), nl=False)


@tune.command("next")
@_RECORD
@takes("json")
def next_(record: str, as_json: bool) -> None:
    """Say which trial comes next, and why."""
    from frametime.pipeline.tuning_record import read_measured
    from frametime.render.tuning_text import next_step_text
    from frametime.tuning.next_trial import next_trial

    measured, caveats = read_measured(record)
    step = next_trial(measured)
    for caveat in caveats:
        click.echo(f"frametime: {caveat.message}", err=True)
    _tell(step, next_step_text, as_json=as_json, record=printable(record, limit=1000))


def _reading(chosen: Mapping[str, Any], *, has_sensors: bool) -> MeasureRequest:
    """How each log of a trial or of an endurance run is read; its path is still to be put in."""
    from frametime.pipeline.measuring import MeasureRequest

    sensors = option_values.make_sensor_options(chosen, needs="--sensors", given=has_sensors)
    return MeasureRequest(path="", read=option_values.make_read_options(chosen), sensor_options=sensors)


@tune.command(short_help="Append a trial to the record.")
@_RECORD
@takes("tune add", "reading", "sensors")
def add(record: str, **chosen: Any) -> None:
    """Append a trial to the record; what stands there is kept byte for byte.

    Without a setting and a workload it is the trial that 'tune next' proposes; where it passed and the record has a
    logs_folder, its newest logs are taken.
    """

    from frametime.pipeline.tuning_record import note_trial
    from frametime.render.tuning_text import noted_text
    from frametime.tuning.record import KNOBS, Outcome, Setting, Trial

    if chosen["logs"] and chosen["average_fps"]:
        raise click.UsageError("--fps is for runs without a log: give --log or --fps, not both")
    if chosen["sensors"] and len(chosen["sensors"]) != len(chosen["logs"]):
        raise click.UsageError("give --sensors once for each --log, in the same order")
    if chosen["passed"] == (chosen["outcome"] is not None):
        raise click.UsageError("say how it ended: --passed, or --outcome with one word")
    if chosen["average_power_w"] and len(chosen["average_power_w"]) != len(chosen["average_fps"]):
        raise click.UsageError("give --power once for each --fps, in the same order")
    by_hand = {knob.field: chosen[knob.field] for knob in KNOBS.values() if chosen[knob.field] is not None}
    if chosen["workload"] is None and by_hand:
        raise click.UsageError("--workload is needed where the setting is given by hand")
    option_values.refuse_auto_start(chosen, "a trial counts as it was run")
    besides = [option_values.sensors_beside(log) for log in chosen["logs"]]
    if all(besides):
        chosen["sensors"] = chosen["sensors"] or tuple(map(str, besides))
    reading = _reading(chosen, has_sensors=bool(chosen["sensors"]))
    outcome = Outcome(chosen["outcome"] or "passed")
    told = {**chosen, "setting": Setting(**by_hand), "workload": chosen["workload"] or "", "outcome": outcome}
    asked = Trial(**{field.name: told[field.name] for field in fields(Trial) if field.name in told})
    in_watts = () if asked.power_limit_w is None else ("power_limit_pct",)
    left_out = [axis for axis, knob in KNOBS.items() if knob.field not in (*by_hand, *in_watts)]
    noted = note_trial(record, asked, reading=reading, left_out=left_out)
    for caveat in noted.caveats:
        click.echo(f"frametime: {caveat.message}", err=True)
    click.echo(noted_text(noted, record=printable(record, limit=1000)), nl=False)


@tune.command(short_help="Show the next trial, and take its logs.")
@_RECORD
@takes("tune watch")
def watch(record: str, settle: float) -> None:
    """Show the next trial, take its logs as they are finished, and ask for the rest by keys.

    The record names the logs_folder. Only what no log can know is asked: artifacts, and whether it finished.
    """

    from frametime.pipeline.tuning_watch import TuningBench, watch_trials

    if not sys.stdin.isatty():
        raise click.UsageError("answers are keys: run it in a terminal; 'frametime tune add' notes a trial without one")
    with _keys_as_pressed():
        for told in watch_trials(TuningBench(record), _key, settle_s=settle):
            # Where it hands over single keys, the terminal breaks no lines by itself.
            click.echo(told.replace("\n", "\r\n"), nl=False)


@contextlib.contextmanager
def _keys_as_pressed() -> Iterator[None]:
    """Let the terminal hand over each key at once, from the first to the last: between two none is lost."""
    if sys.platform == "win32":
        yield
        return
    import termios
    import tty

    terminal = sys.stdin.fileno()
    before = termios.tcgetattr(terminal)
    tty.setraw(terminal, termios.TCSADRAIN)
    try:
        yield
    finally:
        termios.tcsetattr(terminal, termios.TCSADRAIN, before)


def _key() -> str:
    """The next key, or those that are waiting; an empty text for Ctrl-C, Ctrl-D and where the terminal has gone."""
    try:
        if sys.platform == "win32":
            return click.getchar()
        keys = os.read(sys.stdin.fileno(), 32).decode("utf-8", "replace")
    except (KeyboardInterrupt, EOFError, OSError):
        return ""
    return "" if keys[:1] in ("\x03", "\x04") else keys


@tune.command()
@_RECORD
def undo(record: str) -> None:
    """Take the last trial back out of the record; its logs stay."""
    from frametime.pipeline.tuning_record import take_back_trial
    from frametime.render.terminal_text import wrapped
    from frametime.tuning.trial_view import TrialView

    rest, trial = take_back_trial(record)
    shown = printable(record, limit=1000)
    outcome = printable(f"'{trial.workload}', {TrialView(rest).failure_of(trial) or 'passed'}", limit=1000)
    click.echo(wrapped(f"Trial {len(rest.trials) + 1} is taken out of {shown}: {trial.setting}, {outcome}."))


@tune.command()
@_RECORD
@takes("tune show", "drawing", "force", "json")
def show(record: str, report: str | None, charts: str | None, force: bool, as_json: bool, **chosen: Any) -> None:
    """Show what the trials have found, and what is not yet known."""

    from frametime.pipeline.tuning_record import (
        REPORT_ENDINGS,
        summarize_file,
        write_tuning_charts,
        write_tuning_report,
    )
    from frametime.render.charts.chart_catalog import keys_for
    from frametime.render.tuning_text import summary_text

    if charts is None:
        option_values.refuse_idle(DRAWING_NAMES, "is for the charts: give --charts FOLDER too")
        if report is None:
            option_values.refuse_idle(("force",), "replaces files: give --report FILE or --charts FOLDER too")
    request = option_values.make_chart_request(chosen, keys_for("tuning"))
    refuse_one_name(report=report, charts=charts)
    refuse_input_as_output(report, [record])
    refuse_unwritable(report, force=force, endings=REPORT_ENDINGS, what="report")
    summary = summarize_file(record)
    if report is not None:
        write_tuning_report(summary, Path(report), force=force)
    if charts is not None:
        write_tuning_charts(summary, Path(charts), request=request, force=force)
    _tell(summary, summary_text, as_json=as_json, record=printable(record, limit=1000))


@tune.command(short_help="Judge a long run: does the setting hold?")
@click.argument("captures", metavar="CAPTURE...", type=NAME, nargs=-1, required=True)
@takes("tune endurance", "plot", "force", "json", "reading", "sensors", "lows", "limits")
def endurance(captures: tuple[str, ...], sensors: tuple[str, ...], **chosen: Any) -> None:
    """Judge one long run, or several in turn as one: does the setting hold?"""

    from frametime.pipeline.chart_files import plot_run
    from frametime.pipeline.measuring import sensor_log_hint
    from frametime.pipeline.tuning_record import REPORT_ENDINGS, endurance_run, write_endurance_report
    from frametime.render.charts.theme import ENDINGS as CHART_ENDINGS
    from frametime.render.charts.theme import Theme
    from frametime.render.tuning_text import endurance_text

    record, report, plot, force = chosen["record"], chosen["report"], chosen["plot"], chosen["force"]
    option_values.refuse_auto_start(chosen, "an endurance run counts from its start")
    if sensors and len(sensors) != len(captures):
        raise click.UsageError("give --sensors once for each capture, in the same order")
    if plot is not None and len(captures) > 1:
        raise click.UsageError("--plot draws one run: give one capture")
    option_values.refuse_standard_input_twice(captures, "-" if "-" in sensors else None)
    beside: tuple[str | None, ...] = sensors or tuple(option_values.sensors_beside(capture) for capture in captures)
    for output in (report, plot):
        refuse_input_as_output(output, [*captures, *beside, record, chosen["layout"], chosen["sensor_layout"]])
    option_values.refuse_idle_plot("report")
    refuse_unwritable(report, force=force, endings=REPORT_ENDINGS, what="report")
    refuse_unwritable(plot, force=force, endings=CHART_ENDINGS, what="chart")
    measured, verdict = endurance_run(
        captures,
        beside,
        options=option_values.make_measure_options(chosen),
        reading=_reading(chosen, has_sensors=any(beside)),
        record=record,
    )
    for capture, (_, run) in zip(captures, measured, strict=True):
        if (hint := sensor_log_hint(capture, run)) is not None:
            click.echo(f"frametime: {hint}", err=True)
    if report is not None:
        drawn = measured[0] if len(measured) == 1 else None
        write_endurance_report(verdict, Path(report), measured=drawn, force=force)
    if plot is not None:
        look = Theme.of(chosen["theme"], chosen["size"])
        plot_run(*measured[0], Path(plot), theme=look, verdict=verdict, force=force)
    _tell(verdict, endurance_text, as_json=chosen["as_json"])
    if chosen["gate"] and verdict.word != "holds":
        raise click.exceptions.Exit(5)
