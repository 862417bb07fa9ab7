"""Killed at any moment: nothing half done is left, and going on ends as if nothing had happened."""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest
from warm_runs import LIMIT_S, Server

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="the program is killed in forked copies of a process")

N_WITH_WORKERS = 4  # workers are started anew each time, which takes a second or two
N_AT_A_TIME = 8
N_AT_A_PLACE = 20
N_EARLIER = 15  # changes back to the writing of the first row of a table
REVIEW = Path(__file__).parents[2] / "reference_logs" / "review"


@pytest.fixture(scope="module")
def bench(small_review: Path, server: Server, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of captures, after the server has imported all that it takes to measure and review it."""
    for kind in ("batch", "review"):
        out = tmp_path_factory.mktemp("warm")
        assert server.run(command_of(kind, small_review, out), warm=True)["code"] == 0
    return small_review


def command_of(kind: str, bench: Path, out: Path, *, workers: int = 1) -> list[str]:
    shared = ["-q", "--workers", str(workers)]
    if kind == "batch":
        return ["batch", str(bench / "captures"), "--out", str(out / "runs.csv"), *shared]
    return ["review", str(bench / "plan.toml"), "--out", str(out / "result"), "--no-charts", "--no-report", *shared]


def content(folder: Path) -> dict[str, bytes]:
    """All files below a folder, but the kept runs and the record, which are for the next review and not a result."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in {"kept_runs.parquet", ".review.json"}
    }


def left_over(folder: Path) -> set[str]:
    """Names of unfinished files and folders, beside the result and in it."""
    return {path.name for path in folder.rglob(".*") if path.name != ".review.json"}


def visible(files: dict[str, bytes]) -> dict[str, bytes]:
    """Those with a final name: names of unfinished files and folders begin with a period."""
    return {name: data for name, data in files.items() if not any(part.startswith(".") for part in name.split("/"))}


def killed_runs(kind: str, server: Server, bench: Path, tmp_path: Path) -> Iterator[tuple[Path, dict[str, bytes], int]]:
    """Output folder of each killed run, what a run never killed ends with, and the exit code.

    Some are killed at a random time, in whatever they do; most lie as a kill just after a change of the disk leaves
    them, as those are all the states that a kill can leave: however slow the machine is, these fall inside the run.
    """
    rng = random.Random(f"kill {kind}")
    whole: dict[int, dict[str, bytes]] = {}
    asked: dict[int, dict[str, Any]] = {}
    for workers in (1, 2):
        out = tmp_path / f"whole{workers}"
        out.mkdir()
        asked[workers] = server.run(command_of(kind, bench, out, workers=workers), counted=workers == 1)
        assert asked[workers]["code"] == 0
        whole[workers] = content(out)
    assert whole[1] == whole[2]
    times = [(2, rng.uniform(0.0, asked[2]["duration_s"])) for _ in range(N_WITH_WORKERS)]
    times += [(1, rng.uniform(0.0, asked[1]["duration_s"])) for _ in range(N_AT_A_TIME)]
    places = spread(just_after(asked[1]), N_AT_A_PLACE)
    for number, (workers, after_s) in enumerate(times):
        out = tmp_path / f"killed{number}"
        out.mkdir()
        answer = server.run(command_of(kind, bench, out, workers=workers), after_s=after_s)
        assert answer["code"] in {0, -9}
        yield out, whole[1], answer["code"]
        shutil.rmtree(out)
    out = tmp_path / "stopped"
    out.mkdir()
    for _ in killed_at(places, server, command_of(kind, bench, out), out):
        yield out, whole[1], -9


def killed_at(
    events: Iterable[int], server: Server, command: list[str], out: Path, *, folder: str = "."
) -> Iterator[int]:
    """The events one after the other; meanwhile ``out`` lies as it would if the command had been killed at it.

    One run is stopped at each event and what lies there is copied, which takes no run for each. At the event in the
    middle one is killed in truth, and must leave the same.
    """
    events = sorted(events)
    reversed_, before, copies = (out.with_name(f"{out.name}-{name}") for name in ("reversed", "before", "copies"))
    # Where files are listed from the newest to the oldest, a copy has them in reverse order, and its copy as here.
    shutil.copytree(out, reversed_, symlinks=True)
    shutil.copytree(reversed_, before, symlinks=True)
    told = server.run(command, folder=folder, stops=events, copied=str(out), copies=str(copies))
    assert told["code"] == 0
    for event in events:
        copy = copies / str(event)
        if event == events[len(events) // 2]:
            shutil.rmtree(out)
            before.rename(out)
            assert server.run(command, folder=folder, at_event=event)["code"] == -9
            assert visible(content(out)) == visible(content(copy))
            assert sizes(content(out)) == sizes(content(copy))
        shutil.rmtree(out)
        copy.rename(out)
        yield event
    shutil.rmtree(out)


def sizes(files: dict[str, bytes]) -> list[int]:
    """How long each file is, in order of length; the number of a process, which a lock names, counts as one digit."""
    return sorted(len(re.sub(rb"^process \d+ on ", b"process 1 on ", data)) for data in files.values())


def just_after(unkilled: dict[str, Any]) -> list[int]:
    """The first event after each change of the disk: a run that is killed there leaves it as that change made it."""
    return [event + 1 for event in unkilled["changes"] if event + 1 < unkilled["events"]]


def spread(events: list[int], most: int) -> list[int]:
    """At most so many of them, evenly spread, with the last."""
    return events[:: -max(1, -(-len(events) // most))]


def cut_last_row(out: Path) -> None:
    """Leave half of the last row in the journal, as a machine does that loses power while the row is written."""
    for journal in out.glob(".*.unfinished.jsonl"):
        data = journal.read_bytes()
        start = data.rfind(b"\n", 0, -1) + 1
        journal.write_bytes(data[: (start + len(data)) // 2])


@pytest.mark.slow
def test_a_killed_batch_is_taken_up_again(server: Server, bench: Path, tmp_path: Path) -> None:
    n_unfinished = 0
    for out, whole, code in killed_runs("batch", server, bench, tmp_path):
        left = content(out)
        assert visible(left) in ({}, whole)
        assert code == -9 or left == whole
        n_unfinished += bool(left) and left != whole
        if code == -9:
            cut_last_row(out)
        assert server.run([*command_of("batch", bench, out), "--resume"])["code"] == 0
        assert content(out) == whole
    assert n_unfinished >= N_AT_A_PLACE // 4, "too few kills fell into the measuring to say anything"


@pytest.mark.slow
def test_a_killed_review_is_run_again(server: Server, bench: Path, tmp_path: Path) -> None:
    n_unfinished = 0
    for out, whole, code in killed_runs("review", server, bench, tmp_path):
        left = content(out)
        assert visible(left).items() <= whole.items()
        assert "result/result.json" not in left or visible(left) == whole
        assert code == -9 or left == whole
        n_unfinished += (out / "result").exists() and visible(left) != whole
        assert server.run(command_of("review", bench, out))["code"] == 0
        assert content(out) == whole
        assert left_over(out) == set()
    assert n_unfinished >= N_AT_A_PLACE // 4, "too few kills fell into the measuring to say anything"


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["batch", "review"])
def test_what_stood_there_before_is_whole_until_it_is_replaced(
    kind: str, server: Server, bench: Path, tmp_path: Path
) -> None:
    """Killed after each change of the disk from the last before the new result takes the place of an older one on."""
    whole, older = tmp_path / "whole", tmp_path / "older"
    for folder in (whole, older):
        folder.mkdir()
    assert server.run(command_of(kind, bench, whole))["code"] == 0
    assert server.run(command_of(kind, bench, older))["code"] == 0
    for name, data in content(older).items():
        (older / name).write_bytes(data + b"\n")
    marker = "runs.csv" if kind == "batch" else "result/result.json"
    old, new = content(older), content(whole)
    shutil.copytree(older, tmp_path / "unkilled")
    unkilled = server.run([*command_of(kind, bench, tmp_path / "unkilled"), "--force"], counted=True)
    first, events = unkilled["places"][0], just_after(unkilled)
    earlier = [event for event in events if event <= first][-N_EARLIER:]
    out = tmp_path / "killed"
    shutil.copytree(older, out)
    again = [*command_of(kind, bench, out), "--force"]
    for _ in killed_at({*earlier, first, *(event for event in events if event > first)}, server, again, out):
        left = content(out)
        seen = visible(left)
        assert marker not in seen or seen in (old, new)
        assert all(data in (old[name], new[name]) for name, data in seen.items())
        assert server.run(again)["code"] == 0
        assert content(out) == new
        assert left_over(out) == set()


@pytest.mark.slow
def test_a_plan_is_whole_wherever_its_update_is_killed(server: Server, bench: Path, tmp_path: Path) -> None:
    (tmp_path / "captures").symlink_to(bench / "captures")
    plan = tmp_path / "plan.toml"
    old = (bench / "plan.toml").read_bytes().replace(b"runs = 7", b"runs = 6")
    command = ["plan", "--update", str(plan)]
    plan.write_bytes(old)
    unkilled = server.run(command, counted=True)
    new = plan.read_bytes()
    assert unkilled["code"] == 0 and new != old
    around = {place + step for place in unkilled["places"] for step in (-2, -1, 0, 1)}
    seen = set()
    for event in sorted(around & set(range(unkilled["events"]))):
        plan.write_bytes(old)
        assert server.run(command, at_event=event)["code"] == -9
        assert plan.read_bytes() in (old, new)
        seen.add(plan.read_bytes())
        assert server.run(command)["code"] == 0
        assert plan.read_bytes() == new
    assert seen == {old, new}
    plan.write_bytes(old)
    assert server.run(command)["code"] == 0  # where nothing is new nothing is written, and leftovers may stay
    assert {path.name for path in tmp_path.iterdir()} == {"captures", "plan.toml"}


def shown(folder: Path) -> dict[str, bytes]:
    """Files with a final name that are no leftovers, nor what the next review looks up."""
    return visible(content(folder))


QUICK = ["review", "plan.toml", "-q", "--workers", "1", "--out", "result", "--no-charts", "--no-report"]
STEPS_BEFORE = {
    "shelve": (),
    "shelf remove": ([*QUICK, "--shelve"],),
    "pack": ([*QUICK],),
    "order": (),
    "tune add": (),
    "tune undo": (["tune", "add", "tuning.toml", "--passed", "--fps", "100"],),
}
"""What is run before the command that is killed."""

KILLED = {
    "shelve": [*QUICK, "--shelve"],
    "shelf remove": ["shelf", "remove", "shelf", "spring"],
    "pack": ["pack", "result", "--out", "review.zip"],
    "order": ["order", "plan.toml", "--out", "order.csv"],
    "tune add": ["tune", "add", "tuning.toml", "--passed", "--fps", "100"],
    "tune undo": ["tune", "undo", "tuning.toml"],
}
N_OF_EACH = 100


@pytest.mark.slow
@pytest.mark.parametrize("name", KILLED)
def test_a_command_that_is_killed_leaves_its_folder_as_it_was_or_as_it_will_be(
    name: str, server: Server, bench: Path, tmp_path: Path
) -> None:
    """Before each place at which something is renamed or removed, and after each change, or many of them."""
    before = tmp_path / "before"
    before.mkdir()
    plan = (bench / "plan.toml").read_text("utf-8")
    for capture in (bench / "captures").rglob("run[12].csv"):
        copy = before / capture.relative_to(bench)
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(capture, copy)
    (before / "plan.toml").write_text(f'{plan}\n[shelf]\nfolder = "shelf"\nsession = "spring"\n', "utf-8")
    shutil.copy(REVIEW / "tuning" / "halfway.toml", before / "tuning.toml")
    for step in STEPS_BEFORE[name]:
        assert server.run(step, folder=str(before))["code"] == 0
    for folder in ("warm", "after"):  # imports are file events too, and made once
        shutil.copytree(before, tmp_path / folder)
        unkilled = server.run(KILLED[name], folder=str(tmp_path / folder), warm=folder == "warm", counted=True)
        assert unkilled["code"] == 0
    old, new = shown(before), shown(tmp_path / "after")
    assert old != new
    around = {place + step for place in unkilled["places"] for step in (0, 1)} & set(range(unkilled["events"]))
    out = tmp_path / "killed"
    shutil.copytree(before, out)
    events = {0, *around, *spread(just_after(unkilled), N_OF_EACH)}
    for event in killed_at(events, server, KILLED[name], out, folder=str(out)):
        seen = shown(out)
        for part in ("result/", "shelf/") if name == "shelve" else ("",):  # one is put in place after the other
            of = [{path: data for path, data in state.items() if path.startswith(part)} for state in (seen, old, new)]
            assert of[0] in of[1:], (event, part)
        if seen == old and event in unkilled["places"]:
            assert server.run(KILLED[name], folder=str(out))["code"] == 0
            assert shown(out) == new, event


@pytest.mark.slow
@pytest.mark.parametrize("name", ["clip.mov", "clip"])
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_a_film_that_is_ended_leaves_nothing_half(how: signal.Signals, name: str, bench: Path, tmp_path: Path) -> None:
    capture = next((bench / "captures").rglob("run1.csv"))
    command = [sys.executable, "-m", "frametime", "film", str(capture), "--out", name, "--size", "320x180", "--fps"]
    process = subprocess.Popen([*command, "1000"], cwd=tmp_path, stderr=subprocess.PIPE, text=True)
    end_s = time.monotonic() + LIMIT_S
    while not any(path.suffix == ".part" for path in tmp_path.iterdir()) and time.monotonic() < end_s:
        time.sleep(0.005)
    process.send_signal(how)
    told = process.communicate(timeout=LIMIT_S)[1]
    assert process.returncode not in (0, 1) and "Traceback" not in told, told
    left = {path.name for path in tmp_path.iterdir()}
    assert name not in left
    assert how is signal.SIGKILL or not left
    subprocess.run([*command, "2"], cwd=tmp_path, check=True, capture_output=True)
    assert {path.name for path in tmp_path.iterdir()} == {name}


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes through /proc")
def test_workers_end_with_the_batch_that_was_killed(bench: Path, tmp_path: Path) -> None:
    """Only the batch itself is killed here, and cannot tell its workers."""
    process = subprocess.Popen(
        [sys.executable, "-m", "frametime", *command_of("batch", bench, tmp_path, workers=2)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    children: set[int] = set()
    end_s = time.monotonic() + LIMIT_S
    # Two workers and the tracker of what they share; a worker that has still to start would end by itself.
    while len(children) < 3 and process.poll() is None and time.monotonic() < end_s:
        children |= _children_of(process.pid)
        time.sleep(0.005)
    process.kill()
    process.wait()
    assert len(children) >= 3, "two workers and a tracker were not seen"
    while any(_lives(pid) for pid in children) and time.monotonic() < end_s:
        time.sleep(0.02)
    assert not [pid for pid in children if _lives(pid)]


def _children_of(pid: int) -> set[int]:
    try:
        return {int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()}
    except OSError:
        return set()


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
