"""What the paths of captures say: which piece is the card, the scene, the resolution and the run.

Every path is taken apart at its folders and at ``-``, ``_``, ``.`` and spaces. Resolutions and dates are known by their
values. The run is a small number that repeats across the tree. What is left are names, and two of them cross: every
card meets every scene. Where two ways to read the paths fit, both are given, and a person chooses.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from frametime.errors import PlanError
from frametime.plans.path_pattern import PathPattern
from frametime.plans.resolutions import RESOLUTION

LOG_ENDINGS: Final = (".csv", ".tsv", ".txt", ".log", ".json", ".jsonl", ".ndjson", ".arrow", ".feather", ".parquet")
_PACKED_ENDINGS: Final = ("", ".gz", ".zst", ".bz2", ".xz")

_ENDING: Final = re.compile(
    rf"(?:{'|'.join(map(re.escape, LOG_ENDINGS))})(?:{'|'.join(map(re.escape, _PACKED_ENDINGS))})$", re.IGNORECASE
)
_SEPARATORS: Final = "-_. ()[]#"
_RUN_WORD: Final = re.compile(
    r"(?<![^\W_])(?:runs?|takes?|pass|try|attempt|round|rep|repeat|iteration|iter|lap|r|lauf|durchgang|essai)"
    r"[-_ #.]{0,2}0*\d{1,3}(?![^\W_])",
    re.IGNORECASE,
)
_STAMP: Final = re.compile(
    r"""(?<![^\W_])(?:
        (?:19|20)\d\d([-_.]?)(?:0[1-9]|1[0-2])\1(?:0[1-9]|[12]\d|3[01])
      | (?:0?[1-9]|[12]\d|3[01])([-_.])(?:0?[1-9]|1[0-2])\2(?:19|20)\d\d
    )(?:[T_ -]{1,3}(?:[01]\d|2[0-3])[-_.:h]?[0-5]\d(?:[-_.:m]?[0-5]\d)?s?)?(?![^\W_])
    | (?<![^\W_])\d{6,14}(?![^\W_])""",
    re.IGNORECASE | re.VERBOSE,
)
_TOKEN: Final = re.compile(rf"[^{re.escape(_SEPARATORS)}]+")
_MODEL: Final = re.compile(r"\d|(?<![a-z])(?:gpu|card)(?![a-z])", re.IGNORECASE)
_NO_NAMES: Final = frozenset(
    (
        "captures",
        "capture",
        "logs",
        "log",
        "frames",
        "frametimes",
        "frame_times",
        "data",
        "results",
        "bench",
        "run",
        "runs",
    )
)
_MOST_RUNS: Final = 60

_Item: TypeAlias = tuple[str, str]  # kind ("text", "resolution", "stamp", "run", "literal") and what stands there
_Mean: TypeAlias = "list[str] | str"  # a field, "*", "literal", "=3" (as the piece at 3), or two fields in a row
_Means: TypeAlias = "Mapping[int, _Mean]"
_Splits: TypeAlias = "dict[int, dict[str, tuple[str, str]] | None]"
_RunFinder: TypeAlias = Callable[[str, bool], "tuple[int, int] | None"]


@dataclass(frozen=True, kw_only=True)
class PathReading:
    """One way to read the paths: the pattern, and the fields of each path that it fits."""

    pattern: PathPattern
    fields: Mapping[str, Mapping[str, str]]

    def values(self, field: str) -> set[str]:
        """What stands for a field in any path."""
        return {fields[field] for fields in self.fields.values() if field in fields}


def is_log(name: str) -> bool:
    """Whether a name ends as logs do."""
    return _ENDING.search(name) is not None


def read_paths(names: Sequence[str]) -> tuple[PathReading, ...]:
    """Every way in which the paths can be read: none, one that is plain, or two between which a person chooses.

    Parameters
    ----------
    names : sequence of str
        Paths below the captures folder, with ``/``.

    Examples
    --------
    >>> reading, = read_paths([f"{card}-{scene}-QHD-{run}.csv" for card in ("GPU-70", "GPU-80")
    ...                        for scene in ("harbor", "paper-lanterns") for run in (1, 2)])
    >>> reading.pattern.text, sorted(reading.values("card"))
    ('{card}-{scene}-{resolution}-{run}.csv', ['GPU-70', 'GPU-80'])
    """
    found: list[PathReading] = []
    for is_sure, finder in _run_finders(names):
        readings = [reading for reading in _readings(names, finder) if _says_enough(reading)]
        found += readings
        # A number that leaves one card only may be part of its name: both ways are shown.
        if is_sure or (readings and all(_stands_by_itself(one) for one in readings)):
            break
    return _without_doubles(found)


def fields_by_pattern(pattern: PathPattern, names: Sequence[str]) -> dict[str, dict[str, str]]:
    """The fields of the paths that fit a pattern; where two names join, they part so that cards cross scenes."""
    known = {"resolution": RESOLUTION.pattern, "run": r"\d{1,3}"}
    for fields_told in (("resolution", "run"), ("resolution",), ("run",), ()):
        told: dict[str, str] = {field: known[field] for field in fields_told if field in pattern.fields}
        plain = {name: fields for name in names if (fields := pattern.told(told).match(name)) is not None}
        if plain or not told:
            break
    joined = re.search(rf"\{{(card|scene)\}}([{re.escape(_SEPARATORS)}]+)\{{(card|scene)\}}", pattern.text)
    if joined is None or joined[1] == joined[3]:
        return plain
    whole = PathPattern.parse(pattern.text.replace(joined[0], f"{{{joined[1]}}}")).told(told)
    texts = {name: fields for name in names if (fields := whole.match(name)) is not None}
    split = _crossing({fields[joined[1]] for fields in texts.values()}, separator=joined[2])
    if split is None:
        return plain
    return {
        name: {**fields, joined[1]: split[fields[joined[1]]][0], joined[3]: split[fields[joined[1]]][1]}
        for name, fields in texts.items()
    }


def _says_enough(reading: PathReading) -> bool:
    """Whether a name alone, without scene, resolution or run, is that of a card."""
    return len(reading.pattern.fields) > 1 or _are_models(reading.values("card"))


def _stands_by_itself(reading: PathReading) -> bool:
    """Whether the number of the run cannot well be the end of a card's name, as in ``Amber 1`` and ``Amber 2``."""
    cards, scenes = reading.values("card"), reading.values("scene")
    if len(cards) == 1:
        return False
    named = re.search(r"\{scene\}[^/{]*\{run\}", reading.pattern.text) is not None
    return not (named and len(scenes) == 1 and not _are_models(cards))


def _without_doubles(readings: Iterable[PathReading]) -> tuple[PathReading, ...]:
    """Readings that tell the same cells apart are one: the first."""
    kept: dict[frozenset[tuple[str, str, str]], PathReading] = {}
    for reading in readings:
        cells = frozenset((name, fields["card"], fields.get("scene", "")) for name, fields in reading.fields.items())
        kept.setdefault(cells, reading)
    most = max((len(reading.fields) for reading in kept.values()), default=0)
    return tuple(reading for reading in kept.values() if len(reading.fields) == most)


# Where the run stands


def _run_finders(names: Sequence[str]) -> Iterator[tuple[bool, _RunFinder]]:
    """Ways to find the run, the clearest first: by its word, as the last number, as another number, as none."""
    if sum(_RUN_WORD.search(name) is not None for name in names) * 2 > len(names):
        yield True, _worded_run
    for at in (-1, 0, -2, 1, -3, 2):
        yield False, _numbered(at)
    yield False, _number_behind_letters
    yield False, _folder_number
    yield False, _no_run


def _no_run(part: str, is_file: bool) -> None:
    return None


def _worded_run(part: str, is_file: bool) -> tuple[int, int] | None:
    found = _RUN_WORD.search(part)
    if found is None:
        return None
    number = re.search(r"\d+$", found[0])
    return (found.start() + number.start(), found.end()) if number is not None else None


def _numbered(at: int) -> _RunFinder:
    """The token of the file's name at this place, where it is a number."""

    def find(part: str, is_file: bool) -> tuple[int, int] | None:
        if not is_file:
            return None
        tokens = [token for token in _TOKEN.finditer(_masked(part)) if "\0" not in token[0]]
        if not -len(tokens) <= at < len(tokens) or not re.fullmatch(r"\d{1,3}", tokens[at][0]):
            return None
        return tokens[at].span()

    return find


def _number_behind_letters(part: str, is_file: bool) -> tuple[int, int] | None:
    found = re.search(r"(?<=[^\W\d_])\d{1,3}$", part) if is_file else None
    return found.span() if found is not None else None


def _folder_number(part: str, is_file: bool) -> tuple[int, int] | None:
    found = re.fullmatch(r"\d{1,3}", part)
    return found.span() if found is not None and not is_file else None


def _masked(part: str) -> str:
    """The part with dates and resolutions blotted out, letter for letter."""
    for known in (_STAMP, RESOLUTION):
        part = known.sub(lambda found: "\0" * len(found[0]), part)
    return part


# Pieces of a path, and names in them


def _readings(names: Sequence[str], find_run: _RunFinder) -> list[PathReading]:
    """Ways to read the paths with the run found in one way; none where it is no run."""
    shapes: dict[tuple[_Item, ...], dict[str, list[_Item]]] = defaultdict(dict)
    for name in names:
        items = _items(name, find_run)
        shapes[tuple(item if item[0] == "literal" else (item[0], "") for item in items)][name] = items
    shape, paths = _without_repeats(*max(shapes.items(), key=lambda item: len(item[1])))
    if len(paths) * 2 <= len(names) or any(kind == "run" for kind, _ in shape) is (find_run is _no_run):
        return []
    if find_run not in {_no_run, _worded_run} and not _are_runs(shape, paths):
        return []
    return [
        reading
        for pattern_items in _named(shape, list(paths.values()))
        if (reading := _checked(shape, pattern_items, paths, names)) is not None
    ]


def _items(name: str, find_run: _RunFinder) -> list[_Item]:
    """A path as pieces in their order: literals between them hold separators, run words and the ending."""
    ending = _ENDING.search(name)
    body, tail = (name[: ending.start()], ending[0]) if ending is not None else (name, "")
    parts = body.split("/")
    items: list[_Item] = []
    has_run = False
    for at, part in enumerate(parts):
        if at:
            items.append(("literal", "/"))
        spans: list[tuple[int, int, str]] = []
        for kind, known in (("stamp", _STAMP), ("resolution", RESOLUTION)):
            spans += [
                (*found.span(), kind)
                for found in known.finditer(part)
                if not any(start < found.end() and found.start() < end for start, end, _ in spans)
            ]
        run = find_run(part, at == len(parts) - 1) if not has_run else None
        if run is not None and not any(start < run[1] and run[0] < end for start, end, _ in spans):
            spans.append((*run, "run"))
            has_run = True
        items += _part_items(part, sorted(spans))
    items.append(("literal", tail))
    return _joined(items)


def _part_items(part: str, spans: Sequence[tuple[int, int, str]]) -> Iterator[_Item]:
    start = 0
    for begin, end, kind in [*spans, (len(part), len(part), "")]:
        text = part[start:begin]
        if (
            kind == "run"
            and (word := re.search(r"(?<![^\W_])[^\W\d_]+[-_ #.]*$", text))
            and _RUN_WORD.search(f"{word[0]}1")
        ):
            text, behind = text[: word.start()], word[0]
        else:
            behind = ""
        name = text.strip(_SEPARATORS) if spans else text
        if name:
            at = text.index(name)
            yield "literal", text[:at]
            yield "text", name
            yield "literal", text[at + len(name) :] + behind
        else:
            yield "literal", text + behind
        if kind:
            yield kind, part[begin:end]
        start = end


def _joined(items: Iterable[_Item]) -> list[_Item]:
    """Literals that follow one another as one, empty ones left out."""
    joined: list[_Item] = []
    for kind, text in items:
        if kind == "literal" and joined and joined[-1][0] == "literal":
            joined[-1] = (kind, joined[-1][1] + text)
        elif kind != "literal" or text:
            joined.append((kind, text))
    return joined


def _without_repeats(
    shape: tuple[_Item, ...], paths: dict[str, list[_Item]]
) -> tuple[tuple[_Item, ...], dict[str, list[_Item]]]:
    """Part a text that repeats an earlier one in front, as ``amber/amber_harbor_1.csv`` does."""
    texts = [at for at, (kind, _) in enumerate(shape) if kind == "text"]
    for at in texts:
        for earlier in (other for other in texts if other < at):
            rests = [items[at][1].removeprefix(items[earlier][1]) for items in paths.values()]
            gaps = {rest[: len(rest) - len(rest.lstrip(_SEPARATORS))] for rest in rests}
            shorter = all(len(rest) < len(items[at][1]) for rest, items in zip(rests, paths.values(), strict=True))
            if shorter and len(gaps) == 1 and "" not in gaps and all(rest.strip(_SEPARATORS) for rest in rests):
                (gap,) = gaps
                new = {
                    name: [
                        *items[:at],
                        ("text", items[earlier][1]),
                        ("literal", gap),
                        ("text", rest[len(gap) :]),
                        *items[at + 1 :],
                    ]
                    for (name, items), rest in zip(paths.items(), rests, strict=True)
                }
                return (*shape[:at], ("text", ""), ("literal", gap), ("text", ""), *shape[at + 1 :]), new
    return shape, paths


def _are_runs(shape: Sequence[_Item], paths: Mapping[str, list[_Item]]) -> bool:
    """Whether the numbers are those of runs: small, from 0 or 1 on in most cells, and met again across the tree."""
    at = [kind for kind, _ in shape].index("run")
    cells: dict[tuple[str, ...], set[int]] = defaultdict(set)
    for items in paths.values():
        cells[tuple(text.casefold() for i, (kind, text) in enumerate(items) if i != at and kind != "stamp")].add(
            int(items[at][1])
        )
    numbers = set().union(*cells.values())
    if min(numbers) > 1 or max(numbers) > _MOST_RUNS:
        return False
    return sum(min(runs) <= 1 for runs in cells.values()) * 4 >= 3 * len(cells)


def _named(shape: Sequence[_Item], paths: Sequence[list[_Item]]) -> list[dict[int, _Mean]]:
    """What each text of the shape stands for: a field, two fields in a row, or a wildcard; one entry a way."""
    places = [at for at, (kind, _) in enumerate(shape) if kind == "text"]
    values = {at: [items[at][1] for items in paths] for at in places}
    names = {at: {text.casefold() for text in values[at]} for at in places}
    means: dict[int, _Mean] = {}
    varying = [at for at in places if len(names[at]) > 1]
    for at in list(varying):
        for other in varying:
            if other == at or at not in varying:
                continue
            pairs = set(zip(values[other], values[at], strict=True))
            if len(pairs) == len(set(values[other])) and (len(set(values[at])) < len(set(values[other])) or other < at):
                # The other one says it already: the same text once more, or a maker above its cards.
                means[at] = f"={other}" if all(a == b for a, b in pairs) else "*"
                varying.remove(at)
    constant = [at for at in places if at not in varying and at not in means]
    if len(varying) > 2:
        return []
    if len(varying) == 2:
        return [_with_rest(means, constant, way) for way in _ways(varying[0], varying[1], shape, names)]
    if len(varying) == 1:
        at = varying[0]
        split = _crossing(set(values[at]))
        if split is not None:
            first, second = {a.casefold() for a, _ in split.values()}, {b.casefold() for _, b in split.values()}
            orders = _orders(first, second, outer_is_card=False)
            return [_with_rest(means, constant, {at: list(order)}) for order in orders]
    named = [*varying, *[at for at in reversed(constant) if not names[at] <= _NO_NAMES]]
    if not named or (not varying and len(named) > 2):
        return []
    named = named[:2]
    if len(named) == 1:
        return [_with_rest(means, constant, {named[0]: "card"})]
    ways = _ways(min(named), max(named), shape, names)
    return [_with_rest(means, constant, way) for way in ways[:1]]


def _with_rest(means: _Means, constant: Sequence[int], way: _Means) -> dict[int, _Mean]:
    return {**dict.fromkeys(constant, "literal"), **means, **way}


def _ways(first: int, second: int, shape: Sequence[_Item], names: Mapping[int, set[str]]) -> list[dict[int, _Mean]]:
    in_folders = any("/" in text for kind, text in shape[first:second] if kind == "literal")
    return [
        {first: order[0], second: order[1]} for order in _orders(names[first], names[second], outer_is_card=in_folders)
    ]


def _orders(first: set[str], second: set[str], *, outer_is_card: bool) -> list[tuple[str, str]]:
    """Which of two names is the card: the one with model numbers, else that of the outer folder, else either."""
    like_models = _are_models(first), _are_models(second)
    card_first, scene_first = ("card", "scene"), ("scene", "card")
    if like_models[0] != like_models[1]:
        return [card_first if like_models[0] else scene_first]
    return [card_first] if outer_is_card else [card_first, scene_first]


def _are_models(names: Collection[str]) -> bool:
    """Whether most names hold a number or the word for a card, as those of cards do (common practice, no source)."""
    return sum(_MODEL.search(text) is not None for text in names) * 2 > len(names)


def _crossing(texts: set[str], *, separator: str | None = None) -> dict[str, tuple[str, str]] | None:
    """Part every text in two so that the fronts and the backs cross: the way with the fewest of both.

    Returns
    -------
    dict or None
        Front and back of each text, or nothing where no parting has two fronts or two backs that cross.
    """
    best: tuple[int, dict[str, tuple[str, str]]] | None = None
    model = max(texts, key=lambda text: (len(_TOKEN.findall(text)), text))
    for gap in re.finditer(re.escape(separator) if separator else rf"[{re.escape(_SEPARATORS)}]+", model):
        front, back, between = model[: gap.start()], model[gap.end() :], gap[0]
        fronts = {text[: -len(between + back)] for text in texts if text.endswith(between + back)} - {""}
        backs = {text[len(front + between) :] for text in texts if text.startswith(front + between)} - {""}
        parts = {
            text: ways[0]
            for text in texts
            if len(ways := [(a, b) for a in fronts for b in backs if a + between + b == text]) == 1
        }
        if len(parts) == len(texts) and len(fronts) > 1 and len(backs) > 1:
            size = len(fronts) + len(backs)
            if best is None or size < best[0]:
                best = size, parts
    return best[1] if best is not None else None


def _checked(
    shape: Sequence[_Item],
    means: _Means,
    paths: Mapping[str, list[_Item]],
    names: Sequence[str],
) -> PathReading | None:
    """The reading, where every run has a place of its own; a date is part of it only where it must be."""
    kinds = [kind for kind, _ in shape]
    splits: _Splits = {
        at: _crossing({items[at][1] for items in paths.values()})
        for at, mean in means.items()
        if isinstance(mean, list)
    }
    for stamp in ["*", "session" if "run" in kinds else "run"][: 1 + ("stamp" in kinds)]:
        text = _pattern_text(shape, means, splits, next(iter(paths.values())), stamp)
        fields = {name: _fields(items, means, splits, stamp) for name, items in paths.items()}
        if len({tuple(one.items()) for one in fields.values()}) < len(fields):
            continue
        try:
            pattern = PathPattern.parse(text)
        except PlanError:
            return None
        told = pattern.with_values({field: {one[field] for one in fields.values()} for field in pattern.fields})
        if all(told.match(name) == one for name, one in fields.items()):
            return PathReading(pattern=pattern, fields=fields)
    return None


def _fields(
    items: Sequence[_Item],
    means: _Means,
    splits: _Splits,
    stamp: str,
) -> dict[str, str]:
    """What stands for each field in one path."""
    fields: dict[str, str] = {}
    for at, (kind, text) in enumerate(items):
        mean = means.get(at, kind) if kind in {"text", "stamp"} else kind
        split = splits.get(at)
        if isinstance(mean, list) and split is not None:
            fields |= dict(zip(mean, split[text], strict=True))
        elif isinstance(mean, str) and mean in {"card", "scene", "run", "resolution"}:
            fields.setdefault(mean, text)
        elif mean == "stamp" and stamp != "*":
            fields.setdefault(stamp, text)
    return fields


def _pattern_text(shape: Sequence[_Item], means: _Means, splits: _Splits, example: Sequence[_Item], stamp: str) -> str:
    text, resolved = "", False
    for at, (kind, shown) in enumerate(shape):
        mean = means.get(at, "") if kind == "text" else ""
        if kind == "literal":
            text += shown
        elif isinstance(mean, list):
            whole, split = example[at][1], splits[at] or {}
            front, back = split[whole]
            text += f"{{{mean[0]}}}{whole[len(front) : len(whole) - len(back)]}{{{mean[1]}}}"
        elif mean == "literal":
            text += example[at][1]
        elif mean.startswith("="):
            twin = means[int(mean[1:])]
            text += f"{{{twin}}}" if twin in {"card", "scene"} else "*"
        elif mean == "*" or (kind == "stamp" and stamp == "*") or (kind == "resolution" and resolved):
            text += "*"
        else:
            text += f"{{{mean or (stamp if kind == 'stamp' else kind)}}}"
        resolved |= kind == "resolution"
    return text
