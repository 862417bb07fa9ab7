"""What a capture is worth, in one word and with its reasons: it opens every quick check."""

from __future__ import annotations

from collections.abc import Sequence

from frametime.caveats import Caveat, Weight
from frametime.metrics.metric import Judgement


def judge(caveats: Sequence[Caveat], *, n_frames: int, duration_s: float) -> Judgement:
    """The heaviest caveat decides, and the reasons are the messages of all caveats that weigh as much.

    Lighter caveats stay in the list of caveats: a run that must be repeated is not read in detail.

    Parameters
    ----------
    caveats : sequence of Caveat
        Of the reader and of all checks.
    n_frames : int
    duration_s : float
        What a usable run rests on.

    Examples
    --------
    >>> gap = Caveat(code="gap", message="No frame for 3.2 s.", weight=Weight.REPEAT)
    >>> judge([gap], n_frames=900, duration_s=13.2)
    Judgement(word='repeat this run', reasons=('no frame for 3.2 s',))
    >>> judge([], n_frames=900, duration_s=10.0)
    Judgement(word='usable', reasons=('900 frames in 10.0 s and nothing against them',))
    """
    repeat = [caveat for caveat in caveats if caveat.weight is Weight.REPEAT]
    if repeat:
        return Judgement(word="repeat this run", reasons=_reasons(repeat))
    care = [caveat for caveat in caveats if caveat.weight is Weight.CARE]
    if care:
        return Judgement(word="usable with care", reasons=_reasons(care))
    return Judgement(word="usable", reasons=(f"{n_frames} frames in {duration_s:.1f} s and nothing against them",))


def _reasons(caveats: Sequence[Caveat]) -> tuple[str, ...]:
    """Messages as parts of one sentence: a small letter at the start, unless a name stands there, no full stop."""
    reasons = []
    for caveat in caveats:
        text = caveat.message.removesuffix(".")
        is_plain_word = text[:1].isupper() and (text[1:2].islower() or text[1:2] == " ")
        reasons.append(text[:1].lower() + text[1:] if is_plain_word else text)
    return tuple(reasons)
