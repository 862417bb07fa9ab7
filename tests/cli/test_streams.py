"""Pipes that end early, closed streams and Ctrl-C end a command without a traceback, and -h works for every command."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from log_files import write_log
from run_cli import COMMAND, PLAIN, frametime

from frametime.cli import cli

FREEZE = Path(__file__).parents[2] / "reference_logs" / "made" / "one_freeze.csv"
posix = pytest.mark.skipif(os.name == "nt", reason="streams and signals are others there")


def command_paths(command: click.Command, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    yield path
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from command_paths(below, (*path, name))


def test_the_short_help_option_works_for_every_command() -> None:
    paths = list(command_paths(cli))
    assert ("tune", "endurance") in paths and ("plan",) in paths
    for path in paths:
        short, long = (CliRunner().invoke(cli, [*path, option]) for option in ("-h", "--help"))
        assert (short.exit_code, short.output) == (0, long.output)
        assert "-h, --help" in short.output, path


@posix
@pytest.mark.parametrize(
    ("redirected", "code"),
    [("check run.csv >&-", 3), ("check run.csv --out x.txt >&-", 0), ("check run.csv 2>&-", 0),
     ("check none.csv >&- 2>&-", 3), ("check - <&-", 3),
     ("metrics >&-", 3), ("check run.csv --min average_fps=999 >&-", 3), ("batch . --out x.csv >&- 2>&-", 0)],
)  # fmt: skip
def test_a_closed_stream_is_told_where_something_was_to_be_printed(redirected: str, code: int, tmp_path: Path) -> None:
    shutil.copy(FREEZE, tmp_path / "run.csv")
    text = f"'{sys.executable}' -m frametime {redirected}"
    done = subprocess.run(text, shell=True, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == code and "Traceback" not in done.stderr + done.stdout
    if code == 3 and ">&-" in redirected and "2>&-" not in redirected:
        assert done.stderr == "frametime: standard output: it is closed\n"
    if "batch" in redirected:
        assert (tmp_path / "x.csv").read_text("utf-8").startswith("file,")


def test_a_log_on_standard_input_is_read_byte_for_byte() -> None:
    content = "frame_time_ms\r\n9,5\r\n".encode("utf-16") + b"\x00\x1a" + FREEZE.read_bytes()
    for stdin in (FREEZE.read_bytes(), FREEZE.read_bytes().replace(b"\n", b"\r\n"), content):
        done = subprocess.run([*COMMAND, "check", "--json", "-"], input=stdin, capture_output=True, check=False)
        here = frametime("check", "--json", "-", stdin=stdin)
        assert (done.returncode, done.stdout, done.stderr) == (here.code, here.out.encode(), here.err.encode())
    assert here.code == 3


def test_any_name_can_be_printed_where_the_streams_know_western_letters_only(tmp_path: Path) -> None:
    name = "Lauf-\N{LATIN SMALL LETTER U WITH DIAERESIS}-\N{CJK UNIFIED IDEOGRAPH-6E2C}.csv"
    shutil.copy(FREEZE, tmp_path / name)
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1", "PYTHONUTF8": "0"}
    done = subprocess.run(
        [*COMMAND, "check", "-q", name, "none.csv"], cwd=tmp_path, env=environment, capture_output=True, check=False
    )
    assert done.returncode == 3 and done.stdout.decode("utf-8").startswith(f"{name}: usable with care")
    assert done.stderr.startswith(b"frametime: none.csv: there is no such file") and done.stderr.count(b"\n") == 1


@pytest.mark.parametrize(
    ("arguments", "code"),
    [(["--version"], 0), (["check", "none.csv"], 3), (["check"], 2), (["zzz"], 2), (["metrics"], 0),
     (["check", str(FREEZE), "--min", "average_fps=999"], 5)],
)  # fmt: skip
def test_a_process_says_and_ends_as_the_tests_run_it(arguments: list[str], code: int) -> None:
    done = subprocess.run([*COMMAND, *arguments], env={**os.environ, **PLAIN}, capture_output=True, check=False)
    here = frametime(*arguments)
    assert (done.returncode, done.stdout, done.stderr) == (here.code, here.out.encode(), here.err.encode())
    assert here.code == code


@posix
@pytest.mark.parametrize("arguments", [["metrics", "--json"], ["check", "--json", *[str(FREEZE)] * 2], ["--help"]])
def test_a_reader_that_has_enough_ends_the_command_quietly(arguments: list[str]) -> None:
    with subprocess.Popen([*COMMAND, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait() == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device of Linux")
@pytest.mark.parametrize("arguments", [["metrics"], ["check", "-q", str(FREEZE)], ["--version"], ["plan", "--help"]])
def test_a_full_disk_is_told_in_words(arguments: list[str]) -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run([*COMMAND, *arguments], stdout=full, stderr=subprocess.PIPE, check=False)
    assert (done.returncode, done.stderr) == (3, b"frametime: No space left on device\n")


@posix
def test_ctrl_c_ends_a_batch_with_one_line_and_keeps_its_rows(tmp_path: Path) -> None:
    for number in range(400):
        write_log(tmp_path / "logs" / f"run{number}.csv", 9, 10, 11, times=700)
    arguments = [*COMMAND, "batch", "logs", "--out", "x.csv", "--workers", "2"]
    journal = tmp_path / ".x.csv.unfinished.jsonl"
    with subprocess.Popen(arguments, cwd=tmp_path, stderr=subprocess.PIPE, start_new_session=True) as process:
        assert process.stderr is not None
        while not journal.exists() and process.poll() is None:
            time.sleep(0.02)
        time.sleep(0.4)  # in the middle of the imports of the workers, as a rule
        os.killpg(process.pid, signal.SIGINT)
        told = process.stderr.read().decode()
        assert process.wait() == 130
    assert told == "frametime: interrupted; the rows so far are kept: go on with --resume\n"
    assert journal.exists() and not (tmp_path / "x.csv").exists()
