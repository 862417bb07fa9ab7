"""What a capture is worth, in one word and with its reasons: it opens every quick check."""

from __future__ import annotations

from collections.abc import Sequence

from frametime.caveats import Caveat, Weight
from frametime.metrics.metric import Judgement


def judge(caveats: Sequence[Caveat]) -> Judgement:
    """The heaviest caveat decides, and the reasons are the messages of all caveats that weigh that much.

    Lighter caveats stay in the list of caveats: a run that must be repeated is not read in detail.

    Examples
    --------
    >>> judge([Caveat(code="gap", message="no frame for 3.2 s", weight=Weight.REPEAT)]).word
    'repeat this run'
    >>> judge([])
    Judgement(word='usable', reasons=())
    """
    repeat = tuple(caveat.message for caveat in caveats if caveat.weight is Weight.REPEAT)
    if repeat:
        return Judgement(word="repeat this run", reasons=repeat)
    care = tuple(caveat.message for caveat in caveats if caveat.weight is Weight.CARE)
    if care:
        return Judgement(word="usable with care", reasons=care)
    return Judgement(word="usable", reasons=())
