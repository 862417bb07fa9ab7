"""Names that move the cursor, turn the reading direction or are no text: shown escaped, everywhere."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from log_files import log_text
from run_cli import COMMAND, PLAIN, frametime

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="such names cannot be made there")

ODD = "run\n1\u202egnp\x1b[31m"
LOG = log_text(8.25, 8.5, times=60)


def shown(*arguments: str | Path, cwd: Path) -> tuple[int, str]:
    """Exit code, and all that a terminal would get."""
    done = frametime(*arguments, cwd=cwd)
    return done.code, done.shown


def shown_by_a_process(*arguments: str | Path, cwd: Path) -> tuple[int, str]:
    """The same from a process that is ended where it waits for ever."""
    done = subprocess.run(
        [*COMMAND, *map(str, arguments)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        cwd=cwd,
        env={**os.environ, **PLAIN},
        check=False,
        timeout=60,
    )
    return done.returncode, done.stdout.decode("utf-8")


def assert_harmless(text: str) -> None:
    odd = {sign for sign in text if unicodedata.category(sign) in {"Cc", "Cf", "Cs"} and sign != "\n"}
    assert not odd
    assert "run\n1" not in text
    assert "Traceback" not in text


@pytest.mark.parametrize("content", [LOG, "bad\n1\n", "", LOG + "x,\x1b[31m\u202e\n" * 9 + LOG])
@pytest.mark.parametrize("options", [[], ["--json"], ["--quiet"], ["--explain"], ["--verbose"]])
def test_check(content: str, options: list[str], tmp_path: Path) -> None:
    (tmp_path / f"{ODD}.csv").write_text(content, encoding="utf-8")
    code, text = shown("check", f"{ODD}.csv", *options, cwd=tmp_path)
    assert code == (0 if content == LOG else 3)
    assert_harmless(text)


def test_batch(tmp_path: Path) -> None:
    folder = tmp_path / f"captures{ODD}"
    (folder / ODD).mkdir(parents=True)
    (folder / ODD / f"{ODD}.csv").write_text(LOG)
    (folder / f"broken{ODD}.csv").write_text("")
    (folder / os.fsdecode(b"bytes\xff.csv")).write_text(LOG)
    for ending in ("csv", "jsonl", "parquet"):
        code, text = shown("batch", folder, "--out", f"{ODD}.{ending}", cwd=tmp_path)
        assert code == 4
        assert "2 measured, 1 failed" in text
        assert_harmless(text)
    code, text = shown("batch", folder, "--out", f"{ODD}.csv", cwd=tmp_path)
    assert code == 3 and "the file exists" in text
    assert_harmless(text)


def write_runs(folder: Path, card: str, runs: tuple[str, ...], text: str = LOG) -> None:
    for run in runs:
        path = folder / "captures" / card / "harbor" / "1440p" / f"run{run}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)


def test_a_plan_with_an_odd_name_is_refused(tmp_path: Path) -> None:
    write_runs(tmp_path, f"birch{ODD}", ("1", "2"))
    code, text = shown("plan", "captures", "--out", "plan.toml", cwd=tmp_path)
    assert code == 3 and "which holds a line end or control character" in text
    assert_harmless(text)
    assert not (tmp_path / "plan.toml").exists()


def test_review_of_runs_with_odd_names(tmp_path: Path) -> None:
    for card in ("amber", "birch"):
        write_runs(tmp_path, card, ("1", "2", "3"))
    assert shown("plan", "captures", "--out", "plan.toml", cwd=tmp_path)[0] == 0
    write_runs(tmp_path, "birch", (f"4{ODD}",))
    write_runs(tmp_path, "birch", (f"5{ODD}", os.fsdecode(b"6\xff")), text="")
    write_runs(tmp_path, f"cedar{ODD}", ("1",))
    for options, expected in ((["--coverage"], 0), (["--out", f"result{ODD}", "--no-charts"], 4)):
        code, text = shown("review", "plan.toml", *options, cwd=tmp_path)
        assert_harmless(text)
        assert code == expected, text
    for name in ("report.md", "result.json", "report.html"):
        written = (tmp_path / f"result{ODD}" / name).read_text("utf-8")
        assert "\u202e" not in written and "\x1b" not in written, name


def test_circles_of_links_end(tmp_path: Path) -> None:
    folder = tmp_path / "captures"
    folder.mkdir()
    (folder / "run1.csv").write_text(LOG)
    (folder / "again").symlink_to(folder)
    (folder / "a.csv").symlink_to("b.csv")
    (folder / "b.csv").symlink_to("a.csv")
    (folder / "gone.csv").symlink_to("nowhere.csv")
    code, text = shown("batch", folder, "--out", "runs.jsonl", cwd=tmp_path)
    assert code == 4
    assert "1 measured, 3 failed" in text
    assert text.count("Too many levels of symbolic links") == 2 and "there is no such file" in text


def test_pipes_and_devices_are_not_waited_for(tmp_path: Path) -> None:
    folder = tmp_path / "captures"
    folder.mkdir()
    (folder / "run1.csv").write_text(LOG)
    os.mkfifo(folder / "pipe.csv")
    os.mkfifo(folder / "pipe")
    (folder / "zero.csv").symlink_to("/dev/zero")
    (folder / "null.csv").symlink_to("/dev/null")
    code, text = shown_by_a_process("batch", folder, "--out", "runs.jsonl", cwd=tmp_path)
    assert code == 4
    assert "1 measured, 3 failed" in text
    assert "pipe.csv: this is a pipe, not a file" in text
    assert text.count("this is not a file") == 2


@pytest.mark.parametrize(("name", "depth"), [("d" * 100, 60), ("d", 1500)])
def test_a_path_too_deep_is_told(name: str, depth: int, tmp_path: Path) -> None:
    """Longer than the system takes in one name, or deeper than Python calls itself."""
    folder = tmp_path / "captures"
    folder.mkdir()
    (folder / "run1.csv").write_text(LOG)
    script = "import os, sys\nfor _ in range(int(sys.argv[2])):\n    os.mkdir(sys.argv[1])\n    os.chdir(sys.argv[1])\n"
    subprocess.run([sys.executable, "-c", script, name, str(depth)], cwd=folder, check=True)
    try:
        code, text = shown("batch", folder, "--out", "runs.jsonl", cwd=tmp_path)
        assert_harmless(text)
        assert "1 measured" in text
        told = text.count("this folder cannot be listed")
        assert (code, told) in {(0, 0), (4, 1)}
        assert all(len(line) < 400 for line in text.splitlines())
    finally:
        # pytest cannot remove what is deeper than a path may be long.
        shutil.move(folder / name, tmp_path / "deep")
        subprocess.run(["rm", "-rf", str(tmp_path / "deep")], check=True)


FORMULAS = r"$\frac{1}{0$ ^a^ ==b== $`c`$"


@pytest.mark.skipif(sys.platform == "win32", reason="such names cannot be made there")
def test_names_that_look_like_formulas_are_shown_as_they_are(tmp_path: Path) -> None:
    """A matplotlib that read mathematics would end at this name; Markdown that reads it would hide a part."""
    for card in ("amber", "$x_{1$"):
        write_runs(tmp_path, card, ("1", "2"))
    plan = """
        title = 'T $x^2$'
        baseline = "amber"
        resolutions = ["1440p"]
        [captures]
        folder = "captures"
        [[cards]]
        key = "amber"
        [[cards]]
        key = '$x_{1$'
        label = 'NAME'
        [[scenes]]
        key = "harbor"
    """
    (tmp_path / "plan.toml").write_text(plan.replace("NAME", FORMULAS), encoding="utf-8")
    arguments = ("review", "plan.toml", "--out", "result", "--format", "svg", "--format", "pdf", "--only", "ratios")
    code, text = shown(*arguments, "--workers", "1", cwd=tmp_path)
    assert code == 0, text
    words = (tmp_path / "result" / "report.md").read_text("utf-8")
    assert r"\$x\^2\$" in words
    for mark in ("$", "^", "=="):
        assert not re.search(rf"(?<!\\){re.escape(mark)}", re.sub(r"(`+)(?!`).*?(?<!`)\1(?!`)", "", words)), mark
    (tmp_path / f"run {FORMULAS}.csv").write_text(LOG)
    for ending in ("png", "svg"):
        assert shown("check", f"run {FORMULAS}.csv", "--plot", f"x.{ending}", cwd=tmp_path)[0] == 0
