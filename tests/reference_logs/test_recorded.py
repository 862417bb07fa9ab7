"""The recordings are complete and of bounded size, and their README says what they are."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

LOGS = Path(__file__).parents[2] / "reference_logs"
RECORDED = LOGS / "recorded"
SETS = sorted(path.parent for path in RECORDED.rglob("run1.csv.gz"))
MIB = 1024 * 1024


def total_bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def test_sizes_stay_bounded() -> None:
    assert total_bytes(RECORDED) < 1.5 * MIB
    assert total_bytes(RECORDED) + total_bytes(LOGS / "made") + total_bytes(LOGS / "layouts") < 2 * MIB


@pytest.mark.parametrize("folder", SETS, ids=lambda path: str(path.relative_to(RECORDED)))
def test_every_run_has_its_sensors_and_its_facts(folder: Path) -> None:
    scene, resolution = folder.parts[-2:]
    for run in folder.glob("run*.csv.gz"):
        name = run.name.removesuffix(".csv.gz")
        stated = json.loads((folder / f"{name}.json").read_text("utf-8"))
        assert stated["scene"] == scene
        assert f"{stated['height']}p" == resolution
        header = (folder / f"{name}.sensors.csv").read_text("utf-8").splitlines()[0]
        assert header.startswith("time_utc,power_w,temperature_c")


def test_the_readme_names_every_folder_with_origin_and_licence() -> None:
    text = (LOGS / "README.md").read_text("utf-8")
    for folder in LOGS.iterdir():
        if folder.is_dir():
            row = next(line for line in text.splitlines() if line.startswith(f"| `{folder.name}/`"))
            assert all(cell.strip() for cell in row.strip("|").split("|"))
