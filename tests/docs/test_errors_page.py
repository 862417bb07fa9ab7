"""``docs/errors.md`` and the code: a heading with a real example for each kind of error, and every exit code."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import pytest

from frametime import errors
from frametime.cli import EXIT_CODES

PAGE = (Path(__file__).parents[2] / "docs" / "errors.md").read_text("utf-8")
KINDS = sorted(
    name
    for name, kind in inspect.getmembers(errors, inspect.isclass)
    if issubclass(kind, errors.FrametimeError) and kind is not errors.FrametimeError
)


def sections() -> dict[str, str]:
    parts = re.split(r"^## (\w+Error)$", PAGE, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def test_one_heading_for_each_kind_of_error() -> None:
    assert len(KINDS) > 5
    assert sorted(sections()) == KINDS


@pytest.mark.parametrize("name", KINDS)
def test_each_section_shows_a_message_and_what_helps(name: str) -> None:
    section = sections()[name]
    shown = "\n".join(re.findall(r"^```console\n(.*?)^```$", section, flags=re.DOTALL | re.MULTILINE))
    if name == "SensorError":  # it costs the numbers of the sensors alone, and no command ends with it
        assert "no sensor numbers: sensors.csv: " in shown
    else:
        assert re.search(r"^(frametime|Error): ", shown, flags=re.MULTILINE)
        assert re.search(r"^\[exit [23]\]$", shown, flags=re.MULTILINE)
    assert "What helps:" in section


def test_the_exit_codes_are_those_of_the_program() -> None:
    listed = re.findall(r"^\| (\d+) \| ", PAGE, flags=re.MULTILINE)
    told = re.findall(r"(?:^|[:;] |;\n)(\d+) (?=[a-z])", EXIT_CODES)
    assert len(told) > 5
    assert listed == told
