"""Runs the program again and again from a process that has imported everything, and kills it where it is told.

It reads one JSON line a run and answers with one: ``{"code", "events", "places", "changes", "duration_s", "modules"}``.
``places`` are the numbers of the file events that take a file away or put it in place, ``changes`` of all that leave
the disk other than it was: between two of them a kill finds the same files. A run is a forked copy in a process group
of its own, so that starting it costs no imports. It is killed with its group ``after_s`` seconds after its start or
just before its file event number ``at_event`` (an open, write, rename, ...), whichever is given. Before each event of
``stops`` it stands still while the folder ``copied`` is copied to ``<copies>/<event>``, and then goes on: what a kill
would leave there is on the disk, so that one run shows what many kills leave. Events are counted where the request has
``counted``, ``at_event`` or ``stops``, as each call is looked at for it. With ``at_once`` so many copies run at the
same moment, and the answer is ``{"codes", "errors"}``: the exit code and the standard error of each; what they print
goes to the file ``printed_to``, to nowhere, or, where that is "closed", to a stream that is closed. With ``has_demo``
the files of the demo are made before, once for all copies. A copy never runs threads that the server has started: the
server imports, makes the demo and copies, and does nothing else.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import io
import json
import os
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Collection
from functools import cache
from typing import Any, NoReturn

from frametime.cli import main

_READING = ("os.listdir", "os.scandir", "os.walk", "os.fwalk", "os.chdir", "os.getxattr", "os.listxattr", "os.putenv")
_WRITING_FLAGS = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC


def _run(
    arguments: list[str], at_event: int | None, stops: Collection[int], report: int, *, counted: bool, warm: bool
) -> None:
    """The program in this process, with its file events counted if asked for; does not come back."""
    os.setsid()
    n_events = 0
    stopping: list[int] = []
    places: list[int] = []
    changes: list[int] = []

    def count() -> None:
        nonlocal n_events
        n_events += 1  # first, as killing is an event of its own
        if n_events - 1 == at_event:
            os.killpg(os.getpid(), signal.SIGKILL)
        if n_events - 1 in stops:
            stopping.append(n_events)
            os.kill(os.getpid(), signal.SIGSTOP)
            stopping.clear()

    def on_event(event: str, about: tuple[Any, ...]) -> None:
        if stopping:  # to stop is an event of its own, and none of the program's
            return
        if event in ("os.rename", "os.remove"):
            places.append(n_events)
        if event == "open" or event.startswith(("os.", "shutil.", "tempfile.")):
            if about[2] & _WRITING_FLAGS if event == "open" else event not in _READING:
                changes.append(n_events)
            count()

    def on_call(_: object, event: str, called: object) -> None:
        # Writing raises no event of its own, and between the opening of a file and its first bytes it is half written.
        if event == "c_call" and getattr(called, "__name__", "") == "write":
            if not isinstance(getattr(called, "__self__", None), io.BytesIO | io.StringIO):
                changes.append(n_events)
            count()

    end_process = os._exit
    os._exit = _leave  # type: ignore[assignment]  # commands end with it when all is said; the events are told first
    sys.argv = ["frametime", *arguments]
    if counted:
        sys.addaudithook(on_event)
        sys.setprofile(on_call)
    code = 1
    try:
        main()
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 0
    except BaseException:
        traceback.print_exc()  # nobody else does: the process ends below
        raise
    finally:
        sys.setprofile(None)
        with contextlib.suppress(OSError, AttributeError):  # full, or closed
            sys.stdout.flush()
        told = {
            "events": n_events,
            "places": places,
            "changes": changes,
            "modules": sorted(sys.modules) if warm else [],
        }
        os.write(report, json.dumps(told).encode())  # a pipe takes 64 KB before anyone reads
        end_process(code)


def _leave(code: int) -> NoReturn:
    raise SystemExit(code)


def _prepare(request: dict[str, Any], *, errors: int | None) -> None:
    """In a copy: its folder, and streams that lead nowhere but for the one of errors, where it is given."""
    null = os.open(os.devnull, os.O_RDWR)
    to = request.get("printed_to", os.devnull)
    os.dup2(null, 0)
    os.dup2(null if to == "closed" else os.open(to, os.O_WRONLY), 1)
    os.dup2(null if errors is None else errors, 2)
    if to == "closed":
        os.close(1)
        sys.stdout = sys.__stdout__ = None  # type: ignore[assignment,misc]  # as Python begins with such a stream
    os.chdir(request.get("folder", "."))


def _served_at_once(request: dict[str, Any]) -> dict[str, Any]:
    """So many copies that run at the same moment; the system ends one that lasts ``after_s`` seconds."""
    copies = []
    for _ in range(request["at_once"]):
        errors = tempfile.TemporaryFile()  # noqa: SIM115 - closed below, when its copy has ended
        pid = os.fork()
        if pid == 0:
            _prepare(request, errors=errors.fileno())
            signal.alarm(int(request["after_s"]))
            _run(request["arguments"], None, (), os.open(os.devnull, os.O_WRONLY), counted=False, warm=False)
        copies.append((pid, errors))
    codes, told = [], []
    for pid, errors in copies:
        codes.append(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))
        with errors:
            errors.seek(0)
            told.append(errors.read().decode())
    return {"codes": codes, "errors": told, "modules": []}


def _served(request: dict[str, Any]) -> dict[str, Any]:
    reading, writing = os.pipe()
    began_s = time.monotonic()
    pid = os.fork()
    if pid == 0:
        _prepare(request, errors=None)
        at_event = request.get("at_event")
        stops = frozenset(request.get("stops", ()))
        counted = at_event is not None or bool(stops) or request.get("counted", False)
        _run(request["arguments"], at_event, stops, writing, counted=counted, warm=request.get("warm", False))
    os.close(writing)
    after_s = request.get("after_s")
    stops = iter(sorted(request.get("stops", ())))
    while not (ended := os.waitpid(pid, os.WNOHANG | os.WUNTRACED))[0] or os.WIFSTOPPED(ended[1]):
        if ended[0]:
            shutil.copytree(request["copied"], f"{request['copies']}/{next(stops)}", symlinks=True)
            os.kill(pid, signal.SIGCONT)
            continue
        if after_s is not None and time.monotonic() - began_s >= after_s:
            for kill in (os.killpg, os.kill):
                try:
                    kill(pid, signal.SIGKILL)
                except ProcessLookupError:  # not yet a group of its own, or ended by itself
                    continue
            ended = os.waitpid(pid, 0)
            break
        time.sleep(0.0005)
    duration_s = time.monotonic() - began_s
    with os.fdopen(reading, "rb") as stream:
        # A worker that outlives its parent would hold the pipe open; the whole group is gone, so it ends.
        told = json.loads(stream.read() or b"{}")
    code = os.waitstatus_to_exitcode(ended[1])
    return {"code": code, "duration_s": duration_s, "events": 0, "places": [], "changes": [], "modules": [], **told}


@cache
def _made_demo() -> None:
    from frametime.demo import demo_files

    demo_files.demo_files = cache(demo_files.demo_files)
    demo_files.demo_files(full=False)


def serve() -> None:
    """Answer until the standard input ends."""
    for line in sys.stdin:
        request = json.loads(line)
        if request.get("has_demo"):
            _made_demo()
        answer = _served_at_once(request) if "at_once" in request else _served(request)
        if request.get("warm"):
            for name in answer["modules"]:
                if name.partition(".")[0] != "__main__":
                    try:
                        importlib.import_module(name)
                    except ImportError:  # a module that exists inside another one only
                        continue
            gc.freeze()  # what all copies share is not looked through, and so not copied, by any of them
        answer["modules"] = []
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    serve()
