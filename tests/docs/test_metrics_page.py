"""``docs/metrics.md`` and the catalog, ``docs/caveats.md`` and the code: each names what the other does."""

from __future__ import annotations

import ast
import re
from fractions import Fraction
from pathlib import Path

import pytest

from frametime.caveats import CAVEAT_TITLES
from frametime.metrics.catalog.catalog import CATALOG, catalog_for
from frametime.metrics.metric import Metric
from frametime.metrics.options import MeasureOptions, Refresh

ROOT = Path(__file__).parents[2]
METRICS_PAGE = (ROOT / "docs" / "metrics.md").read_text("utf-8")
CAVEATS_PAGE = (ROOT / "docs" / "caveats.md").read_text("utf-8")


def all_metrics() -> dict[str, Metric]:
    found: dict[str, Metric] = {}
    for low_hz in (60, 48):
        refresh = Refresh(low_hz=Fraction(low_hz), high_hz=Fraction(60))
        found |= catalog_for(MeasureOptions(refresh=refresh))
    return found


def sections() -> dict[str, str]:
    """The section of each key; keys of one unit and one source may share a section."""
    parts = re.split(r"^### (`\w+`(?:, `\w+`)*)$", METRICS_PAGE, flags=re.MULTILINE)
    told = [
        (key, section)
        for keys, section in zip(parts[1::2], parts[2::2], strict=True)
        for key in re.findall(r"\w+", keys)
    ]
    assert len(dict(told)) == len(told)
    assert all(section.count("* Source: ") == 1 for _, section in told)
    return dict(told)


def test_one_section_for_each_metric() -> None:
    assert set(sections()) == set(all_metrics())
    assert [key for key in sections() if key in CATALOG] == list(CATALOG)


@pytest.mark.parametrize("key", sorted(all_metrics()))
def test_each_section_says_unit_formula_edge_cases_and_source(key: str) -> None:
    metric, section = all_metrics()[key], " ".join(sections()[key].split())
    assert f"(UCUM `{metric.unit}`); {metric.better} is better." in section
    assert "* Formula: " in section
    assert "* Edge cases: " in section
    assert f"* Source: {metric.source}." in section


CAVEAT_MAKERS = {"Caveat", "metric_caveat", "sensor_caveat", "told"}
"""Names of what makes a caveat; its code comes first, or by its keyword."""


def caveat_codes(folder: Path) -> set[str]:
    codes = set()
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", getattr(node.func, "attr", "")) in CAVEAT_MAKERS:
                told = [*node.args[:1], *(word.value for word in node.keywords if word.arg == "code")]
                codes |= {value.value for value in told if isinstance(value, ast.Constant)}
    return codes


def test_every_caveat_of_the_metrics_is_explained() -> None:
    rows = re.findall(r"^\| (`[a-z-]+`(?:, `[a-z-]+`)*) \|", CAVEATS_PAGE, flags=re.MULTILINE)
    written = {code for row in rows for code in re.findall(r"[a-z-]+", row)}
    codes = caveat_codes(ROOT / "frametime" / "metrics")
    assert len(codes) > 10
    assert codes <= written
    of_sensor_texts = {f"sensor-{code}" for code in caveat_codes(ROOT / "frametime" / "adapters" / "text")}
    assert written <= caveat_codes(ROOT / "frametime") | of_sensor_texts | set(CAVEAT_TITLES)
