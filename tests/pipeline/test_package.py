"""A review in one file: made again it is equal; what was changed is named; what no honest program writes is refused."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
import shlex
import shutil
import stat
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from part_of_demo import copy_of_two_scenes
from run_cli import frametime

from frametime.errors import ReadError, RunSetError
from frametime.pipeline import package
from frametime.pipeline.package import verify

pytestmark = pytest.mark.usefixtures("same_bytes_are_measured_once")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The review of two scenes of the reference logs at one resolution, with sensor logs, and its package."""
    folder = tmp_path_factory.mktemp("bench")
    plan = copy_of_two_scenes(folder / "review", {"orchard", "pavilion"})
    out = ("--out", str(folder / "result"))
    assert frametime("review", str(plan), *out, "--no-charts", "--no-report").code in (0, 4)
    told = frametime("pack", str(folder / "result"), "--out", str(folder / "whole.zip"))
    assert told.code == 0, told.err
    return folder


def contents(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def written(path: Path, files: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return path


def resealed(files: dict[str, bytes]) -> dict[str, bytes]:
    """The files with the hashes that they have now."""
    manifest = json.loads(files["datapackage.json"])
    for resource in manifest["resources"]:
        resource["hash"] = "sha256:" + hashlib.sha256(files[resource["path"]]).hexdigest()
    return {**files, "datapackage.json": json.dumps(manifest).encode()}


def test_what_is_made_again_is_equal(bench: Path) -> None:
    told = frametime("verify", str(bench / "whole.zip"))
    assert told.code == 0, told.out
    again = [line for line in told.out.splitlines() if line.endswith("made again: equal")]
    assert [line.split()[1] for line in again] == [
        "result/runs.parquet:",
        "result/cells.csv:",
        "result/standings.csv:",
        "result/result.json:",
    ]


def test_the_same_review_gives_the_same_bytes_and_names_no_folder_of_the_machine(bench: Path) -> None:
    assert frametime("pack", str(bench / "result"), "--out", str(bench / "again.zip")).code == 0
    assert (bench / "again.zip").read_bytes() == (bench / "whole.zip").read_bytes()
    files = contents(bench / "whole.zip")
    assert not [name for name, content in files.items() if str(bench).encode() in content]
    captures = [name for name in files if name.startswith("captures/")]
    assert captures
    metadata = [pq.ParquetFile(io.BytesIO(files[name])).schema_arrow.metadata for name in captures]
    assert not [about for about in metadata if str(bench).encode() in about[b"frametime"]]


def test_each_table_has_its_columns_units_size_and_hash(bench: Path) -> None:
    """What Data Package 2.0 asks of a package and its resources (datapackage.org, from memory)."""
    files = contents(bench / "whole.zip")
    manifest = json.loads(files["datapackage.json"])
    assert manifest["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    names = [resource["name"] for resource in manifest["resources"]]
    assert len(set(names)) == len(names)
    for resource in manifest["resources"]:
        content = files[resource["path"]]
        assert resource["bytes"] == len(content)
        assert resource["hash"] == f"sha256:{hashlib.sha256(content).hexdigest()}"
    tables = {item["path"]: item["schema"]["fields"] for item in manifest["resources"] if "schema" in item}
    assert {"result/cells.csv", "result/standings.csv", "result/runs.parquet", "captures/00001.parquet"} <= set(tables)
    assert {"name": "timestamp_ns", "type": "integer", "unit": "ns"} in tables["captures/00001.parquet"]
    assert {"name": "average_fps", "type": "number", "unit": "{frame}/s"} in tables["result/runs.parquet"]


def test_a_result_that_was_changed_is_named_with_the_first_difference(bench: Path, tmp_path: Path) -> None:
    files = contents(bench / "whole.zip")
    lines = files["result/cells.csv"].decode().splitlines(keepends=True)
    column = lines[0].split(",").index("ratio")
    row = next(at for at, line in enumerate(lines) if at and line.split(",")[column])
    cells = lines[row].split(",")
    cells[column] = "9.5"
    lines[row] = ",".join(cells)
    changed = {**files, "result/cells.csv": "".join(lines).encode()}
    told = frametime("verify", str(written(tmp_path / "p.zip", changed)))
    assert told.code == 5
    assert "DIFFERS  result/cells.csv: has another hash" in told.out
    told = frametime("verify", str(written(tmp_path / "p.zip", resealed(changed))))
    assert told.code == 5
    assert f"DIFFERS  result/cells.csv: row {row}, ratio: 9.5 in the package, " in told.out
    assert told.out.count("DIFFERS") == 1


def test_captures_that_were_exchanged_are_told(bench: Path, tmp_path: Path) -> None:
    files = contents(bench / "whole.zip")
    one, other, far = (f"captures/{number:05d}.parquet" for number in (1, 2, 4))
    found = verify(written(tmp_path / "p.zip", resealed({**files, one: files[other], other: files[one]})))
    assert {item.name for item in found if not item.is_equal} >= {"result/runs.parquet", "result/result.json"}
    with pytest.raises(RunSetError, match="scene is"):
        verify(written(tmp_path / "q.zip", resealed({**files, one: files[far]})))


@pytest.mark.parametrize(
    ("key", "value"),
    [("card", "nobody"), ("path", "captures/99999.parquet"), ("start_h", "noon"), ("name", "a/b/c/d")],
)
def test_a_manifest_that_does_not_fit_is_refused(key: str, value: str, bench: Path, tmp_path: Path) -> None:
    files = contents(bench / "whole.zip")
    manifest = json.loads(files["datapackage.json"])
    manifest["frametime"]["runs"][0][key] = value
    if key == "name":
        manifest["frametime"]["runs"][1][key] = value
    path = written(tmp_path / "p.zip", {**files, "datapackage.json": json.dumps(manifest).encode()})
    with pytest.raises(ReadError, match="does not fit"):
        verify(path)


def test_numbers_that_differ_in_the_last_digits_alone_are_equal() -> None:
    assert package._difference("x.csv", b"a\n1.00000000001\n", b"a\n1.0\n") is None
    assert package._difference("x.csv", b"a\n1.0001\n", b"a\n1.0\n") is not None
    assert package._difference("x.csv", b"a\n1.0\n", b"a\n1.0\n2.0\n") == (
        "row 2, a: nothing in the package, 2.0 made again"
    )


def test_without_frames_the_review_is_made_again_from_the_measured_runs(bench: Path, tmp_path: Path) -> None:
    out = tmp_path / "small.zip"
    assert frametime("pack", str(bench / "result"), "--out", str(out), "--no-frames").code == 0
    files = contents(out)
    assert not [name for name in files if name.startswith("captures/")]
    assert not [name for name, content in files.items() if str(bench).encode() in content]
    told = frametime("verify", str(out))
    assert told.code == 0
    assert told.out.count("made again: equal") == 4
    assert "made again from its measured runs" in told.out
    runs = pl.read_parquet(files["measured_runs.parquet"])
    swapped = runs.with_columns(pl.col("measured").gather([1, 0, *range(2, len(runs))]))
    content = io.BytesIO()
    swapped.write_parquet(content)
    changed = resealed({**files, "measured_runs.parquet": content.getvalue()})
    told = frametime("verify", str(written(tmp_path / "p.zip", changed)))
    assert told.code == 5
    assert "DIFFERS  result/runs.parquet: row " in told.out


def test_a_review_with_cards_of_a_shelf_goes_with_the_rows_of_the_shelf(bench: Path, tmp_path: Path) -> None:
    shutil.copytree(bench / "review", tmp_path / "review")
    plan = tmp_path / "review" / "plan.toml"
    text, shelf = plan.read_text("utf-8"), '\n[shelf]\nfolder = "../shelf"\nsession = "SESSION"\n'
    quick = ("--no-charts", "--no-report", "-q")
    plan.write_text(text + shelf.replace("SESSION", "spring"), "utf-8")
    assert frametime("review", str(plan), "--out", str(tmp_path / "a"), *quick, "--shelve").code == 0
    without = re.sub(r'(?s)\[\[cards\]\]\nkey = "hollin-2".*?(?=\[\[)', "", text)
    plan.write_text(without + shelf.replace("SESSION", "later") + 'cards = ["hollin-2"]\n', "utf-8")
    assert frametime("review", str(plan), "--out", str(tmp_path / "b"), *quick, "--force").code == 0
    out = tmp_path / "review.zip"
    told = frametime("pack", str(tmp_path / "b"), "--out", str(out))
    assert told.code == 0, told.err
    assert not [name for name, content in contents(out).items() if str(tmp_path).encode() in content]
    told = frametime("verify", str(out))
    assert (told.code, told.out.count("made again: equal")) == (0, 4), told.out + told.err
    assert "hollin-2" in contents(out)["result/cells.csv"].decode()
    shutil.rmtree(tmp_path / "shelf")
    assert frametime("verify", str(out)).code == 0, "nothing but the package is needed"
    fewer = io.BytesIO()
    pl.read_parquet(contents(out)["shelf.parquet"]).drop("sha256").write_parquet(fewer)
    for table, words in (
        (b"no table", "shelf.parquet: the Arrow or Parquet data are damaged"),
        (fewer.getvalue(), "does not fit what lies in it"),
    ):
        damaged = resealed({**contents(out), "shelf.parquet": table})
        told = frametime("verify", str(written(tmp_path / "damaged.zip", damaged)))
        assert (told.code, told.err.count("\n")) == (3, 1)
        assert words in told.err


def test_a_result_that_its_captures_no_longer_give_is_not_packed(bench: Path, tmp_path: Path) -> None:
    folder = tmp_path / "my bench"  # the command that helps can be pasted for a name with a space, too
    shutil.copytree(bench, folder)
    plan = folder / "review" / "plan.toml"
    plan.write_text(plan.read_text("utf-8").replace('title = "', 'title = "Other '), encoding="utf-8")
    told = frametime("pack", str(folder / "result"), "--out", str(tmp_path / "x.zip"))
    assert told.code == 3
    assert "plan and captures do not give this result" in told.err
    command = shlex.split(told.err.partition("make it again: ")[2])
    assert (command[:2], Path(command[2]).name, command[3:]) == (
        ["frametime", "review"],
        "plan.toml",
        ["--out", str(folder / "result")],
    )
    assert not (tmp_path / "x.zip").exists()


def test_a_name_that_is_no_file_is_told(tmp_path: Path) -> None:
    told = frametime("verify", "none.zip", cwd=tmp_path)
    assert told.code == 3
    assert told.err == "frametime: none.zip: there is no such file; frametime pack makes a package of a review\n"


def test_a_folder_without_a_review_and_another_ending_are_refused(tmp_path: Path) -> None:
    assert "no result of a review" in frametime("pack", str(tmp_path), "--out", str(tmp_path / "x.zip")).err
    assert frametime("pack", str(tmp_path), "--out", str(tmp_path / "x.tar")).code == 2


def _link(archive: zipfile.ZipFile) -> None:
    about = zipfile.ZipInfo("captures/link")
    about.create_system, about.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    archive.writestr(about, "/etc/passwd")


HOSTILE: dict[str, Callable[[zipfile.ZipFile], None]] = {
    "leads out": lambda archive: archive.writestr("../../outside.txt", "x"),
    "leads out of it, '/": lambda archive: archive.writestr("/tmp/outside.txt", "x"),
    "leads out of it, 'C": lambda archive: archive.writestr("C:\\outside.txt", "x"),
    "link or no file": _link,
    "unpacks to": lambda archive: archive.writestr("bomb", b"\0" * 50_000_000, compress_type=zipfile.ZIP_DEFLATED),
}


@pytest.mark.parametrize("words", HOSTILE)
def test_a_hostile_package_is_refused(words: str, bench: Path, tmp_path: Path) -> None:
    path = tmp_path / "hostile.zip"
    shutil.copy(bench / "whole.zip", path)
    with zipfile.ZipFile(path, "a") as archive:
        HOSTILE[words](archive)
    told = frametime("verify", str(path))
    assert told.code == 3
    assert words in told.err


@cache
def _bomb() -> bytes:
    """A Parquet file of a few kB with 100 million rows."""
    sink = io.BytesIO()
    schema = pa.schema([("run", pa.string()), ("measured", pa.binary())])
    many = pa.table({field.name: pa.nulls(1 << 20, field.type) for field in schema}).cast(schema)
    with pq.ParquetWriter(sink, schema, compression="zstd") as writer:
        for _ in range(100):
            writer.write_table(many)
    return sink.getvalue()


def test_a_table_that_unpacks_to_far_more_than_it_holds_is_refused(bench: Path, tmp_path: Path) -> None:
    small = tmp_path / "small.zip"
    assert frametime("pack", str(bench / "result"), "--out", str(small), "--no-frames").code == 0
    bombs = resealed({**contents(small), "measured_runs.parquet": _bomb()})
    with pytest.raises(ReadError, match=r"p.zip/measured_runs.parquet: unpacks to more than .*; do not trust where"):
        verify(written(tmp_path / "p.zip", bombs))
    bombs = resealed({**contents(small), "result/runs.parquet": _bomb()})
    words = {item.name: item.words for item in verify(written(tmp_path / "p.zip", bombs)) if not item.is_equal}
    assert list(words) == ["result/runs.parquet"] and "cannot be read (runs.parquet: unpacks" in words.popitem()[1]


def test_sensors_in_a_capture_that_unpack_to_far_more_are_refused(bench: Path, tmp_path: Path) -> None:
    files = contents(bench / "whole.zip")
    capture = pq.read_table(io.BytesIO(files["captures/00001.parquet"]))
    about = json.loads(capture.schema.metadata[b"frametime"])
    sink = pa.BufferOutputStream()
    many = pa.table({"timestamp_ns": pa.array(np.zeros(1 << 22, dtype=np.int64))})
    with pa.ipc.new_stream(sink, many.schema, options=pa.ipc.IpcWriteOptions(compression="zstd")) as writer:
        for _ in range(10):
            writer.write_table(many)
    about["sensors"]["samples"] = base64.b64encode(sink.getvalue().to_pybytes()).decode()
    content = io.BytesIO()
    pq.write_table(capture.replace_schema_metadata({b"frametime": json.dumps(about).encode()}), content)
    bombs = resealed({**files, "captures/00001.parquet": content.getvalue()})
    with pytest.raises(ReadError, match=r"p.zip/captures/00001.parquet, its sensors: unpacks to more than"):
        verify(written(tmp_path / "p.zip", bombs))


def test_a_damaged_capture_in_a_package_is_told_by_its_name(bench: Path, tmp_path: Path) -> None:
    files = contents(bench / "whole.zip")
    cut = resealed({**files, "captures/00002.parquet": files["captures/00002.parquet"][:-40]})
    told = frametime("verify", str(written(tmp_path / "p.zip", cut)))
    assert (told.code, told.err.count("\n")) == (3, 1)
    assert told.err.startswith("frametime: p.zip/captures/00002.parquet: ")
    assert told.err.endswith("; do not trust where it comes from\n")


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_two_files_of_one_name_and_one_that_is_not_named_are_told(bench: Path, tmp_path: Path) -> None:
    path = tmp_path / "double.zip"
    shutil.copy(bench / "whole.zip", path)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("plan.toml", "title = 'other'")
    with pytest.raises(ReadError, match="some of one name"):
        verify(path)
    extra = verify(written(tmp_path / "extra.zip", {**contents(bench / "whole.zip"), "more.txt": b"x"}))
    assert [(item.name, item.words) for item in extra if not item.is_equal] == [
        ("more.txt", "is in the package but not named")
    ]


@pytest.mark.parametrize(
    "content",
    [
        b"no archive",
        b"PK\x03\x04" + b"\0" * 40,
        b"{}",
        b'{"frametime": {"runs": [1]}, "resources": []}',
        b"[" * 100_000,
    ],
)
def test_what_is_no_package_is_refused_in_one_line(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    if content.startswith((b"{", b"[")):
        written(path, {"datapackage.json": content})
    else:
        path.write_bytes(content)
    told = frametime("verify", str(path))
    assert told.code == 3
    assert len(told.err.splitlines()) == 1


def test_a_file_that_unpacks_to_other_than_it_says_is_refused(bench: Path, tmp_path: Path) -> None:
    whole = (bench / "whole.zip").read_bytes()
    at = whole.index(b"PAR1") + 3_000
    path = tmp_path / "torn.zip"
    path.write_bytes(whole[:at] + bytes([whole[at] ^ 255]) + whole[at + 1 :])
    with pytest.raises(ReadError, match="no package that can be read"):
        verify(path)


@pytest.mark.parametrize(("helps", "kept"), [(None, "a; b"), ("remove the row; or the file", "a; b")])
def test_of_an_error_in_a_package_only_what_helps_with_a_log_is_left_out(helps: str | None, kept: str) -> None:
    def refuse(log: object) -> None:
        raise ReadError.at("x.parquet", "a; b", line=3, helps=helps)

    with pytest.raises(ReadError, match=rf"^x\.parquet: line 3: {kept}; do not trust where it comes from$"):
        package._read("x.parquet", b"", refuse)
