"""Runs under equal conditions: putting them together, and refusing what does not belong together."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frametime.caveats import Caveat
from frametime.errors import RunSetError, printable
from frametime.metrics.metric import MeasuredRun
from frametime.review.design import ALWAYS_EQUAL, EQUAL_WHERE_ASKED, AtPlace, Place, ReviewDesign, named
from frametime.review.result import Flag, RunEntry
from frametime.review.sentence import caveat_of

ZERO: Final = 1e-12
"""A value up to this counts as zero: no metric in its unit is that small, and its log would drown all others."""

_LONGEST_NUMBER: Final = 300
"""Digits; names with longer ones are put in order as text, since Python refuses to read numbers of thousands."""


@dataclass(frozen=True, kw_only=True)
class PlacedRun(AtPlace):
    """A measured run at its place in the plan.

    ``start_h`` is when it was made, in hours since 1970, where that is known. ``taken_off`` holds for metrics what is
    taken off the log of its value before it is compared, such as a drift of the session.
    """

    name: str
    run: str
    measured: MeasuredRun
    start_h: float | None = None
    taken_off: Mapping[str, float] = field(default_factory=dict)

    def value(self, key: str) -> float | None:
        """Value of a metric, less what is taken off; ``None`` when the run has none."""
        found = self.measured.values.get(key)
        value = None if found is None else found.value
        return value if value is None or key not in self.taken_off else value * math.exp(-self.taken_off[key])


@dataclass(frozen=True, kw_only=True)
class RunSet(AtPlace):
    """Repeats under equal conditions, in the order in which they were made where that is known.

    ``order`` says what that order rests on: ``time`` or ``name``.
    """

    runs: tuple[PlacedRun, ...]
    order: str

    def values(self, key: str) -> tuple[float | None, ...]:
        """A metric over the runs."""
        return tuple(run.value(key) for run in self.runs)

    def log_values(self, key: str) -> NDArray[np.float64] | None:
        """Natural logs of a metric over the runs that have it; ``None`` when one is zero or below, or none has it."""
        present = [value for value in self.values(key) if value is not None]
        return np.log(np.array(present, np.float64)) if present and min(present) > ZERO else None


def run_name(card: str, scene: str, resolution: str, run: str) -> str:
    """The name under which a plan and every output know a run.

    Examples
    --------
    >>> run_name("amber-6", "harbor", "1440p", "2")
    'amber-6/harbor/1440p/2'
    """
    return f"{card}/{scene}/{resolution}/{run}"


def natural_order(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts ``run2`` before ``run10``."""
    return tuple(
        (0, int(part), "") if part.isdecimal() and len(part) <= _LONGEST_NUMBER else (1, 0, part)
        for part in re.split(r"(\d+)", name)
        if part
    )


def gather(runs: Iterable[PlacedRun]) -> dict[Place, RunSet]:
    """Put runs together by card, scene and resolution.

    Raises
    ------
    RunSetError
        When runs of one set were not made under the same conditions: the message names field and files.
    """
    sets: dict[Place, list[PlacedRun]] = defaultdict(list)
    for run in runs:
        sets[run.place].append(run)
    return {place: _run_set(place, members) for place, members in sets.items()}


def _run_set(place: Place, members: Sequence[PlacedRun]) -> RunSet:
    first = members[0].measured
    for other in members[1:]:
        for name in first.conditions.differences(other.measured.conditions):
            raise _differs(name, first, other.measured, "runs of one set must have the same")
    times = {run.name: run.measured.provenance.recorded_from_utc for run in members}
    runs, order = sorted(members, key=lambda run: natural_order(run.run)), "name"
    if None not in times.values():
        runs, order = sorted(members, key=lambda run: times[run.name] or ""), "time"
    return RunSet(**named(place), runs=tuple(runs), order=order)


def refuse_unequal(candidate: RunSet, baseline: RunSet, *, must_be_equal: Sequence[str]) -> None:
    """Refuse two sets whose difference would not be that of the cards.

    Raises
    ------
    RunSetError
        When scene, resolution, scene settings, or a condition that the plan names, differ.
    """
    one, other = candidate.runs[0].measured, baseline.runs[0].measured
    for name in one.conditions.differences(other.conditions):
        if name in ALWAYS_EQUAL or name in must_be_equal:
            raise _differs(name, other, one, "a comparison needs the same")


def caveats_of_all(design: ReviewDesign, sets: Mapping[Place, RunSet], runs: Sequence[PlacedRun]) -> list[Caveat]:
    """Conditions that may differ with a warning and are not the same everywhere, and the same bytes under two names."""
    caveats = []
    for name in sorted(set(EQUAL_WHERE_ASKED) - set(design.must_be_equal)):
        by_value: dict[str, dict[str, None]] = defaultdict(dict)
        for run_set in sets.values():
            value = getattr(run_set.runs[0].measured.conditions, name)
            by_value["not known" if value is None else str(value)][design.label(run_set.card)] = None
        if len(by_value) > 1:
            listed = "; ".join(f"{value}: {', '.join(cards)}" for value, cards in by_value.items())
            caveats.append(caveat_of(f"{name.replace('_', '-')}-differs", listed=listed))
    return caveats + same_bytes(runs)


def same_bytes(runs: Iterable[PlacedRun], name: str = "") -> list[Caveat]:
    """Runs of the same bytes, or those of the run of this name: copies look more alike than runs are."""
    by_hash: dict[str, list[str]] = defaultdict(list)
    for run in runs:
        by_hash[run.measured.provenance.sha256].append(run.name)
    copies = [names for names in by_hash.values() if len(names) > 1 and name in ("", *names)]
    return [caveat_of("same-file-twice", names=" and ".join(names)) for names in copies]


def run_entry(run: PlacedRun, flags: Mapping[str, Flag], design: ReviewDesign) -> RunEntry:
    """The run as the result keeps it."""
    measured = run.measured
    return RunEntry(
        **{name: getattr(run, name) for name in ("name", "card", "scene", "resolution", "run")},
        **{name: getattr(measured, name) for name in ("provenance", "n_frames", "duration_s", "caveats", "findings")},
        values={key: item.value for key, item in measured.values.items()},
        missing_reasons={key: item.reason for key, item in measured.values.items() if item.reason is not None},
        flag=flags.get(run.name),
        excluded_reason=design.exclusions.get(run.name),
        session=design.shelved.get(run.card),
        judgement=measured.judgement.word,
        judgement_reasons=measured.judgement.reasons,
        curves=measured.curves,
    )


def _differs(name: str, one: MeasuredRun, other: MeasuredRun, rule: str) -> RunSetError:
    words = name.replace("_", " ")
    values = [getattr(run.conditions, name) for run in (other, one)]
    found, expected = ("not known" if value is None else f"'{printable(str(value), limit=80)}'" for value in values)
    return RunSetError.at(
        other.provenance.file_name,
        f"{words} {'are' if words.endswith('s') else 'is'} {found}, but {expected} in "
        f"{printable(one.provenance.file_name)}",
        helps=f"{rule} {words}",
    )
