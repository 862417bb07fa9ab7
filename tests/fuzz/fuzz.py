"""Coverage-guided fuzzing of the readers. Usage: fuzz.py TARGET [options of libFuzzer, such as -max_total_time=3600]

Without options it runs until it is stopped; ``fuzz.py --list`` prints the targets.
It needs one more package: ``pip install -e ".[fuzz]"``.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parent))

with atheris.instrument_imports(include=["frametime"]):
    from fuzz_targets import TARGETS, seeds

    from frametime.errors import FrametimeError


def main() -> None:
    """Fuzz one target from its seeds."""
    if sys.argv[1:] == ["--list"]:
        sys.stdout.write("\n".join(TARGETS) + "\n")
        return
    if len(sys.argv) < 2 or sys.argv[1] not in TARGETS:
        sys.exit(f"{__doc__}\nTargets: {', '.join(TARGETS)}")
    name = sys.argv.pop(1)
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
