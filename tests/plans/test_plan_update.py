"""What is new in a folder is added to its plan; every edit and comment stays."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from drafted import draft_plan

from frametime.plans.plan import read_plan
from frametime.plans.plan_draft import update_plan
from tests.cli.run_cli import frametime

PLAN = """# my bench
title = "Two cards"   # a working title
baseline = "GPU-70"
resolutions = ["1440p"]  # the third comes later
runs = 1

[captures]
folder = "logs"
pattern = "{card}-{scene}-{resolution}-{run}.csv.gz"

[[cards]]
key = "GPU-70"
label = "The 70"  # as on the box
price = 499

[[cards]]
key = "GPU-80"

# scenes that everybody knows
[[scenes]]
key = "harbor"
"""


def write(folder: Path, *names: str) -> None:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).write_bytes(gzip.compress(b"frame_time_ms\n16.6\n16.7\n16.6\n"))


def test_new_cards_scenes_resolutions_and_runs_are_added(tmp_path: Path) -> None:
    write(
        tmp_path / "logs",
        *(
            f"{card}-{scene}-{resolution}-{run}.csv.gz"
            for card in ("GPU-70", "GPU-80", "Amber-6")
            for scene in ("harbor", "dry-canyon")
            for resolution in ("1440p", "2160p")
            for run in (1, 2)
        ),
    )
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    updated = update_plan(path)
    assert updated.added == ("card Amber 6", "scene Dry Canyon", "resolution 2160p", "runs 1 -> 2")
    kept = [line for line in PLAN.splitlines() if "resolutions" not in line and "runs = 1" not in line]
    lines = iter(updated.text.splitlines())
    assert all(line in lines for line in kept)  # each after the one before it
    assert "# the third comes later" in updated.text
    path.write_text(updated.text, encoding="utf-8")
    assert [card.label for card in read_plan(path).design.cards] == ["The 70", "GPU-80", "Amber 6"]
    assert update_plan(path).added == ()


def test_capitals_and_equal_resolutions_are_not_new(tmp_path: Path) -> None:
    write(
        tmp_path / "logs",
        "gpu-70-Harbor-QHD-1.csv.gz",
        "GPU-80-harbor-2560x1440-1.csv.gz",
        "GPU-70-harbor-1440p-2.csv.gz",
    )
    path = tmp_path / "plan.toml"
    path.write_text(PLAN.replace("runs = 1", "runs = 2"), encoding="utf-8")
    assert update_plan(path).added == ()


def test_a_drafted_plan_has_nothing_new(tmp_path: Path) -> None:
    names = (f"{card} {scene} {run}.csv.gz" for card in ("a1", "b2") for scene in ("x", "y") for run in (1, 2))
    write(tmp_path / "logs", *names)
    path = tmp_path / "plan.toml"
    path.write_text(draft_plan(tmp_path / "logs", beside=tmp_path).text, encoding="utf-8")
    assert update_plan(path).added == ()


def test_the_plan_of_one_card_takes_new_scenes_and_tells_what_does_not_fit(
    tmp_path: Path,
) -> None:
    write(tmp_path / "logs", "harbor-1.csv.gz", "harbor-2.csv.gz")
    path = tmp_path / "plan.toml"
    path.write_text(draft_plan(tmp_path / "logs", beside=tmp_path, card="Amber 6").text, encoding="utf-8")
    assert update_plan(path).added == ()
    write(tmp_path / "logs", "mill-1.csv.gz", "odd.csv.gz")
    done = frametime("plan", "--update", path)
    assert "odd.csv.gz: does not fit the pattern" in done.out
    assert "To take in what does not fit the pattern, change [captures] pattern" in done.out
    assert [scene.key for scene in read_plan(path).design.scenes] == ["harbor", "mill"]
    assert [card.key for card in read_plan(path).design.cards] == ["Amber 6"]


def test_a_copy_and_a_crash_that_come_later_are_excluded_under_the_names_of_the_plan(tmp_path: Path) -> None:
    scenes = ("mill", "harbor")
    names = [f"gpu-{card}-{scene}-1440p-{run}.csv" for card in (70, 80) for scene in scenes for run in (1, 2)]
    (tmp_path / "logs").mkdir()
    for at, name in enumerate(names):
        log = "frame_time_ms\n" + "".join(f"{16 + at / 10 + row % 7 / 10:.1f}\n" for row in range(900))
        (tmp_path / "logs" / name).write_text(log, encoding="utf-8")
    path = tmp_path / "plan.toml"
    text = PLAN.replace(".csv.gz", ".csv") + '\n[[scenes]]\nkey = "mill"\n'
    path.write_text(text.replace("runs = 1", "runs = 2"), encoding="utf-8")
    for name, later in ((names[1], "gpu-70-mill-1440p-2 - Kopie.csv"), (names[2], "gpu-70-harbor-1440p-1 crashed.csv")):
        (tmp_path / "logs" / later).write_bytes((tmp_path / "logs" / name).read_bytes())
    assert frametime("review", path, "--coverage").code == 3  # two captures of one run
    done = frametime("plan", "--update", path)
    assert "New: exclude GPU-70/mill/1440p/2 - Kopie, which carries the number 2, as another run does" in done.out
    assert "[captures] pattern" not in done.out
    assert len(read_plan(path).design.exclusions) == 2
    assert "Complete: every cell has its runs (8 usable, 8 planned)." in frametime("review", path, "--coverage").out
    assert update_plan(path).added == ()


def test_what_stands_in_for_a_run_that_the_plan_excludes_is_taken_in(tmp_path: Path) -> None:
    """To exclude it too would take from a complete review what its maker has measured again."""
    names = [f"GPU-{card}-harbor-1440p-{run}.csv.gz" for card in (70, 80) for run in (1, 2)]
    write(tmp_path / "logs", *names, "GPU-70-harbor-1440p-2 retest.csv.gz", "GPU-70-harbor-1440p-2 crashed.csv.gz")
    path = tmp_path / "plan.toml"
    excluded = '\n[[exclude]]\nrun = "GPU-70/harbor/*/2"\nreason = "an update ran"\n'
    path.write_text(PLAN.replace("runs = 1", "runs = 2") + excluded, encoding="utf-8")
    updated = update_plan(path)
    assert updated.added == ("exclude GPU-70/harbor/1440p/2 crashed, which says that the run failed",)
    assert not any("retest" in line for line in updated.draft.understood)
    path.write_text(updated.text, encoding="utf-8")
    write(tmp_path / "logs", "GPU-70-harbor-1440p-2 retest 2.csv.gz")
    (line,) = update_plan(path).added
    assert "/2 retest" in line and "which carries the number 2, as another run does" in line


def test_a_plan_saved_by_an_editor_of_another_system_is_updated_with_its_line_ends(tmp_path: Path) -> None:
    names = (f"{card}-{scene}-1440p-1.csv.gz" for card in ("GPU-70", "GPU-80") for scene in ("harbor", "canyon"))
    write(tmp_path / "logs", *names)
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PLAN.replace("\n", "\r\n").encode())
    done = frametime("plan", "--update", path)
    assert done.code == 0 and "New: scene Canyon" in done.out
    text = path.read_bytes().decode("utf-8-sig")
    assert 'key = "canyon"\r\n' in text
    assert text.count("\r\n") == text.count("\n")


WORDS = """title = "Few"
baseline = "amber six"
resolutions = ["1440p"]
runs = 1

[captures]
folder = "logs"
pattern = "{card} {scene} {resolution} {run}.csv.gz"

[[cards]]
key = "amber six"

[[scenes]]
key = "old harbor"

[[scenes]]
key = "mill"
"""


@pytest.mark.parametrize(
    ("names", "added"),
    [
        # The names that the plan has are not parted, however few files there are.
        (["amber six lake 1440p 1"], ("scene Lake",)),
        (["amber six old lake 1440p 1"], ("scene Old Lake",)),
        (["Amber-Six old harbor 1440p 1", "birch old harbor 1440p 1"], ("card Birch",)),
        (["birch nine old harbor 1440p 1"], ("card Birch Nine",)),
        (["amber six old harbor night 1440p 1"], ("scene Old Harbor Night",)),
        # Either name may be the plan's: the one that is new is that of most captures, or the shorter.
        (["amber six nine old harbor 1440p 1"], ("card Amber Six Nine",)),
        (["amber six x mill 1440p 1"], ("scene X Mill",)),
        (["amber six x mill 1440p 1", "amber six x old harbor 1440p 1"], ("card Amber Six X",)),
    ],
)
def test_names_of_several_words_that_the_plan_has_are_its_own(
    names: list[str], added: tuple[str, ...], tmp_path: Path
) -> None:
    write(tmp_path / "logs", *(f"{name}.csv.gz" for name in names))
    path = tmp_path / "plan.toml"
    path.write_text(WORDS, encoding="utf-8")
    assert update_plan(path).added == added
