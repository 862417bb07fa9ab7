"""Every option of every command changes something: one that does nothing misleads whoever gives it."""

from __future__ import annotations

import os
import re
import shlex
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, nullcontext
from itertools import islice
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final, NamedTuple

import click
import pytest
from click.testing import CliRunner
from option_logs import write_option_logs

from frametime.cli import cli
from frametime.demo import scenario
from frametime.errors import FrametimeError
from frametime.pipeline import watching
from frametime.pipeline.measuring import measure_one

pytestmark = pytest.mark.usefixtures("same_bytes_are_measured_once")

Options = Mapping[str, str]

READING: Final[Options] = {
    "layout": "two.csv --layout second.toml",
    "time_column": "two.csv --time-column 2",
    "unit": "no_unit.csv --unit us",
    "kind": "run.csv --kind timestamp",
    "decimal": "run.csv --decimal ,",
    "remember": "run.csv --remember",
    "stream": "streams.csv --stream menu",
    "adapter": "run.csv --adapter arrow-file",
    "sort": "backwards.csv --sort",
    "skip_start": "run.csv --skip-start 2",
    "skip_end": "run.csv --skip-end 2",
    "from_s": "run.csv --from 2",
    "to_s": "run.csv --to 4",
    "max_rejected": "torn.csv --max-rejected 20",
    "max_line_bytes": "run.csv --max-line-bytes 5",
    "max_columns": "two.csv --max-columns 1",
    "max_decompressed_bytes": "run.csv.gz --max-decompressed-bytes 100",
}
"""A log in which the option makes a difference, and the option."""

IN_THE_PLAN: Final = ("layout", "kind", "decimal", "skip_start", "skip_end", "from_s", "to_s")
"""Options that a review has as keys of its plan, or not at all."""

SENSORS: Final[Options] = {
    "sensor_layout": "run.csv boards.csv --sensor-layout board.toml",
    "sensor_offset": "run.csv sensors.csv --sensor-offset 3",
    "sensor_zone": "absolute.csv local.csv --sensor-zone +02:00",
    "sensor_device": "run.csv cards.csv --sensor-device 1",
    "recorded_from": "run.csv zoned.csv --recorded-from 2026-05-04T10:00:02Z",
}
"""A log, its sensor log and the option."""

MEASURING: Final[Options] = {
    "quantile_type": "--quantile-type 1",
    "lows": "--lows 5",
    "stutter_ratio": "--stutter-ratio 5",
    "stutter_window": "--stutter-window 30",
    "stutter_excess": "--stutter-excess 40",
    "refresh": "--refresh 144",
    "tearing": "--tearing",
}
WITHOUT: Final = {
    "batch": ("intervals",),
    "compare": ("refresh", "tearing"),
    "tune endurance": ("quantile_type", "refresh", "tearing", "intervals"),
}
"""Options of the metrics that a command lacks: nothing that it shows would change."""

LIMITS: Final[Options] = {"temperature_limit": "--temperature-limit 50", "power_limit": "--power-limit 80"}
INTERVALS: Final[Options] = {"intervals": "--intervals"}
DRAWING: Final[Options] = {
    "theme": "--theme dark",
    "size": "--size print-85mm",
    "formats": "--format svg",
    "transparent": "--transparent",
}

FILM: Final = "--out clip --fps 2 --size 320x180"

ELSEWHERE: Final[Mapping[tuple[str, str], str]] = {
    ("tune add", "passed"): "cli/test_tune_judging.py",
    ("watch", "settle"): "pipeline/test_watching.py",
    ("tune watch", "settle"): "cli/test_tune_watch.py",
    ("batch", "workers"): "faults/test_same_bytes.py",
    ("batch", "cluster"): "pipeline/test_cluster.py",
    ("film", "over"): "film/test_film_files.py",
    ("film", "find_start"): "film/test_film_files.py",
    ("plan", "update"): "plans/test_plan_update.py",
    ("review", "workers"): "faults/test_same_bytes.py",
    **{
        (command, name): "faults/test_workers.py"
        for command in ("watch", "batch", "review")
        for name in ("max_worker_bytes", "max_file_seconds")
    },
    ("review", "measure_again"): "pipeline/test_make_review.py",
    **{
        (command, name): "cli/test_settings_file.py"
        for command in ("review", "pack")
        for name in ("sensor_zone", "sensor_device")
    },
    **{
        (command, "max_decompression_ratio"): "adapters/test_bad_input.py"
        for command in (
            *("check", "watch", "batch", "compare", "convert", "film", "review", "pack", "tune add", "tune endurance"),
        )
    },
}
"""Options that change how a result is come by, or tell only in large logs: the tests that look at them."""


class Case(NamedTuple):
    """An option and the command lines before and after which it stands; ``setup`` runs first, if any."""

    command: str
    name: str
    line: str
    option: str
    setup: str = ""


def reading_cases() -> Iterator[Case]:
    lines = {
        "check": "{log}",
        "watch": "{folder}",
        "batch": "{folder} --out out.csv",
        "compare": "{log} --out out --only percentiles",
        "convert": "{log} out.arrow",
        "film": f"{{log}} {FILM}",
        "tune add": "record.toml --workload 'light scene' --outcome passed --on 2026-05-04 --log {log}",
        "tune endurance": "{log} --json",
        "review": "{plan} --out out --no-charts --no-report",
        "pack": "done --out one.zip",
    }
    for command, line in lines.items():
        for name, words in READING.items():
            if (command in ("review", "pack") and name in IN_THE_PLAN) or (command, name) == ("pack", "remember"):
                continue
            log, option = words.split(" ", 1)
            stem = log.replace(".", "_")
            plan = f"{stem}_review.toml"
            # A review that was made with an option is packed with it only.
            setup = f"review {plan} {option} --out done --no-charts --no-report" if command == "pack" else ""
            yield Case(command, name, line.format(log=log, folder=f"{stem}_alone", plan=plan), option, setup)


def sensor_cases() -> Iterator[Case]:
    lines = {
        "check": "{log} --json --sensors {sensors}",
        "watch": "{log}_{sensors}_beside",
        "batch": "bench --out out.csv --path-pattern {{card}}.csv --sensors-pattern {{card}}.csv.{sensors}",
        "tune add": "record.toml --workload 'light scene' --outcome passed --log {log} --sensors {sensors}",
        "tune endurance": "{log} --json --sensors {sensors}",
    }
    for command, line in lines.items():
        for name, words in SENSORS.items():
            log, sensors, option = words.split(" ", 2)
            yield Case(command, name, line.format(log=log, sensors=sensors), option)


def measuring_cases() -> Iterator[Case]:
    lines = {
        "check": "run.csv --json",
        "watch": "run_csv_alone",
        "batch": "run_csv_alone --out out.csv",
        "compare": "run.csv --out out --only percentiles",
        "metrics": "--json",
        "tune endurance": "run.csv --report out.html",
    }
    for command, line in lines.items():
        for name, option in MEASURING.items():
            if name in WITHOUT.get(command, ()):
                continue
            yield Case(command, name, f"{line} --refresh 60" if name == "tearing" else line, option)
    lines = {
        "check": "own.csv --json",
        "watch": "own_csv_alone",
        "batch": "own_csv_alone --out out.csv",
        "tune endurance": "own.csv --report out.html",
    }
    for command, line in lines.items():
        for name, option in {**LIMITS, **INTERVALS}.items():
            if name not in WITHOUT.get(command, ()):
                yield Case(command, name, line, option)


def drawing_cases() -> Iterator[Case]:
    lines = {
        "compare": ("run.csv stutters.csv --out out", "percentiles"),
        "tune show": ("tuned.toml --charts out", "tuning-map"),
        "review": ("plan.toml --out out --no-report", "standings"),
    }
    for command, (line, key) in lines.items():
        for name, option in DRAWING.items():
            yield Case(command, name, f"{line} --only {key}", option)
        yield Case(command, "only", line, f"--only {key}")
    for command in ("check", "tune endurance"):
        for name in ("theme", "size"):
            yield Case(command, name, "run.csv --plot out.png", DRAWING[name])
        yield Case(command, "plot", "run.csv", "--plot out.png")
        yield Case(command, "sensors", "run.csv", "--sensors sensors.csv")
        yield Case(command, "as_json", "run.csv", "--json")


_REVIEWED: Final = "review plan.toml --out done --no-charts --no-report"

OTHERS: Final = (
    Case("check", "least", "run.csv", "--min average_fps=900"),
    Case("check", "greatest", "run.csv", "--max average_fps=9"),
    Case("check", "explain", "run.csv", "--explain"),
    Case("check", "segment", "run.csv", "--segment 7"),
    Case("check", "out", "run.csv", "--out out.txt"),
    Case("check", "force", "run.csv --out taken.txt", "--force"),
    Case("check", "verbose", "streams.csv --refresh 60 --intervals", "--verbose"),
    Case("check", "quiet", "run.csv", "--quiet"),
    Case("watch", "path_pattern", "bench", "--path-pattern {card}.csv"),
    Case("watch", "runs", "captures --path-pattern {card}/{scene}/{resolution}/run{run}.csv", "--runs 9"),
    Case("watch", "quiet", "run_csv_alone", "--quiet"),
    Case("watch", "segment", "pause_csv_alone", "--segment longest"),
    Case("batch", "segment", "pause_csv_alone --out out.csv", "--segment longest"),
    Case("batch", "out", "run_csv_alone --out out.csv", "--out other.csv"),
    Case("batch", "partition_by", "bench --out out --path-pattern {card}.csv", "--partition-by card"),
    Case("batch", "escape_formulas", "formulas --out out.csv --path-pattern {card}.csv", "--escape-formulas"),
    Case("batch", "force", "run_csv_alone --out out.csv", "--force", "batch two_csv_alone --out out.csv"),
    Case("batch", "resume", "run_csv_alone --out out.csv", "--resume", "batch run_csv_alone --out out.csv"),
    Case("batch", "path_pattern", "bench --out out.csv", "--path-pattern {card}.csv"),
    Case(
        "batch",
        "sensors_pattern",
        "bench --out out.csv --path-pattern {card}.csv",
        "--sensors-pattern {card}.csv.sensors.csv",
    ),
    Case("batch", "verbose", "bench --out out.csv --path-pattern a{card}.csv", "--verbose"),
    Case("batch", "quiet", "run_csv_alone --out out.csv", "--quiet"),
    Case("compare", "out", "run.csv --only percentiles --out out", "--out other"),
    Case("compare", "labels", "run.csv --only percentiles --out out", "--label words"),
    Case("compare", "title", "run.csv --only percentiles --out out", "--title words"),
    Case(
        "compare",
        "force",
        "run.csv --only percentiles --out out",
        "--force",
        "compare stutters.csv --only percentiles --out out",
    ),
    Case("film", "out", f"run.csv {FILM}", "--out other"),
    Case("film", "starts", f"run.csv {FILM}", "--start 1.5"),
    Case("film", "colors", f"run.csv {FILM}", "--color '#3399cc'"),
    Case("film", "labels", f"run.csv {FILM}", "--label words"),
    Case("film", "sensors", "run.csv --out clip --fps 2 --size 640x360", "--sensors sensors.csv"),
    Case("film", "fps", "run.csv --out clip --size 320x180", "--fps 2"),
    Case("film", "size", "run.csv --out clip --fps 2", "--size 320x180"),
    Case("film", "theme", f"run.csv {FILM}", "--theme light"),
    Case("film", "place", f"run.csv {FILM}", "--place side"),
    Case("film", "motion", f"run.csv {FILM}", "--motion filling"),
    Case("film", "window", f"run.csv {FILM}", "--window 3"),
    Case("film", "show", f"run.csv {FILM}", "--show rate"),
    Case("film", "lossless", "run.csv --out clip.mov --fps 2 --size 320x180", "--lossless"),
    Case("film", "force", f"run.csv {FILM}", "--force", f"film stutters.csv {FILM}"),
    Case("plan", "out", "captures", "--out other.toml"),
    Case("plan", "pattern", "captures --out new.toml", "--path-pattern {scene}/{card}/{resolution}/run{run}.csv"),
    Case("plan", "card", "captures/amber --out new.toml", "--card one"),
    Case("plan", "dry_run", "captures --out new.toml", "--dry-run"),
    Case("plan", "force", "captures --out taken.txt", "--force"),
    Case("order", "swaps", "formulas.toml", "--swaps 0"),
    Case("order", "minutes_per_swap", "formulas.toml", "--minutes-per-swap 3"),
    Case("order", "minutes_per_run", "formulas.toml", "--minutes-per-run 9"),
    Case("order", "seed", "formulas.toml", "--seed 4"),
    Case("order", "out", "formulas.toml", "--out order.csv"),
    Case("order", "force", "formulas.toml --out taken.txt", "--force"),
    Case("review", "shelve", "shelf.toml --no-charts --no-report --out out", "--shelve"),
    Case("pack", "out", "done --out one.zip", "--out two.zip", _REVIEWED),
    Case("pack", "no_frames", "done --out one.zip", "--no-frames", _REVIEWED),
    Case("pack", "force", "done --out taken.zip", "--force", _REVIEWED),
    Case("review", "out", "plan.toml --no-charts --no-report --out out", "--out other"),
    Case("review", "coverage", "plan.toml --out out", "--coverage"),
    Case(
        "review",
        "force",
        "plan.toml --no-charts --no-report --out out",
        "--force",
        "review formulas.toml --no-charts --no-report --out out",
    ),
    Case("review", "escape_formulas", "formulas.toml --no-charts --no-report --out out", "--escape-formulas"),
    Case("review", "no_charts", "plan.toml --no-report --out out", "--no-charts"),
    Case("review", "no_report", "plan.toml --no-charts --out out", "--no-report"),
    Case("review", "quiet", "plan.toml --no-charts --no-report --out out", "--quiet"),
    Case("convert", "force", "run.csv out.arrow", "--force", "convert two.csv out.arrow"),
    Case("metrics", "as_json", "", "--json"),
    Case("demo", "full", "other", "--full"),
    Case("demo", "force", "taken", "--force"),
    Case("tune next", "as_json", "tuned.toml", "--json"),
    Case("tune show", "report", "tuned.toml", "--report out.md"),
    Case("tune show", "charts", "tuned.toml", "--charts out"),
    Case("tune show", "force", "tuned.toml --report taken.md", "--force"),
    Case("tune show", "as_json", "tuned.toml", "--json"),
    Case("tune endurance", "record", "run.csv", "--record tuned.toml"),
    Case("tune endurance", "gate", "run.csv", "--gate"),
    Case("tune endurance", "report", "run.csv", "--report out.md"),
    Case("tune endurance", "force", "run.csv --report taken.md", "--force"),
    *(
        Case("tune add", name, "record.toml --workload 'light scene' --outcome passed --on 2026-05-04", option)
        for name, option in {
            "core_offset_mhz": "--core 25",
            "memory_offset_mhz": "--memory 50",
            "is_endurance": "--endurance --minutes 30",
            "minutes": "--minutes 30",
            "power_limit_w": "--power-limit 200",
            "core_voltage_offset_mv": "--voltage -20",
            "power_limit_pct": "--power-limit-pct 90",
            "voltage_at_clock": "--voltage-at-clock '900 mV at 1900 MHz'",
            "fan_curve": "--fan-curve '40 % up to 60 C'",
            "average_power_w": "--fps 100 --power 200",
            "logs": "--log run.csv",
            "sensors": "--log run.csv --sensors sensors.csv",
            "average_fps": "--fps 100",
            "on": "--on 2026-05-05",
            "note": "--note seen",
            "workload": "--workload 'heavy scene'",
            "outcome": "--outcome froze",
        }.items()
    ),
)

CASES: Final = (*reading_cases(), *sensor_cases(), *measuring_cases(), *drawing_cases(), *OTHERS)


def at_every_command() -> Iterator[Any]:
    """The cases; those of an option that an earlier command has under the same name are for the slow sweep."""
    seen: set[str] = set()
    for case in CASES:
        marks = (pytest.mark.slow,) if case.name in seen else ()
        seen.add(case.name)
        yield pytest.param(case, id=f"{case.command}-{case.name}".replace(" ", "-"), marks=marks)


class Outcome(NamedTuple):
    """All that a command leaves: what it prints, how it ends, and the files below its folder."""

    out: str
    err: str
    ended: str
    files: dict[str, bytes]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    folder = tmp_path_factory.mktemp("bench")
    write_option_logs(folder)
    # Written a minute ago, each after the one before it: a watch takes no log that may still grow.
    for path in folder.rglob("*"):
        if path.is_file():
            status = path.stat()
            os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns - 60_000_000_000))
    before = files_below(folder)
    yield folder
    assert files_below(folder) == before, "a command wrote into a file in place: the cases share their logs"


@pytest.fixture(scope="module")
def without_option() -> dict[tuple[str, str, str], Outcome]:
    """What a line leaves without the option, by command, line and setup: many options stand on the same line."""
    return {}


def outcome_of(folder: Path, words: str) -> Outcome:
    done = CliRunner().invoke(cli, shlex.split(words), prog_name="frametime", standalone_mode=False)
    error = done.exception
    assert not isinstance(error, click.ClickException), f"{words}: {error.format_message()}"  # type: ignore[union-attr]
    assert error is None or isinstance(error, (FrametimeError, SystemExit)), f"{words}: {error!r}"
    printed = re.sub(r'(?s)\n  "options": \{.*?\n  \}', "", done.stdout)  # which only says that one was given
    return Outcome(printed, done.stderr, f"{done.exit_code} {error} {done.return_value}", files_below(folder))


def files_below(folder: Path) -> dict[str, bytes]:
    """The files but for what only says of an option that it was given, as the fingerprint of a row's parameters."""
    return {
        path.relative_to(folder).as_posix(): re.sub(rb"(?<=,)[0-9a-f]{12}(?=[,\n])", b"", path.read_bytes())
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in {"kept_runs.parquet", ".review.json"}
    }


@pytest.mark.parametrize("case", list(at_every_command()))
def test_an_option_changes_what_comes_out(
    case: Case,
    bench: Path,
    without_option: dict[tuple[str, str, str], Outcome],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Watching ends after what lies there already.
    stopped = SimpleNamespace(Event=lambda: SimpleNamespace(wait=lambda _seconds: True))
    monkeypatch.setattr(watching, "threading", stopped)
    monkeypatch.setattr(watching, "measuring_apart", lambda _limits: nullcontext(measure_one))
    # The review of the demo has one run: it shows what an option does as well as 132.
    monkeypatch.setattr(scenario, "demo_runs", lambda runs=scenario.demo_runs: islice(runs(), 1))

    def outcome(option: str) -> Outcome:
        with at_one_path(bench, monkeypatch) as folder:
            if case.setup:
                assert outcome_of(folder, case.setup).ended.startswith("0 ")
            return outcome_of(folder, f"{case.command} {case.line} {option}")

    line = (case.command, case.line, case.setup)
    if line not in without_option:
        without_option[line] = outcome("")
    without, given = without_option[line], outcome(case.option)
    assert without != given


@contextmanager
def at_one_path(bench: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The logs in a folder that is the same for every line: what is printed of it says nothing of an option."""
    folder = bench.parent / "here"
    shutil.copytree(bench, folder, copy_function=os.link)
    monkeypatch.chdir(folder)
    try:
        yield folder
    finally:
        monkeypatch.chdir(bench)
        shutil.rmtree(folder)


@pytest.mark.parametrize("line", ["check run.csv", "batch bench --out out.csv", "review plan.toml --out out"])
def test_nothing_else_changes_what_comes_out(
    line: str,
    bench: Path,
    without_option: dict[tuple[str, str, str], Outcome],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    command, rest = line.split(" ", 1)
    earlier = without_option.get((command, rest, ""))
    outcomes = [] if earlier is None else [earlier]
    for _ in range(2 - len(outcomes)):
        with at_one_path(bench, monkeypatch) as folder:
            outcomes.append(outcome_of(folder, line))
    assert outcomes[0] == outcomes[1]


def commands(group: click.Group, before: str = "") -> Iterator[tuple[str, click.Command]]:
    with click.Context(group) as ctx:
        for name in group.list_commands(ctx):
            command = group.get_command(ctx, name)
            assert command is not None
            if isinstance(command, click.Group):
                yield from commands(command, f"{before}{name} ")
            else:
                yield f"{before}{name}", command


def test_every_option_has_a_case() -> None:
    assert isinstance(cli, click.Group)
    options = {
        (name, parameter.name)
        for name, command in commands(cli)
        for parameter in command.params
        if isinstance(parameter, click.Option)
    }
    assert options == {(case.command, case.name) for case in CASES} | set(ELSEWHERE)
    assert all((Path(__file__).parent.parent / path).exists() for path in ELSEWHERE.values())


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("check run.csv --force", "--force replaces a file: give --out FILE or --plot FILE too"),
        ("check run.csv --json --explain", "--json and --explain each choose what is printed: give one of them"),
        ("check run.csv -q -v", "--quiet and --verbose each choose"),
        ("review plan.toml --coverage --no-charts", "--no-charts is for the result, and --coverage writes none"),
        ("review plan.toml --coverage --theme dark", "--theme is for the result"),
        ("review plan.toml --out out --no-charts --format svg", "--format is for the charts, and --no-charts draws"),
        ("tune show tuned.toml --only tuning-map", "--only is for the charts: give --charts FOLDER too"),
        ("tune show tuned.toml --force", "--force replaces files: give --report FILE or --charts FOLDER too"),
        ("tune endurance run.csv --force", "--force replaces a file: give --report FILE or --plot FILE too"),
    ],
)
def test_an_option_that_would_do_nothing_is_refused(
    line: str, says: str, bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(bench)
    done = CliRunner().invoke(cli, shlex.split(line), prog_name="frametime", standalone_mode=False)
    assert isinstance(done.exception, click.UsageError)
    assert says in done.exception.format_message()
