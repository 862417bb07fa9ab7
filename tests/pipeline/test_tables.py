"""Tables are written whole or not at all, and read back as they were."""

from __future__ import annotations

from pathlib import Path

import pytest

from frametime.errors import OutputError
from frametime.pipeline.tables import Row, read_table, write_table
from frametime.render.data_output import Column

COLUMNS = (
    Column(name="file", kind="text"),
    Column(name="run", kind="text"),
    Column(name="n_frames", kind="whole", unit="1"),
    Column(name="average_fps", kind="number", unit="{frame}/s"),
)
ROWS: list[Row] = [
    {"file": "a, b.csv", "run": "1", "n_frames": 12, "average_fps": 104.20000000000002},
    {"file": 'say "x"\nline\rfeed', "run": "0x", "n_frames": None, "average_fps": None},
]


@pytest.mark.parametrize("ending", [".csv", ".jsonl", ".ndjson", ".parquet"])
def test_a_table_is_read_back_as_it_was(ending: str, tmp_path: Path) -> None:
    out = tmp_path / f"runs{ending}"
    write_table(iter(ROWS), out, columns=COLUMNS)
    assert list(read_table(out, columns=COLUMNS)) == ROWS


def test_a_foreign_file_is_no_earlier_table(tmp_path: Path) -> None:
    out = tmp_path / "runs.parquet"
    out.write_bytes(b"not a table")
    with pytest.raises(OutputError, match="not a table of an earlier batch"):
        list(read_table(out, columns=COLUMNS))
