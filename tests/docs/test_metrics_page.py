"""``docs/metrics.md`` and the catalog, ``docs/caveats.md`` and the code: each names what the other does."""

from __future__ import annotations

import ast
import re
from fractions import Fraction
from pathlib import Path

import pytest

from frametime.caveats import caveat_titles
from frametime.metrics.catalog import CATALOG, catalog_for
from frametime.metrics.metric import Metric
from frametime.metrics.options import MeasureOptions, Refresh
from frametime.words import entries

ROOT = Path(__file__).parents[2]
METRICS_PAGE = (ROOT / "docs" / "metrics.md").read_text("utf-8")
CAVEATS_PAGE = (ROOT / "docs" / "caveats.md").read_text("utf-8")


def all_metrics() -> dict[str, Metric]:
    found: dict[str, Metric] = {}
    for low_hz in (60, 48):
        refresh = Refresh(low_hz=Fraction(low_hz), high_hz=Fraction(60))
        found |= catalog_for(MeasureOptions(refresh=refresh))
    return found


NO_SOURCE = "common practice, no source"


def told() -> dict[str, tuple[str, str, str]]:
    """Of each key what stands in brackets, the definition, and the source; keys may share all three.

    A source stands whole where it comes first, and further down by its first words.
    """
    found: dict[str, tuple[str, str, str]] = {}
    above, whole = "", [NO_SOURCE]
    for item in re.split(r"^(?=\* `|## )", METRICS_PAGE, flags=re.MULTILINE)[1:]:
        text = " ".join(item.split())
        if text.startswith("## "):
            above = ""
            continue
        told = re.fullmatch(r"\* (`\w+`(?:, `\w+`)*) \((.*?)\): (.+?)\.(?: \*Source:\* (.+)\.)?", text)
        assert told, text
        keys, brackets, definition, source = told.groups()
        if source != "the same":
            named = [text for text in whole if text.startswith(source or NO_SOURCE)] or [source]
            above = source if source in named else named[0]
            whole.append(above)
        for key in re.findall(r"\w+", keys):
            assert key not in found
            found[key] = brackets, definition, above
    return found


def test_each_metric_stands_on_the_page_once() -> None:
    assert set(told()) == set(all_metrics())
    assert [key for key in told() if key in CATALOG] == list(CATALOG)


@pytest.mark.parametrize("key", sorted(all_metrics()))
def test_each_says_unit_what_is_better_and_its_source(key: str) -> None:
    metric, (brackets, definition, source) = all_metrics()[key], told()[key]
    *_, unit, better = re.split(r", (?![^`]*`$)", brackets)
    assert unit.strip("`") == metric.unit
    assert better == metric.better
    assert len(definition) > 10
    assert source == metric.source


CAVEAT_MAKERS = {"Caveat", "sensor_caveat", "tell", "told", "noted"}
"""Names of what makes a caveat; its code comes first, or by its keyword."""


def caveat_codes(folder: Path) -> set[str]:
    codes = set()
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", getattr(node.func, "attr", "")) in CAVEAT_MAKERS:
                told = [*node.args[:1], *(word.value for word in node.keywords if word.arg == "code")]
                codes |= {value.value for value in told if isinstance(value, ast.Constant)}
    for path in folder.rglob("caveats.txt"):
        codes |= {key.partition("/")[0] for key, *_ in entries(path.read_text("utf-8"))}
    return codes


def test_every_caveat_of_the_metrics_is_explained() -> None:
    rows = re.findall(r"^\| (`[a-z-]+`(?:, `[a-z-]+`)*) \|", CAVEATS_PAGE, flags=re.MULTILINE)
    written = {code for row in rows for code in re.findall(r"[a-z-]+", row)}
    codes = caveat_codes(ROOT / "frametime" / "metrics")
    assert len(codes) > 10
    assert codes <= written
    of_sensor_texts = {f"sensor-{code}" for code in caveat_codes(ROOT / "frametime" / "adapters" / "text")}
    assert written <= caveat_codes(ROOT / "frametime") | of_sensor_texts | set(caveat_titles())
