"""The pages review the same captures again and again: the same bytes are measured once for all of them."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from frametime.pipeline import measuring_many
from frametime.pipeline.measuring import MeasureOutcome, MeasureRequest, measure_one

_outcomes: dict[tuple[str, ...], MeasureOutcome] = {}


def _digest(path: str | None) -> str:
    return "" if path is None or not Path(path).is_file() else hashlib.sha256(Path(path).read_bytes()).hexdigest()


def _measured_once(request: MeasureRequest) -> MeasureOutcome:
    """What ``measure_one`` answers to the same request about the same bytes."""
    key = (repr(request), _digest(request.path), _digest(request.sensors))
    if key not in _outcomes:
        _outcomes[key] = measure_one(request)
    return _outcomes[key]


@pytest.fixture(autouse=True)
def same_bytes_are_measured_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measuring_many, "measure_one", _measured_once)
