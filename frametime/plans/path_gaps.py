"""Paths of which some lack a piece that others have: a resolution, or the number that a file manager gives a copy.

The piece is put in where it is missing, the paths are read as if all had it, and in the pattern it stands in ``< >``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Final, NamedTuple

from frametime.plans.path_pattern import AGAIN, UNNAMED, PathPattern, resolution_name
from frametime.plans.path_reading import LOG_ENDING, SEPARATORS, TOKEN, PathReading, known_spans, read_alike

_COPY: Final = re.compile(r"(?P<first>.*[^\s_])(?P<gap>[ _]?)\(\d{1,2}\)(?P<ending>\.[^/]*)", re.DOTALL)
_AGAIN: Final = re.compile(rf"(?i)(?P<first>.*[^\s_-])(?P<gap>[ _-]| - )(?!first){AGAIN}(?P<ending>\.[^/]*)", re.DOTALL)
WORD_OF_COPY: Final = re.compile(
    r"(?<![^/])(?:copy of|kopie von) |(?: - (?:copy|kopie)| copy)(?: \(?\d{1,2}\)?)?(?=\.)", re.IGNORECASE
)
_STAND_IN: Final = "000p"
"""A resolution that no display has."""
_LEAST_SHARE: Final = 0.25
"""Where fewer paths lack a resolution, they are odd ones out and passed over: a habit shows in more."""


class _Gap(NamedTuple):
    """A piece that some paths lack: how a pattern reads with it, how where it may be missing, and every path, as it is,
    by what it would be with the piece."""

    field: str
    full: str
    maybe: str
    real: Mapping[str, str]


def read_paths(names: Sequence[str], *, is_one_card: bool = False) -> tuple[PathReading, ...]:
    """Every way in which the paths can be read: none, one that is plain, or several between which a person chooses.

    Parameters
    ----------
    names : sequence of str
        Paths below the captures folder, with ``/``.
    is_one_card : bool
        All are of one card, and the paths name scenes alone.

    Examples
    --------
    >>> reading, = read_paths([f"{card}/{scene}{copy}.csv" for card in ("GPU-70", "GPU-80")
    ...                        for scene in ("harbor", "canyon") for copy in ("", " (2)")])
    >>> reading.pattern.text, reading.fields["GPU-70/harbor.csv"]["run"], reading.fields["GPU-70/harbor (2).csv"]["run"]
    ('{card}/{scene}< ({run})>.csv', '1', '2')
    """
    whole = {*names}
    names = [name for name in names if (first := WORD_OF_COPY.sub("", name)) == name or first not in whole]
    gap = None
    for copy, run in ((_COPY, "({})"), (_AGAIN, "{}")):
        copies = {name: found for name in names if (found := copy.fullmatch(name)) is not None}
        firsts = [name for name in names if name not in copies]
        if gap is None and {found["first"] + found["ending"] for found in copies.values()} & set(firsts):
            plain = read_alike(firsts, is_one_card=is_one_card)
            if plain and all("run" in reading.pattern.fields for reading in plain):
                return read_paths(firsts, is_one_card=is_one_card)  # runs have numbers: a copy of one is none
            gap = _gap_of_copies(copies, firsts, run)
    gap = gap or _gap_of_resolutions(names)
    readings = () if gap is None else tuple(_with_gap(gap, read_paths(list(gap.real), is_one_card=is_one_card)))
    return readings or read_alike(names, is_one_card=is_one_card)


def _gap_of_copies(copies: Mapping[str, re.Match[str]], firsts: Sequence[str], written: str) -> _Gap | None:
    """What marks all runs but the first, as in ``harbor (2)`` or ``harbor retest`` beside ``harbor``."""
    gap, *others = {found["gap"] for found in copies.values()}
    if others:
        return None
    real = {name: name for name in copies}
    for name in firsts:
        stem = LOG_ENDING.sub("", name)
        # The first is run 1, or 0 where a browser has begun to count at the second.
        run = "first" if written == "{}" else 0 if f"{stem}{gap}(1){name[len(stem) :]}" in copies else 1
        real[f"{stem}{gap}{written.format(run)}{name[len(stem) :]}"] = name
    full = gap + written.format("{run}")
    return _Gap("run", full, f"<{full}>", real)


def _gap_of_resolutions(names: Sequence[str]) -> _Gap | None:
    """Resolutions in the names of some files, all parted alike and at one place, and of which many files have none."""
    parts = {name: _around_resolution(name) for name in names}
    whole = [found for found in parts.values() if found is not None]
    n_lacking = len(names) - len(whole)
    # A name that has got a stand-in and is read without it still will never be read with one.
    elsewhere = any(found is None and (_STAND_IN in name or _resolutions_of(name)) for name, found in parts.items())
    if not whole or elsewhere or n_lacking < _LEAST_SHARE * len(names) or n_lacking == 0:
        return None
    before, parting, after = ({n for n, _, _ in whole}, {way for _, way, _ in whole}, {n for _, _, n in whole})
    if len(parting) != 1 or (len(before) != 1 and len(after) != 1):
        return None
    left, right = parting.pop()
    real, gaps = {}, set()
    for name, found in parts.items():
        body = LOG_ENDING.sub("", name)
        tokens = list(TOKEN.finditer(body, body.rfind("/") + 1))
        at = len(tokens) - min(after) if len(after) == 1 else min(before)
        if found is not None:
            real[name] = name
        elif 0 <= at <= len(tokens):
            start = tokens[at - 1].end() if at > 0 else body.rfind("/") + 1
            end = tokens[at].start() if at < len(tokens) else len(body)
            gaps.add(body[start:end])
            real[f"{body[:start]}{left}{_STAND_IN}{right}{name[end:]}"] = name
    full, gap = f"{left}{{resolution}}{right}", gaps.pop() if len(gaps) == 1 else None
    if gap is None or len(real) < len(names) or not (full.endswith(gap) or full.startswith(gap)):
        return None
    kept = len(full) - len(gap)
    maybe = f"<{full[:kept]}>{gap}" if full.endswith(gap) else f"{gap}<{full[len(gap) :]}>"
    return _Gap("resolution", full, maybe, real)


def _resolutions_of(name: str) -> list[tuple[int, int]]:
    """Where resolutions stand in a path."""
    return [(start, end) for start, end, kind in known_spans(LOG_ENDING.sub("", name)) if kind == "resolution"]


def _around_resolution(name: str) -> tuple[int, tuple[str, str], int] | None:
    """How many pieces of a file's name stand before its one resolution, what parts it from others, and how many behind.

    ``None`` where there is none, or it is that of a folder.
    """
    body, spans = LOG_ENDING.sub("", name), _resolutions_of(name)
    if len(spans) != 1 or spans[0][0] <= body.rfind("/"):
        return None
    before, behind = body[body.rfind("/") + 1 : spans[0][0]], body[spans[0][1] :]
    parting = before[len(before.rstrip(SEPARATORS)) :], behind[: len(behind) - len(behind.lstrip(SEPARATORS))]
    return len(TOKEN.findall(before)), parting, len(TOKEN.findall(behind))


def _with_gap(gap: _Gap, readings: Sequence[PathReading]) -> Iterator[PathReading]:
    """The readings for the paths as they are.

    Where those without a resolution may have the one that the others name, both ways are given: a resolution of their
    own, and the same for all.
    """
    for reading in readings:
        own = {
            gap.real[name]: {key: UNNAMED if value == _STAND_IN else value for key, value in fields.items()}
            for name, fields in reading.fields.items()
        }
        lacking = {real for name, real in gap.real.items() if real != name}
        ways = [(gap.maybe, own)]
        named = {fields["resolution"] for fields in own.values() if "resolution" in fields} - {UNNAMED}
        if gap.field == "resolution" and len(set(map(resolution_name, named))) == 1:
            text = named.pop() if len(named) == 1 else "*"
            bare = {name: {k: v for k, v in fields.items() if k != "resolution"} for name, fields in own.items()}
            if len({tuple(fields.items()) for fields in bare.values()}) == len(bare):
                ways.append((gap.maybe.replace("{resolution}", text), bare))
        for maybe, fields in ways:
            pattern = PathPattern.parse(reading.pattern.text.replace(gap.full, maybe))
            found = PathReading(pattern=pattern, fields=fields)
            known = pattern.with_values({field: found.values(field) for field in pattern.fields})
            seen = {
                name: {k: v for k, v in one.items() if k != gap.field or name not in lacking}
                for name, one in fields.items()
            }
            if gap.full in reading.pattern.text and all(known.match(name) == one for name, one in seen.items()):
                yield found
