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


def test_the_limits_are_the_last_that_is_read() -> None:
    assert list(load_toml(f"{'.'.join('a' * 64)} = 1")) == ["a"]
    with pytest.raises(ValueError, match="a key has more than 64 parts"):
        load_toml(f"{'.'.join('a' * 65)} = 1")
    longest = "a = 1".ljust(4_000_000)
    assert load_toml(longest) == {"a": 1}
    with pytest.raises(ValueError, match="it has 4000001 characters, at most 4000000 are read"):
        load_toml(f"{longest} ")


def test_dots_in_texts_and_comments_are_no_key() -> None:
    text = f'# {"." * 200}\na = "{"." * 200}"  # 1.2.3'
    assert load_toml(text) == {"a": "." * 200}
