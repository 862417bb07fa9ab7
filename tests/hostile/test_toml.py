"""TOML that nests without end, or is as long as no person writes: refused in one line, soon."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from frametime.adapters.columns.layout import Layout
from frametime.adapters.sensors.sensor_log import SensorLayout
from frametime.errors import FrametimeError
from frametime.plans.plan import parse_plan
from frametime.settings.toml_source import load_toml
from frametime.tuning.record_text import parse_record

READERS: dict[str, Callable[[str], object]] = {
    "layout": lambda text: Layout.from_toml(text, "a.toml"),
    "sensor layout": lambda text: SensorLayout.from_toml(text, "a.toml"),
    "plan": lambda text: parse_plan(text, file_name="a.toml", folder=Path()),
    "tuning record": lambda text: parse_record(text, name="a.toml"),
}
TEXTS = {
    "arrays": "unit = " + "[" * 100_000,
    "closed arrays": "unit = " + "[" * 300 + "]" * 300,
    "tables in tables": "unit = " + "{a=" * 100_000,
    "a dotted key": ".".join(["a"] * 50_000) + " = 1",
    "a spaced dotted key": " . ".join(['"a"'] * 50_000) + " = 1",
    "a dotted header": "[" + ".".join(["a"] * 50_000) + "]",
    "a dotted key inside": "unit = {" + ".".join(["a"] * 50_000) + " = 1}",
    "digits": "unit = " + "9" * 1_000_000,
    "an open text": 'unit = """' + "x" * 5_000_000,
    "lines": "\n" * 5_000_000,
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("text", TEXTS)
def test_it_is_refused_in_one_line(reader: str, text: str) -> None:
    with pytest.raises(FrametimeError) as refused:
        READERS[reader](TEXTS[text])
    said = str(refused.value)
    assert said.startswith("a.toml: ") and "\n" not in said and len(said) < 600


def test_the_limits_are_parameters() -> None:
    assert load_toml("a.b.c = 1") == {"a": {"b": {"c": 1}}}
    with pytest.raises(ValueError, match="a key has more than 2 parts"):
        load_toml("a.b.c = 1", max_key_parts=2)
    with pytest.raises(ValueError, match="it has 5 characters, at most 4 are read"):
        load_toml("a = 1", max_characters=4)


def test_dots_in_texts_and_comments_are_no_key() -> None:
    text = f'# {"." * 200}\na = "{"." * 200}"  # 1.2.3'
    assert load_toml(text) == {"a": "." * 200}
