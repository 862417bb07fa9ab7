"""Runs as the result keeps them, and runs that are one and the same file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from frametime.caveats import Caveat, Weight
from frametime.review.result_runs import Flag, RunEntry
from frametime.review.run_set import PlacedRun


def run_entry(run: PlacedRun, flags: Mapping[str, Flag], exclusions: Mapping[str, str]) -> RunEntry:
    """The run as the result keeps it."""
    measured = run.measured
    return RunEntry(
        name=run.name,
        card=run.card,
        scene=run.scene,
        resolution=run.resolution,
        run=run.run,
        provenance=measured.provenance,
        n_frames=measured.n_frames,
        duration_s=measured.duration_s,
        values={key: item.value for key, item in measured.values.items()},
        missing_reasons={key: item.reason for key, item in measured.values.items() if item.reason is not None},
        flag=flags.get(run.name),
        excluded_reason=exclusions.get(run.name),
        judgement=measured.judgement.word,
        judgement_reasons=measured.judgement.reasons,
        caveats=measured.caveats,
        findings=measured.findings,
        curves=measured.curves,
    )


def same_file_caveats(runs: Sequence[PlacedRun]) -> list[Caveat]:
    """The same bytes under two names: a copied file makes runs look more alike than they are."""
    by_hash: dict[str, list[str]] = {}
    for run in runs:
        by_hash.setdefault(run.measured.provenance.sha256, []).append(run.name)
    return [
        Caveat(
            code="same-file-twice",
            message=f"The runs {' and '.join(names)} hold the same bytes: one of them is a copy.",
            weight=Weight.REPEAT,
        )
        for names in by_hash.values()
        if len(names) > 1
    ]
