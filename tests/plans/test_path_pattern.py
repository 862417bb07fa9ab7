"""The path pattern finds runs, gives back their fields, and never leaves its folder."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametime.errors import PlanError
from frametime.plans.path_pattern import PathPattern

NAMES = st.text(st.characters(whitelist_categories=("Ll", "Nd", "Lu")), min_size=1, max_size=8)


@given(card=NAMES, scene=NAMES, run=NAMES)
def test_what_is_put_in_comes_out(card: str, scene: str, run: str) -> None:
    pattern = PathPattern.parse("{card}/{scene}/run_{run}.csv")
    values = {"card": card, "scene": scene, "run": run}
    assert pattern.match(pattern.path_of(values)) == values


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("../{card}.csv", "'.' or '..'"),
        ("{card}/../../{run}.csv", "'.' or '..'"),
        ("/data/{card}.csv", "absolute"),
        ("C:/data/{card}.csv", "absolute"),
        ("{card}\\{run}.csv", "backslash"),
        ("", "empty"),
        ("{card}//{run}.csv", "empty part"),
        ("{crad}/{run}.csv", "did you mean '{card}'"),
        ("{card/{run}.csv", "brace"),
        ("{run}{scene}.csv", "between two fields"),
    ],
)
def test_a_pattern_that_could_lead_elsewhere_is_refused(text: str, words: str) -> None:
    with pytest.raises(PlanError, match=r"plan\.toml: line 4") as caught:
        PathPattern.parse(text, where="plan.toml: line 4")
    assert words in str(caught.value)


@pytest.mark.parametrize("value", ["..", ".", "", "a/b", "a\\b"])
def test_a_value_that_could_lead_elsewhere_is_refused(value: str) -> None:
    with pytest.raises(PlanError):
        PathPattern.parse("{card}/run1.csv").path_of({"card": value})


def test_a_path_outside_never_fits() -> None:
    pattern = PathPattern.parse("{card}/{run}.csv")
    assert pattern.match("../1.csv") is None
    assert pattern.match("a/b/1.csv") is None
    assert pattern.match("a/1.csv.bak") is None


def test_a_field_that_stands_twice_must_agree() -> None:
    pattern = PathPattern.parse("{card}/{card}_{run}.csv")
    assert pattern.match("amber/amber_1.csv") == {"card": "amber", "run": "1"}
    assert pattern.match("amber/birch_1.csv") is None


def test_files_are_found_in_order_and_links_to_folders_are_not_followed(tmp_path: Path) -> None:
    inside = tmp_path / "captures"
    for name in ("b/run2.csv", "b/run10.csv", "a/run1.csv", "a/notes.txt"):
        (inside / name).parent.mkdir(parents=True, exist_ok=True)
        (inside / name).touch()
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "run1.csv").touch()
    (inside / "c").symlink_to(outside, target_is_directory=True)
    found = list(PathPattern.parse("{card}/run{run}.csv").glob(inside))
    assert [values for _, values in found] == [
        {"card": "a", "run": "1"},
        {"card": "b", "run": "10"},
        {"card": "b", "run": "2"},
    ]


@pytest.mark.parametrize("name", ["run1.csv", "Run1.CSV", "RUN1.Csv"])
def test_capitals_of_the_text_between_the_fields_do_not_matter(name: str) -> None:
    """Systems on which they do not write them as they like; those of values stay."""
    pattern = PathPattern.parse("Logs/{card}/run{run}.csv")
    assert pattern.match(f"logs/Amber/{name}") == {"card": "Amber", "run": "1"}


def test_a_star_stands_for_text_inside_one_name() -> None:
    pattern = PathPattern.parse("{card}/*_{run}.csv*")
    assert pattern.match("amber/long name_3.csv.gz") == {"card": "amber", "run": "3"}
    assert pattern.match("amber/x/y_3.csv") is None


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("*-" * 30 + "end.csv", "-" * 250 + ".csv"),
        ("{card}/{scene}/run{run}" + "*-" * 30 + ".csv", "a/b/run" + "1-" * 120 + ".cs"),
        ("{card}-{scene}-{resolution}-{driver}-{operating_system}-{run}.csv", "-" * 250 + ".cs"),
        ("*" * 60 + ".csv", "a" * 250),
    ],
)
def test_a_name_that_does_not_fit_is_told_at_once(text: str, name: str) -> None:
    pattern = PathPattern.parse(text)
    begin = time.perf_counter()
    assert pattern.match(name) is None
    assert time.perf_counter() - begin < 1.0


WILD = st.lists(st.sampled_from(["*", "-", "a", "/"]), max_size=5).map("".join)


@given(pieces=st.tuples(WILD, WILD, WILD, WILD), again=st.booleans(), name=st.text("-a/", min_size=1, max_size=14))
def test_the_fields_are_those_of_trying_every_parting(
    pieces: tuple[str, str, str, str], again: bool, name: str
) -> None:
    head, middle, between, tail = pieces
    text = head + "{card}" + middle + "-{scene}" + between + ("-{card}" if again else "-{run}") + tail
    try:
        pattern = PathPattern.parse(text)
    except PlanError:
        return
    expression, seen = "", set()
    for piece in re.findall(r"\{\w+\}|.", text):
        field = piece.strip("{}")
        if piece == field:
            expression += r"[^/\\]*" if piece == "*" else re.escape(piece)
        else:
            expression += f"(?P={field})" if field in seen else rf"(?P<{field}>[^/\\]+?)"
            seen.add(field)
    found = re.fullmatch(expression, name)
    assert pattern.match(name) == (None if found is None else found.groupdict())
