"""Extreme values of every option of every command, and of every number of a plan: right, or refused in one line."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import sys
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import fields
from pathlib import Path
from types import SimpleNamespace
from typing import Final

import click
import pytest
from option_logs import write_option_logs
from run_cli import frametime
from test_option_effects import commands

from frametime.cli import cli
from frametime.cli.options import NumberWithin
from frametime.pipeline import watching
from frametime.pipeline.measuring import measure_one
from frametime.ranges import RANGES, Range
from frametime.tuning.record import Steps

pytestmark = pytest.mark.usefixtures("same_bytes_are_measured_once")

EXTREME: Final = ("1e308", "-1e308", "1e-320", "nan", "inf", "-1", "9" * 400)
ODD: Final = ("", "0", "1e308", "nan", "9" * 400, "\udcff", "[", "{", "$x$", "1e-320,1e308", "=", "K=1e308", "../..")

LINES: Final = {
    "check": "run.csv --sensors sensors.csv --refresh 144",
    "watch": "run_csv_alone",
    "batch": "bench --out out.csv --workers 1 --path-pattern {card}.csv --sensors-pattern {card}.csv.sensors.csv",
    "compare": "run.csv --out out --only percentiles",
    "plan": "captures --out new.toml",
    "order": "plan.toml",
    "review": "plan.toml --out out --no-charts --no-report --workers 1",
    "pack": "out --out out.zip",
    "verify": "out.zip",
    "shelf list": "shelf",
    "shelf show": "shelf amber",
    "shelf remove": "shelf spring",
    "tune new": "new.toml",
    "tune next": "tuned.toml",
    "tune add": "record.toml --workload 'light scene' --outcome passed --on 2026-05-04 --log run.csv",
    "tune show": "tuned.toml",
    "tune undo": "record.toml",
    "tune watch": "record.toml",
    "tune endurance": "run.csv --sensors sensors.csv",
    "convert": "run.csv out.arrow --force",
    "film": "run.csv --out out --fps 2 --size 320x180 --force",
    "metrics": "",
    "demo": "demo",
}
NOT_TRIED: Final = ("cluster", "starts")
"""The one asks an address for an answer; a film that starts a day before its capture has a picture for each moment."""


def valued_options() -> Iterator[tuple[str, click.Option]]:
    """Each option that takes a value of its own, and its command."""
    for name, command in commands(cli):  # type: ignore[arg-type]  # the group is one
        for parameter in command.params:
            if (
                isinstance(parameter, click.Option)
                and not parameter.is_flag
                and not isinstance(parameter.type, click.Choice | click.Path)
                and parameter.name not in NOT_TRIED
            ):
                yield name, parameter


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    write_option_logs(folder)
    return folder


def test_every_number_has_a_range_with_two_ends() -> None:
    assert {name for name, _ in commands(cli)} == set(LINES)  # type: ignore[arg-type]
    bare = [
        (name, option.opts)
        for name, option in valued_options()
        if isinstance(option.type, click.types.IntParamType | click.types.FloatParamType)
        and not isinstance(option.type, NumberWithin)
    ]
    assert not bare
    assert all(abs(bound) < 1e16 for allowed in RANGES.values() for bound in (allowed.low, allowed.high))


@pytest.mark.slow
@pytest.mark.parametrize(("name", "option"), list(valued_options()), ids=lambda part: getattr(part, "name", part))
def test_an_extreme_value_is_taken_or_refused_in_one_line(
    name: str, option: click.Option, bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Watching ends after what lies there already.
    stopped = SimpleNamespace(Event=lambda: SimpleNamespace(wait=lambda _seconds: True))
    monkeypatch.setattr(watching, "threading", stopped)
    if getattr(option, "heading", "") != "Limits":  # no process has to start where none is limited
        monkeypatch.setattr(watching, "measuring_apart", lambda _limits: nullcontext(measure_one))
    folder = tmp_path / "bench"
    shutil.copytree(bench, folder, copy_function=os.link)
    typed = max(option.opts, key=len)
    allowed = option.type._allowed if isinstance(option.type, NumberWithin) else None
    values = ODD if allowed is None else (*EXTREME, f"{allowed.low!r}", f"{allowed.high!r}")
    for value in values:
        shutil.rmtree(folder / "out", ignore_errors=True)
        (folder / "out.csv").unlink(missing_ok=True)
        # An error that the program does not expect is raised here.
        done = frametime(*name.split(), *shlex.split(LINES[name]), f"{typed}={value}", cwd=folder)
        assert done.code in (0, 2, 3, 4, 5), (value, done.err)
        if done.code in (2, 3):
            assert len(re.findall(r"^(?:Error|frametime): ", done.err, re.MULTILINE)) == 1, (value, done.err)
        if allowed is not None and not _may_be(value, allowed):
            assert done.code == 2 and f"'{typed}'" in done.err and f"is not {allowed}" in done.err, (value, done.err)


def _may_be(value: str, allowed: Range) -> bool:
    try:
        return allowed.holds(int(value) if allowed.is_whole else float(value))
    except ValueError:
        return False


@pytest.mark.parametrize(
    ("option", "values"),
    [("--skip-start", ("1e308", "1e-320", "nan", "-1")), ("--lows", ("1e-320", "1e308", "nan", "1,100", "0"))],
)
def test_numbers_that_are_read_as_texts_have_their_range_too(option: str, values: tuple[str, ...], bench: Path) -> None:
    allowed = RANGES["skip_start_s" if option == "--skip-start" else "slowest_pcts"]
    for value in values:
        done = frametime("check", "run.csv", option, value, cwd=bench)
        if value == "1e-320" and option == "--skip-start":
            assert done.code == 0
        else:
            assert done.code == 2 and f"Error: {option} must be {allowed}, got " in done.err, done.err


PLAN_NUMBERS: Final = (
    ("", "margin"), ("", "runs"), ("captures", "skip_start_s"), ("captures", "skip_end_s"),
    ("measure", "quantile_type"), ("measure", "stutter_ratio"), ("measure", "stutter_window_s"),
    ("measure", "stutter_min_excess_ms"), ("measure", "slowest_pcts"), ("cards", "price"),
    ("cards", "temperature_limit_c"), ("cards", "power_limit_w"), ("running_cost", "tariff_per_kwh"),
    ("running_cost", "hours_per_day"), ("running_cost", "years"),
)  # fmt: skip


def plan_with(text: str, table: str, key: str, value: str) -> str:
    """The plan with a number put in."""
    value = f"[{value}]" if key == "slowest_pcts" else value
    needed = {"tariff_per_kwh": "0.3", "hours_per_day": "3"} if table == "running_cost" else {}
    if table == "cards":
        text = text.replace('"Birch"\n', '"Birch"\ncurrency = "EUR"\nprice = 500\n' if key == "price" else '"Birch"\n')
        return text.replace('label = "Amber"\n', f'label = "Amber"\ncurrency = "EUR"\n{key} = {value}\n')
    if not table:
        return re.sub(r"^runs = 2\n", "" if key == "runs" else r"\g<0>", f"{key} = {value}\n{text}", flags=re.M)
    if table == "captures":
        return text.replace("[captures]\n", f"[captures]\n{key} = {value}\n")
    lines = {**needed, key: value, **({"currency": '"EUR"'} if needed else {})}
    return text + f"\n[{table}]\n" + "".join(f"{name} = {held}\n" for name, held in lines.items())


@pytest.mark.slow
@pytest.mark.parametrize(("table", "key"), PLAN_NUMBERS)
def test_extreme_numbers_in_a_plan(table: str, key: str, bench: Path, tmp_path: Path) -> None:
    text = (bench / "plan.toml").read_text("utf-8")
    ranges = {"stutter_ratio": "ratio", "stutter_window_s": "window_s", "stutter_min_excess_ms": "min_excess_ms"}
    allowed = RANGES[ranges.get(key, key)]
    folder = tmp_path / "bench"
    shutil.copytree(bench / "captures", folder / "captures")
    for value in ("1e308", "-1e308", "1e-320", "nan", "inf", "-1", "9" * 400, repr(allowed.low), repr(allowed.high)):
        (folder / "plan.toml").write_text(plan_with(text, table, key, value), encoding="utf-8")
        arguments = ("review", "plan.toml", "--out", "out", "--no-charts", "--no-report", "--force", "--workers", "1")
        done = frametime(*arguments, cwd=folder)
        if _may_be(value, allowed) and not allowed.is_whole | (allowed.above and float(value) == allowed.low):
            assert done.code in (0, 3, 4), (value, done.err)
        elif value != repr(allowed.low) and value != repr(allowed.high):
            assert done.code == 3 and done.err.count("\n") == 1, (value, done.err)
            assert (
                re.search(rf"[ .]{key} (?:is|holds) ", done.err) and "allowed: " in done.err and "number" in done.err
            ), (value, done.err)


def test_prices_at_both_ends_of_their_range(bench: Path, tmp_path: Path) -> None:
    text = (bench / "plan.toml").read_text("utf-8")
    shutil.copytree(bench / "captures", tmp_path / "captures")
    text = text.replace('label = "Amber"\n', 'label = "Amber"\ncurrency = "EUR"\nprice = 1e12\n')
    text = text.replace('label = "Birch"\n', 'label = "Birch"\ncurrency = "EUR"\nprice = 1e-4\n')
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    done = frametime("review", "plan.toml", "--out", "out", "--workers", "1", cwd=tmp_path)
    assert done.code == 0, done.err
    for name in ("standings.csv", "result.json"):
        assert not re.search(r"\b(?:nan|inf|Infinity|NaN)\b", (tmp_path / "out" / name).read_text("utf-8")), name


def test_a_plan_of_one_share_that_is_not_the_usual_one(bench: Path, tmp_path: Path) -> None:
    text = (bench / "plan.toml").read_text("utf-8") + "\n[measure]\nslowest_pcts = [5]\n"
    shutil.copytree(bench / "captures", tmp_path / "captures")
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    done = frametime("review", "plan.toml", "--out", "out", "--no-charts", "--no-report", cwd=tmp_path)
    assert done.code == 0, done.err
    assert "low_5pct_percentile_fps" in (tmp_path / "out" / "cells.csv").read_text("utf-8")


PLAN_TEXTS: Final = (
    ("", "title"), ("", "author"), ("", "bench"), ("", "currency"), ("", "metrics"), ("", "charts"),
    ("captures", "folder"), ("captures", "pattern"), ("captures", "sensors"), ("captures", "time_zone"),
    ("captures", "recorded_from"), ("captures", "sensor_device"),
)  # fmt: skip
ODD_TOML: Final = (
    "5", "-1e308", "nan", "true", '""', "[]", "[1]", "[[]]", "{}", "{ a = 1 }", "{ a = { b = 2 } }", '{ "" = "" }',
    "9999-12-31", '"9999-99-99"', '"\\u0000"', '["a", 1]', '{ "amber" = "9999-12-31T23:59:60Z" }', f'"{"x" * 5000}"',
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(("table", "key"), PLAN_TEXTS)
def test_odd_values_of_the_texts_of_a_plan(table: str, key: str, bench: Path, tmp_path: Path) -> None:
    text = re.sub(rf"^{key} = .*\n", "", (bench / "plan.toml").read_text("utf-8"), flags=re.MULTILINE)
    shutil.copytree(bench / "captures", tmp_path / "captures")
    for value in ODD_TOML:
        line = f"{key} = {value}\n"
        odd = text.replace(f"[{table}]\n", f"[{table}]\n{line}") if table else line + text
        (tmp_path / "plan.toml").write_text(odd, encoding="utf-8")
        done = frametime("review", "plan.toml", "--coverage", cwd=tmp_path)  # raises what the program does not expect
        assert done.code in (0, 3), (value, done.err)
        assert done.code == 0 or done.err.count("\n") == 1, (value, done.err)


@pytest.mark.slow
@pytest.mark.parametrize("key", [field.name for field in fields(Steps)])
def test_odd_steps_and_lengths_of_a_tuning_record(key: str, bench: Path, tmp_path: Path) -> None:
    text = re.sub(r"^\[(steps|lengths)\]\n(?:(?!\[).*\n)*", "", (bench / "tuned.toml").read_text("utf-8"), flags=re.M)
    for value in ("1e308", "nan", "-1", "0", "1", "9" * 400, "1000000", '"zz"', '""', "true", "[1]", "{ a = 1 }"):
        for odd in (
            f"[steps]\n{key} = {value}\n",
            f"[lengths]\n{key} = {value}\n",
            f"[lengths]\nendurance = {value}\n",
        ):
            (tmp_path / "tuning.toml").write_text(f"{text}\n{odd}", encoding="utf-8")
            done = frametime("tune", "next", "tuning.toml", cwd=tmp_path)
            assert done.code in ((3,) if value == "[1]" else (0, 3)), (odd, done.err)
            assert done.code == 0 or done.err.count("\n") == 1, (odd, done.err)


@pytest.mark.skipif(sys.platform != "linux", reason="such names cannot be made there")
def test_a_watched_name_that_is_no_text_is_shown_in_signs(
    bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped = SimpleNamespace(Event=lambda: SimpleNamespace(wait=lambda _seconds: True))
    monkeypatch.setattr(watching, "threading", stopped)
    log = tmp_path / os.fsdecode(b"n\xff.csv")
    log.write_bytes((bench / "run.csv").read_bytes())
    os.utime(log, (1.7e9, 1.7e9))  # one that was written just now may still grow
    done = frametime("watch", tmp_path)
    assert done.code == 0, done.err
    assert r"n\udcff.csv" in done.out and "frames in" in done.out
