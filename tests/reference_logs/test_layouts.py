"""One recording in several layouts: the files are those of the generator, and all give the same frames."""

from __future__ import annotations

from pathlib import Path

import pytest
from layout_examples import layout_files, main

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.reading import read_capture

LOGS = Path(__file__).parents[2] / "reference_logs"
RECORDING = LOGS / "recorded" / "preset-base" / "canyon" / "1080p" / "run2.csv.gz"
LAYOUTS = LOGS / "layouts"
EXAMPLES = sorted(path.name for path in LAYOUTS.iterdir() if path.suffix != ".toml")


def test_the_stored_files_are_those_of_the_generator(tmp_path: Path) -> None:
    files = layout_files(RECORDING.read_bytes(), RECORDING.name)
    assert {path.name: path.read_bytes() for path in LAYOUTS.iterdir()} == dict(files)
    assert main([str(RECORDING), str(tmp_path / "layouts")]) == 0
    assert {path.name: path.read_bytes() for path in (tmp_path / "layouts").iterdir()} == dict(files)


def test_what_is_no_recording_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = tmp_path / "other.csv.gz"
    other.write_bytes(b"no gzip")
    assert main([str(other), str(tmp_path / "layouts")]) == 3
    assert "not a recording" in capsys.readouterr().err
    assert not (tmp_path / "layouts").exists()


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_layout_holds_the_same_frames(name: str) -> None:
    layout = LAYOUTS / "no_header.layout.toml"
    options = (
        ReadOptions(layout=Layout.from_toml(layout.read_text("utf-8"), layout.name))
        if name == "no_header.csv"
        else ReadOptions()
    )
    expected = read_capture(RECORDING).frames.column("timestamp_ns").to_pylist()
    found = read_capture(LAYOUTS / name, options=options).frames.column("timestamp_ns").to_pylist()
    assert [time - found[0] for time in found] == [time - expected[0] for time in expected]
