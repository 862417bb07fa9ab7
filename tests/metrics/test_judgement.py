"""The judgement: the heaviest caveat decides."""

from __future__ import annotations

import pytest

from frametime.caveats import Caveat, Weight
from frametime.metrics.measure import judge


def caveat(message: str, weight: Weight) -> Caveat:
    return Caveat(code="made", message=message, weight=weight)


NOTE, CARE, REPEAT = (caveat(f"A {weight}.", weight) for weight in Weight)


@pytest.mark.parametrize(
    ("caveats", "word", "reasons"),
    [
        ([], "usable", ("600 frames in 6.0 s and nothing against them",)),
        ([NOTE, NOTE], "usable", ("600 frames in 6.0 s and nothing against them",)),
        ([NOTE, CARE, CARE], "usable with care", ("a care", "a care")),
        ([CARE, REPEAT, NOTE], "repeat this run", ("a repeat",)),
    ],
)
def test_the_heaviest_decides(caveats: list[Caveat], word: str, reasons: tuple[str, ...]) -> None:
    found = judge(caveats, n_frames=600, duration_s=6.0)
    assert (found.word, found.reasons) == (word, reasons)


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        ("No frame for 3 s.", "no frame for 3 s"),
        ("GPU times are missing.", "GPU times are missing"),
        ("16 rows were left out.", "16 rows were left out"),
        ("", ""),
    ],
)
def test_messages_become_parts_of_a_sentence(message: str, reason: str) -> None:
    assert judge([caveat(message, Weight.CARE)], n_frames=1, duration_s=1.0).reasons == (reason,)
