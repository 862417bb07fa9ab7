"""Coverage-guided fuzzing of the readers. Usage: fuzz.py TARGET [options of libFuzzer, such as -max_total_time=3600]

Without options it runs until it is stopped; ``fuzz.py --list`` prints the targets. ``fuzz.py every`` with a limit of
time fuzzes all of them, as many at a time as there are cores; what each says, and the input that it finds, lies in the
folder in which it runs.
It needs one more package: ``pip install -e ".[fuzz]"``.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
import tempfile
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parent))

with atheris.instrument_imports(include=["frametime"]):
    from fuzz_targets import TARGETS, seeds

    from frametime.errors import FrametimeError


def main() -> None:
    """Fuzz what is asked for."""
    if sys.argv[1:] == ["--list"]:
        sys.stdout.write("\n".join(TARGETS) + "\n")
        return
    if len(sys.argv) < 2 or sys.argv[1] not in (*TARGETS, "every"):
        sys.exit(f"{__doc__}\nTargets: {', '.join(TARGETS)}")
    name = sys.argv.pop(1)
    if name == "every":
        sys.exit(fuzz_every())
    fuzz(name)


def fuzz_every() -> str | None:
    """Fuzz each target in a forked copy of this process, which has imported and watches all; gives what failed."""
    waiting, running, failed = list(TARGETS), dict[int, str](), []
    while waiting or running:
        if waiting and len(running) < (os.cpu_count() or 1):
            name = waiting.pop(0)
            pid = os.fork()
            if pid == 0:
                log = os.open(f"{name}.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
                os.dup2(log, 1)
                os.dup2(log, 2)
                fuzz(name)
            running[pid] = name
            continue
        pid, status = os.wait()
        name = running.pop(pid)
        lines = Path(f"{name}.log").read_text("utf-8", "replace").splitlines()
        done = [line for line in lines if re.match("Done [1-9]", line)]
        told = [f"-- {name}: {done[-1]}"] if done and not status else lines[-60:]
        sys.stdout.write("\n".join(told) + "\n")
        sys.stdout.flush()
        failed += [name] if status or not done else []
    return f"failed: {', '.join(failed)}" if failed else None


def fuzz(name: str) -> None:
    """Fuzz one target from its seeds; the process ends with it."""
    target = TARGETS[name]
    unraised: list[BaseException] = []
    sys.unraisablehook = lambda event: unraised.append(event.exc_value or RuntimeError(event.err_msg))

    def once(content: bytes) -> None:
        unraised.clear()
        with contextlib.suppress(FrametimeError):
            target(content)
        if unraised:
            # What a callback of a library raises is printed and lost, unless it is taken up here.
            raise RuntimeError("an error was printed instead of raised") from unraised[0]

    # Readers import what they need when they need it: what is imported later than here would not be watched.
    with atheris.instrument_imports(include=["frametime"]):
        found = list(seeds(name))
        for seed in found:
            once(seed)
    with tempfile.TemporaryDirectory() as corpus:
        for number, seed in enumerate(found):
            Path(corpus, f"seed{number}").write_bytes(seed)
        atheris.Setup([*sys.argv, corpus, "-rss_limit_mb=4096", "-timeout=60"], once)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
