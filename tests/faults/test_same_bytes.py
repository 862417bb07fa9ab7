"""The same captures give the same bytes, wherever, whenever and however they are measured."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest

# Runs each command given as JSON in one process; folders list their files in an order that changes with the seed.
_SCRIPT = """
import json, os, random, sys

if __name__ == "__main__":
    shuffled = random.Random(sys.argv[1])
    scandir, listdir = os.scandir, os.listdir

    class Entries(list):
        def __enter__(self): return self
        def __exit__(self, *_): return None
        def __next__(self):
            if not self:
                raise StopIteration
            return self.pop()
        def __iter__(self):
            while self:
                yield self.pop()
        def close(self): self.clear()

    def any_order(*where):
        with scandir(*where) as found:
            entries = Entries(found)
        shuffled.shuffle(entries)
        return entries

    def any_names(*where):
        names = listdir(*where)
        shuffled.shuffle(names)
        return names

    from frametime.cli import cli
    if sys.argv[1] != "as they lie":
        os.scandir, os.listdir = any_order, any_names
    for arguments in json.loads(sys.argv[2]):
        cli.main(arguments, prog_name="frametime", standalone_mode=False)
"""


@dataclass(frozen=True, kw_only=True)
class Place:
    """What should change nothing."""

    order: str = "as they lie"
    workers: int = 1
    elsewhere: bool = False
    typed_whole: bool = False
    environment: Mapping[str, str] = field(default_factory=dict)


PLACES = {
    "order of files": Place(order="seed 1"),
    "another order, two workers": Place(order="seed 2", workers=2),
    "the C locale": Place(environment={"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}),
    "a locale of other letters": Place(environment={"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8", "LANGUAGE": "tr"}),
    "a locale of decimal commas": Place(environment={"LC_ALL": "de_DE.UTF-8", "LC_NUMERIC": "de_DE.UTF-8"}),
    "another folder": Place(elsewhere=True),
    "the whole path of the folder": Place(typed_whole=True),
    "the whole path in the C locale": Place(
        typed_whole=True, environment={"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    ),
    "seed of hashes": Place(environment={"PYTHONHASHSEED": "4711"}),
    "time zone": Place(environment={"TZ": "Pacific/Chatham"}),
}


@pytest.fixture(scope="module")
def bench(small_review: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of captures with one of each card that is empty, whose reason must not depend on anything either."""
    folder = tmp_path_factory.mktemp("bench") / "copy"
    shutil.copytree(small_review, folder)
    for path in (folder / "captures").rglob("run7.csv"):
        path.write_bytes(b"")
    return folder


def outputs(bench: Path, out: Path, place: Place) -> dict[str, bytes]:
    """Every file that batch and review write, by name."""
    out.mkdir()
    folder = bench
    if place.elsewhere:
        folder = out.parent / "copy of the bench"
        shutil.copytree(bench, folder)
    shared = ["--workers", str(place.workers), "-q"]
    above = f"{folder}/" if place.typed_whole else ""
    batch = ["batch", f"{above}captures", *shared, "--out"]
    review = ["review", f"{above}plan.toml", *shared, "--no-charts", "--out", str(out / "result")]
    commands = [[*batch, str(out / f"runs.{ending}")] for ending in ("csv", "jsonl", "parquet")]
    script = out.parent / "commands.py"
    script.write_text(_SCRIPT, encoding="utf-8")
    plain = {key: text for key, text in os.environ.items() if not key.startswith(("LC_", "LANG", "TZ", "PYTHONHASH"))}
    subprocess.run(
        [sys.executable, str(script), place.order, json.dumps([*commands, review])],
        cwd=folder,
        env={**plain, **place.environment},
        check=True,
        capture_output=True,
        timeout=300,
    )
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        # The record says where the plan lies, and the kept runs how their files were named.
        if path.is_file() and path.name not in {"kept_runs.parquet", ".review.json"}
    }


@pytest.fixture(scope="module")
def expected(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return outputs(bench, tmp_path_factory.mktemp("expected") / "out", Place())


@pytest.mark.slow
@pytest.mark.parametrize("name", PLACES)
def test_it_changes_no_byte(name: str, bench: Path, expected: dict[str, bytes], tmp_path: Path) -> None:
    found = outputs(bench, tmp_path / "out", PLACES[name])
    assert {"runs.csv", "runs.jsonl", "runs.parquet", "result/result.json", "result/report.html"} <= set(found)
    assert set(found) == set(expected)
    assert [key for key in found if found[key] != expected[key]] == []
