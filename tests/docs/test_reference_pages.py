"""Keys, limits, caveats and parts: the pages to look things up name all that the program knows, and nothing else."""

from __future__ import annotations

import ast
import dataclasses
import re
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest

from frametime.adapters.base import ReadOptions
from frametime.adapters.columns.layout import Layout
from frametime.adapters.sensors.sensor_log import QUANTITIES, SensorLayout
from frametime.errors import LayoutError, PlanError
from frametime.plans.plan import parse_plan
from frametime.words import entries

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"


def part_of(page: str, heading: str = "") -> str:
    """The text below a heading, to the next of any level."""
    text = re.sub(r"^```.*?^```", "", (DOCS / page).read_text("utf-8"), flags=re.DOTALL | re.MULTILINE)
    return re.split(r"^#+ ", text.split(f"{heading}\n", 1)[1], maxsplit=1, flags=re.MULTILINE)[0] if heading else text


def words_in(text: str) -> set[str]:
    return set(re.findall(r"`([a-z][a-z0-9_-]*)`", text))


def first_cells(text: str) -> list[str]:
    """The first cell of each row of the tables in a text, without head and rule."""
    rows = re.findall(r"^\| (.+?) (?<!\\)\|", text, re.MULTILINE)
    return [cell for cell in rows if not set(cell) <= set("- |")]


# Layouts


def test_the_keys_of_a_layout() -> None:
    told = set().union(*(words_in(cell) for cell in first_cells(part_of("layout.md", "## Keys"))))
    assert told == {field.name for field in dataclasses.fields(Layout)}


def test_the_keys_of_a_sensor_layout() -> None:
    told = words_in(" ".join(first_cells(part_of("sensors.md", "## Which column is what")))) - {"_unit"}
    with pytest.raises(LayoutError, match="known keys are ") as caught:
        SensorLayout.from_toml("zzzzzzzz = 1\n", "x.toml")
    known = str(caught.value).partition("known keys are ")[2].split(", ")
    assert told | {f"{name}_unit" for name in QUANTITIES} == set(known)


def test_the_units_of_a_sensor_layout() -> None:
    (row,) = re.findall(r"^\| the same with `_unit` \| (.*) \|$", part_of("sensors.md"), re.MULTILINE)
    assert set(re.findall(r"`([^`]+)`", row)) == {unit for quantity in QUANTITIES.values() for unit in quantity.units}


# Plans

_SMALLEST = {
    "": 'title = "x"\nbaseline = "a"\nresolutions = ["r"]',
    "captures": '[captures]\npattern = "{card}/{scene}/{run}.csv"',
    "cards": '[[cards]]\nkey = "a"',
    "scenes": '[[scenes]]\nkey = "s"',
    "cuts": '[[cuts]]\nkey = "c"',
    "running_cost": "[running_cost]\ntariff_per_kwh = 1\nhours_per_day = 1",
    "publish": "[publish]",
    "measure": "[measure]",
    "order": "[order]",
    "shelf": '[shelf]\nfolder = "x"',
    "exclude": '[[exclude]]\nrun = "a/s/r/1"\nreason = "x"',
}


def known_keys(table: str) -> set[str]:
    """The keys of a table of the plan, as the refusal of an unknown one lists them."""
    parts = {**_SMALLEST, table: f"{_SMALLEST[table]}\nno_such_key = 1"}
    with pytest.raises(PlanError) as caught:
        parse_plan("\n".join(parts.values()), file_name="x.toml", folder=ROOT)
    _, _, listed = str(caught.value).partition("known keys are ")
    assert listed, caught.value
    return set(listed.split(", "))


def test_the_smallest_plan_is_one() -> None:
    assert tomllib.loads("\n".join(_SMALLEST.values()))
    assert parse_plan("\n".join(_SMALLEST.values()), file_name="x.toml", folder=ROOT).design.title == "x"


def test_the_keys_at_the_top_of_a_plan() -> None:
    told = words_in(" ".join(first_cells(part_of("plan.md", "## Keys at the top"))))
    assert told == known_keys("") - (set(_SMALLEST) - {""})


@pytest.mark.parametrize("table", ["cards", "scenes"])
def test_the_keys_of_cards_and_scenes(table: str) -> None:
    rows = re.findall(rf"^\| {table} \| (.+?) \|", part_of("plan.md", "## [[cards]] and [[scenes]]"), re.MULTILINE)
    assert words_in(" ".join(rows)) == known_keys(table)


def test_the_keys_of_captures() -> None:
    assert words_in(" ".join(first_cells(part_of("plan.md", "## [captures]")))) == known_keys("captures")


def test_the_keys_of_cuts() -> None:
    told = words_in(part_of("plan.md", "## [[cuts]]")) - {"all"}
    assert told == known_keys("cuts")


@pytest.mark.parametrize("table", ["running_cost", "publish", "measure", "order", "shelf", "exclude"])
def test_the_keys_of_the_other_tables(table: str) -> None:
    text = part_of("plan.md", "## [running_cost], [publish], [measure], [order], [shelf], [[exclude]]")
    rows = re.findall(rf"^\| {table} \| (.+?) \|", text, re.MULTILINE)
    assert words_in(" ".join(rows)) == known_keys(table)


# Limits of readers, files of a review


def test_the_limits_of_readers_and_their_defaults() -> None:
    text = part_of("reading.md", "## Limits")
    told = dict(re.findall(r"^\| `--[a-z-]+` \| `(\w+)` \| (.+?) \|$", text, re.MULTILINE))
    plain = {"MiB": 1 << 20, "GiB": 1 << 30, "columns": 1, "times": 1}
    assert set(told) == {field.name for field in dataclasses.fields(ReadOptions) if field.name.startswith("max_")} - {
        "max_rejected_fraction"
    }
    for name, words in told.items():
        number, unit = words.split()[:2]
        assert float(number) * plain[unit] == getattr(ReadOptions(), name), name


def test_the_files_of_a_review() -> None:
    told = set(re.findall(r"`([a-z_]+\.[a-z]+)`", part_of("review.md", "# From repeated runs to a verdict")))
    outputs = (ROOT / "frametime" / "pipeline" / "review_outputs.py").read_text("utf-8")
    made = set(re.findall(r'"([a-z_]+\.[a-z]+)"', outputs))
    assert len(made) > 5
    assert made <= told


# Caveats


def weights_by_code() -> dict[str, set[str]]:
    """Codes of the caveats that the package makes, with their weights where these are written out."""
    found: dict[str, set[str]] = defaultdict(set)
    for path in (ROOT / "frametime").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or getattr(node.func, "id", "") == "Note":
                continue
            given = {word.arg: word.value for word in node.keywords}
            codes = [part.value for part in ast.walk(given.get("code", ast.Pass())) if isinstance(part, ast.Constant)]
            weights = {
                part.attr.lower()
                for part in ast.walk(given.get("weight", ast.Pass()))
                if isinstance(part, ast.Attribute) and part.attr in {"NOTE", "CARE", "REPEAT"}
            }
            for code in codes:
                if isinstance(code, str) and code != "code" and re.fullmatch(r"[a-z]+(-[a-z]+)*", code):
                    found[code] |= weights
    for key, weight, _ in entries((ROOT / "frametime" / "review" / "caveats.txt").read_text("utf-8")):
        found[key.partition("/")[0]].add(weight)
    return found


def told_weights() -> dict[str, str]:
    rows = re.findall(r"^\| (`[a-z-]+`(?:, `[a-z-]+`)*) \| ([^|]+) \|", part_of("caveats.md"), re.M)
    return {code: weight for codes, weight in rows for code in re.findall(r"`([a-z-]+)`", codes)}


def test_every_caveat_has_a_row_with_its_weights() -> None:
    made, told = weights_by_code(), told_weights()
    assert len(made) > 70
    assert set(made) - set(told) == set()
    wrong = {
        code: (sorted(weights), told[code])
        for code, weights in made.items()
        if not all(weight in told[code] for weight in weights)
    }
    assert wrong == {}


# Parts of the package


def test_the_parts_that_a_newcomer_is_shown_are_those_there_are() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8").partition("| part | holds |")[2].partition("\n\n")[0]
    told = words_in(" ".join(first_cells(text)))
    there = {
        path.stem
        for path in (ROOT / "frametime").iterdir()
        if (path.suffix == ".py" and not path.stem.startswith("__")) or (path / "__init__.py").exists()
    }
    assert told == there


def test_the_files_that_a_newcomer_is_sent_to_exist() -> None:
    text = re.sub(r"^```.*?^```", "", (ROOT / "DEVELOPERS.md").read_text("utf-8"), flags=re.DOTALL | re.MULTILINE)
    named = re.findall(r"(?:`| )([a-z_.]+(?:/[a-z_*.]+)+\.(?:py|md))(?:`| )", text)
    assert len(named) > 15
    missing = [name for name in named if not [*ROOT.glob(name)] and not [*(ROOT / "frametime").glob(name)]]
    assert missing == []
