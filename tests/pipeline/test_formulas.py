"""Text in CSV that a spreadsheet would run: found, escaped on request, and never a number."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.pipeline.tables import Row, read_table, write_table
from frametime.render.data_output import Column, csv_bytes, escaped, formula_count, frame_of, unescaped

COLUMNS = (
    Column(name="file", kind="text"),
    Column(name="run", kind="text"),
    Column(name="shift", kind="number", unit="%/min"),
)
ROWS: list[Row] = [
    {"file": '=HYPERLINK("http://x","y").csv', "run": "-5", "shift": -5.0},
    {"file": "\t=1+1", "run": "@sum", "shift": -0.25},
    {"file": "harbor, run 1", "run": None, "shift": None},
]


TEXT = (Column(name="text", kind="text"),)


def looks_like_formula(text: str) -> bool:
    return formula_count(frame_of([{"text": text}], TEXT)) == 1


def escaped_text(text: str) -> str:
    found: str = escaped(frame_of([{"text": text}], TEXT))["text"].item()
    return found


# OWASP Foundation, page "CSV Injection" (from memory): = + - @, tab and carriage return at the start of a cell; also
# line feed and the full-width forms.
@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"])
def test_each_sign_of_the_published_rule_is_found(sign: str) -> None:
    assert looks_like_formula(f"{sign}cmd|' /C calc'!A0")
    assert escaped_text(f"{sign}A1") == f"'{sign}A1"


@pytest.mark.parametrize("text", ["  =A1", "\u00a0@A1", " \n-A1", "-", "+1-1", "-5 fps", "=5"])
def test_blanks_do_not_hide_a_formula(text: str) -> None:
    assert looks_like_formula(text)


@pytest.mark.parametrize("text", ["", "harbor", "a=b", "'=A1", "-5", "+1.5", "-.5e-3", "1080p", " harbor"])
def test_other_text_and_plain_numbers_are_left_alone(text: str) -> None:
    assert not looks_like_formula(text)
    assert escaped_text(text) == text


@given(st.text(alphabet=st.sampled_from(" \t\r\n=+-@'0a,\"")))
def test_what_was_escaped_is_read_back(text: str) -> None:
    again = unescaped(escaped(frame_of([{"text": text}], TEXT)))["text"].item()
    assert again == text or text.startswith("'")
    assert not looks_like_formula(escaped_text(text))


@given(st.lists(st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\0")), min_size=2, max_size=4))
def test_any_text_comes_back_from_a_row(cells: list[str]) -> None:
    columns = [Column(name=f"c{at}", kind="text") for at in range(len(cells))]
    text = csv_bytes(frame_of([dict(zip((item.name for item in columns), cells, strict=True))], columns)).decode(
        "utf-8"
    )
    assert list(csv.reader(io.StringIO(text, newline="")))[1:] == [cells]
    assert text.endswith("\n") and not text.endswith("\r\n")


def test_half_a_pair_of_a_text_becomes_an_escape() -> None:
    assert csv_bytes(frame_of([{"text": "run\udcff.csv"}], TEXT)) == b"text\nrun\\udcff.csv\n"


def test_a_table_is_escaped_on_request_only_and_read_back(tmp_path: Path) -> None:
    plain, safe = tmp_path / "plain.csv", tmp_path / "safe.csv"
    assert write_table(ROWS, plain, columns=COLUMNS) == 3
    assert write_table(ROWS, safe, columns=COLUMNS, escape_formulas=True) == 3
    assert list(read_table(plain, columns=COLUMNS)) == list(read_table(safe, columns=COLUMNS)) == ROWS


@pytest.mark.parametrize("engine", ["polars", "pyarrow"])
def test_other_readers_find_the_apostrophe_and_the_same_numbers(engine: str, tmp_path: Path) -> None:
    out = tmp_path / "safe.csv"
    write_table(ROWS, out, columns=COLUMNS, escape_formulas=True)
    if engine == "polars":
        import polars as pl

        table = pl.read_csv(out).to_dict(as_series=False)
    else:
        import pyarrow.csv as pa_csv

        parsed = pa_csv.read_csv(out, parse_options=pa_csv.ParseOptions(newlines_in_values=True))
        table = parsed.to_pydict()
    assert table["file"] == ['\'=HYPERLINK("http://x","y").csv', "'\t=1+1", "harbor, run 1"]
    assert [cell or None for cell in table["run"]] == ["-5", "'@sum", None]
    assert table["shift"] == [-5.0, -0.25, None]


def test_other_formats_are_never_escaped(tmp_path: Path) -> None:
    for ending in ("jsonl", "parquet"):
        out = tmp_path / f"runs.{ending}"
        assert write_table(ROWS, out, columns=COLUMNS, escape_formulas=True) == 0
        assert list(read_table(out, columns=COLUMNS)) == ROWS
