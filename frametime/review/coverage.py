"""What the bench still has to do: cards x scenes x resolutions x runs, what is there, missing, or to repeat."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from frametime.review.design import ReviewDesign
from frametime.review.result_runs import Coverage, CoverageCell, Flag, RepeatReason, RunToMake, UnreadableFile
from frametime.review.run_set import PlacedRun, natural_order


def coverage_of(
    design: ReviewDesign,
    runs: Sequence[PlacedRun],
    flags: Mapping[str, Flag],
    unreadable: Sequence[UnreadableFile],
) -> Coverage:
    """Set the plan against what was found.

    A run counts as usable when it was read, is not excluded, not flagged, and not judged to be repeated. A cell is
    complete with as many usable runs as planned; runs beyond the plan make up for others.
    """
    cells = tuple(
        _cell(design, card.key, scene, resolution, runs, flags, unreadable)
        for card in design.cards
        for scene, resolution in design.cells
    )
    return Coverage(
        cells=cells,
        n_planned=sum(cell.n_planned for cell in cells),
        n_usable=sum(cell.n_usable for cell in cells),
        is_complete=all(not cell.to_make for cell in cells),
    )


def _cell(
    design: ReviewDesign,
    card: str,
    scene: str,
    resolution: str,
    runs: Sequence[PlacedRun],
    flags: Mapping[str, Flag],
    unreadable: Sequence[UnreadableFile],
) -> CoverageCell:
    place = (card, scene, resolution)
    members = sorted((run for run in runs if run.place == place), key=lambda run: natural_order(run.run))
    broken = [item for item in unreadable if (item.card, item.scene, item.resolution) == place]
    to_repeat = [found for run in members if (found := _repeat(run, design, flags)) is not None]
    to_repeat += [_to_make(place, item.run, "unreadable", f"It cannot be used: {item.error}") for item in broken]
    n_usable = len(members) + len(broken) - len(to_repeat)
    n_missing = max(0, design.runs_planned - len(members) - len(broken))
    missing = [
        _to_make(place, name, "missing", "There is no capture of this run.")
        for name in _free_names({run.run for run in members} | {item.run for item in broken}, n_missing)
    ]
    wanted = max(0, design.runs_planned - n_usable)
    return CoverageCell(
        card=card,
        scene=scene,
        resolution=resolution,
        n_planned=design.runs_planned,
        present=tuple(run.run for run in members),
        # Where more runs were made than planned, good ones make up for bad ones.
        to_make=tuple((to_repeat + missing)[:wanted]),
        n_usable=n_usable,
    )


def _repeat(run: PlacedRun, design: ReviewDesign, flags: Mapping[str, Flag]) -> RunToMake | None:
    if run.name in design.exclusions:
        return _to_make(run.place, run.run, "excluded", f"The plan leaves it out: {design.exclusions[run.name]}")
    if run.measured.judgement.word == "repeat this run":
        return _to_make(run.place, run.run, "judged", _sentence("; ".join(run.measured.judgement.reasons)))
    if run.name in flags:
        return _to_make(run.place, run.run, "flagged", flags[run.name].sentence)
    return None


def _to_make(place: tuple[str, str, str], run: str, reason: RepeatReason, sentence: str) -> RunToMake:
    return RunToMake(card=place[0], scene=place[1], resolution=place[2], run=run, reason=reason, sentence=sentence)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."


def _free_names(taken: set[str], n: int) -> list[str]:
    """The first numbers that no run bears yet, written as the others are (``02`` beside ``01``)."""
    width = max((len(name) for name in taken if name.isdecimal()), default=1)
    used = {int(name) for name in taken if name.isdecimal()}
    free: list[str] = []
    number = 1
    while len(free) < n:
        if number not in used:
            free.append(str(number).zfill(width))
        number += 1
    return free
