"""Many files: in order, on any executor, past bad files; dying workers stand in ``tests/faults/test_workers.py``."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from frametime.adapters.base import ReadOptions
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest
from frametime.pipeline.measuring_many import measure_many


def write_logs(folder: Path, count: int) -> list[MeasureRequest]:
    """Logs of ``count`` different rates, the third one broken."""
    requests = []
    for number in range(count):
        path = folder / f"run{number:03d}.csv"
        text = "frame_time_ms\n" + f"{number + 5}\n" * 50
        path.write_text("no time here\nat all\n" if number == 3 else text)
        requests.append(MeasureRequest(path=str(path), read=ReadOptions(), keep_curves=False))
    return requests


def rates(outcomes: list[MeasureOutcome]) -> list[float | None]:
    return [outcome.run.values["average_fps"].value if outcome.run else None for outcome in outcomes]


@pytest.mark.parametrize("workers", [1, 2])
def test_outcomes_come_in_the_order_of_the_requests(workers: int, tmp_path: Path) -> None:
    requests = write_logs(tmp_path, 40)
    outcomes = list(measure_many(iter(requests), workers=workers))
    assert [outcome.request for outcome in outcomes] == requests
    expected = [None if number == 3 else pytest.approx(1000.0 / (number + 5)) for number in range(40)]
    assert rates(outcomes) == expected
    assert outcomes[3].error is not None and "run003.csv" in outcomes[3].error


def test_any_executor_will_do(tmp_path: Path) -> None:
    requests = write_logs(tmp_path, 20)
    with ThreadPoolExecutor(2) as executor:
        assert rates(list(measure_many(requests, executor=executor))) == rates(list(measure_many(requests, workers=1)))


def test_no_worker_is_refused() -> None:
    with pytest.raises(ValueError, match="workers"):
        list(measure_many([], workers=0))


def test_a_script_without_a_guard_is_told_so(tmp_path: Path) -> None:
    write_logs(tmp_path, 16)
    script = tmp_path / "unguarded.py"
    script.write_text(
        "from pathlib import Path\n"
        "from frametime.adapters.base import ReadOptions\n"
        "from frametime.pipeline.measuring import MeasureRequest\n"
        "from frametime.pipeline.measuring_many import measure_many\n"
        "paths = sorted(Path(__file__).parent.glob('*.csv'))\n"
        "list(measure_many([MeasureRequest(path=str(path), read=ReadOptions()) for path in paths], workers=2))\n"
    )
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 1
    # What Python itself says at its end of what the ended workers left may stand below.
    assert any("put the call below if __name__ == '__main__':" in line for line in done.stderr.splitlines())
