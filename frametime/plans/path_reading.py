"""What the paths of captures say: which piece is the card, the scene, the resolution and the run.

Every path is taken apart at its folders and at ``-``, ``_``, ``.`` and spaces. Resolutions and dates are known by their
values. The run is a small number that repeats across the tree. What is left are names, and two of them cross: every
card meets every scene. Where two ways to read the paths fit, both are given, and a person chooses.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import combinations, permutations
from typing import Final, Literal, NamedTuple, TypeAlias

from frametime.adapters.file_kind import COMPRESSION_ENDINGS, TABLE_ENDINGS, TEXT_ENDINGS
from frametime.errors import PlanError
from frametime.plans.path_pattern import FIELDS, KNOWN, RESOLUTION, RUN_WORDS, PathPattern, resolution_name, spelling

LOG_ENDINGS: Final = tuple(sorted((TABLE_ENDINGS | TEXT_ENDINGS) - {""}))
LOG_ENDING: Final = re.compile(
    rf"(?:{'|'.join(map(re.escape, LOG_ENDINGS))})(?:{'|'.join(map(re.escape, sorted(COMPRESSION_ENDINGS)))})?$",
    re.IGNORECASE,
)
SEPARATORS: Final = "-_. ()[]#,@+"
_MARKS: Final = re.escape(SEPARATORS)
_WORD_OF_RUN: Final = (
    r"(?<![^\W_])(?:runs?|takes?|pass|try|attempt|round|rep|repeat|iteration|iter|lap|r|lauf|durchlauf|durchgang|messung"
    r"|essai|passage|prueba|prova|pr[oó]ba|прогон)[-_ #.]{0,2}"
)
_IN_WORDS: Final = "|".join(RUN_WORDS)
_RUN_WORD: Final = re.compile(
    rf"{_WORD_OF_RUN}(?P<run>0*\d{{1,3}}|(?<!(?<![^\W_])r)(?:{_IN_WORDS}))(?![^\W_])", re.IGNORECASE
)
_RUN_SIGN: Final = re.compile(r"[#(](?P<run>0*\d{1,3})(?![^\W_])(?!.*/)")
_WORD_IN_FRONT: Final = re.compile(rf"{_WORD_OF_RUN}$", re.IGNORECASE)
_SESSION_WORD: Final = re.compile(
    r"(?<![^\W_])(?:sessions?|days?|series|sets?|trials?|tests?|tag|serie|jour)"
    r"[-_ #.]{0,2}(?P<run>0*\d{1,3})(?![^\W_])",
    re.IGNORECASE,
)
"""Where nothing else is the run, what was repeated as a whole is."""
MONTH: Final = (
    r"(?:jan|feb|m[aä]r|apr|ma[iy]|jun|jul|aug|sept?|o[ck]t|nov|de[cz])(?:r?uary?|z|ch|il|[eiy]|ust|em?ber|ober)?"
)
_SITTING: Final = re.compile(
    r"(?i)(?<![^\W_])(?:(?:sessions?|days?|tag|jour|giorno)[-_ #.]{0,2}\d{1,3}|morning|afternoon|evening|mittwoch"
    r"|(?:mon|tues?|wed(?:nes)?|thu(?:rs)?|fri|sat(?:ur)?|sun)(?:day)?|(?:mon|diens|donners|frei|sams|sonn)tag"
    rf"|(?:lun|mar|mercre|jeu|vendre|same)di|dimanche|{MONTH})(?![^\W_])"
)
"""Where every path has one, it says when the captures were made; a scene may have such a word in its name."""
_SETTING: Final = re.compile(
    r"(?:very |ultra ?)?(?:low|high)|medium|ultra|epic|max|min|extreme|normal|default|native|(?:up)?scaled|quality"
    r"|balanced|performance|niedrig|mittel|hoch|dx1[12]|v\d+|v?\d+(?:\.\d+)+|\d+ ?(?:%|pct|w|fps|hz)|(?:un)?capped"
    r"|(?:driver|treiber|bios|patch|version) ?\d.*|(?:rt|ray ?tracing|hdr|v ?sync)(?: (?:low|high))?"
    r"|(?:no|with|without) .+|.+ (?:on|off|preset|settings)"
)
_DRIVER: Final = re.compile(r"(?:graphics |gpu )?(?:driver|treiber)[-_ ]?v?\d.*|v?\d\d+(?:\.\d+)+", re.IGNORECASE)
_NUMBER: Final = re.compile(r"第?(?P<run>\d{1,3})(?:of\d{1,3}|回目?|次|차)?")  # 1of3; first time, in three scripts
_COUNTED: Final = re.compile(rf"(?P<run>\d{{1,3}}|{_IN_WORDS})", re.IGNORECASE)
_FIRST_NUMBER: Final = re.compile(r"(?<![^\W_])(?P<run>\d{1,3})(?![^\W_])(?!.*/)")
_LAST_DIGITS: Final = re.compile(r"(?<=[^\W\d_])(?P<run>\d{1,3})$")
_FOLDER_NUMBER: Final = re.compile(rf"(?:^|(?<=/)){_NUMBER.pattern}(?=/)")
_STAMP: Final = re.compile(
    r"""(?<![^\W_])(?:
        (?:0?[1-9]|[12]\d|3[01])[-_. ]{0,2}MONTH(?:[-_. ]{0,2}(?:20)?\d\d)?
      | MONTH[-_. ]?(?:\d\d?[-_., ]{1,2})?20\d\d | 20\d\d[-_. ]?MONTH(?:[-_. ]?\d\d?)?
      | \d\d(?P<point>[-_.])\d\d(?P=point)\d\d
      | (?:19|20)\d\d([-_.]?)(?:0[1-9]|1[0-2])\2(?:0[1-9]|[12]\d|3[01])
      | (?:0?[1-9]|[12]\d|3[01])([-_.])(?:0?[1-9]|1[0-2])\3(?:19|20)\d\d
    )(?:[T_ -]{1,3}(?:[01]\d|2[0-3])[-_.:h]?[0-5]\d(?:[-_.:m]?[0-5]\d)?s?)?(?![^\W_])
    | (?<=20\d\d/)(?:0[1-9]|1[0-2])(?=/) | (?<=20\d\d/\d\d/)(?:0[1-9]|[12]\d|3[01])(?=/)
    | (?<![^\W_])(?:\d{6,14}|(?:week|wk|kw|woche)[-_ ]?\d{1,2}|(?:[01]?\d|2[0-3])h[0-5]\d)(?![^\W_])
    """.replace("MONTH", MONTH),
    re.IGNORECASE | re.VERBOSE,
)
_BLOT: Final = "\0"
TOKEN: Final = re.compile(rf"[^{_MARKS}/\0]+")
_MODEL: Final = re.compile(r"\d|(?<![a-z])(?:gpu|card)(?![a-z])", re.IGNORECASE)
_INDEX: Final = re.compile(r"\A(?:0\d[-_. ]+|\d{1,2}[.)] ?)(?=[^\W\d_])|(?<![^\W_])v\d+(?:\.\d+)*\Z", re.IGNORECASE)
_SCENE: Final = re.compile(r"(?:scene|game|level|map|szene|spiel|scène|escena|jeu)[-_ ]*\d{1,2}", re.IGNORECASE)
_NO_NAME: Final = re.compile(r"captures?|logs?|frames|frame_?times|data|results|bench|runs?")
_BETWEEN_WORDS: Final = r"(?<=[^\W_A-Z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])"
_FOLDER_END: Final = re.compile(r"(?<=[-_ #.])(?P<run>\d{1,3})(?=/[^/]*$)")
_MOST_RUNS: Final = 60
_MOST_CARDS: Final = 20
_MOST_OF_ALL: Final = 0.9
"""Share of the captures that count their runs in letters or words, below which these may be names: of scenes, say.
Where a reading fits no more than this share, another way to find the run may fit more of them."""

_RunFinder: TypeAlias = Callable[[str], "re.Match[str] | None"]
"""Finds the run in a path without its ending: a match with the group ``run``, in front of which its word may stand."""


class _Column(NamedTuple):
    """A piece that all paths have: what it is (literal, text, resolution, stamp, run), and its text in each path."""

    kind: str
    texts: tuple[str, ...]

    def names(self) -> set[str]:
        """The texts without capitals, one for each `spelling`."""
        return set({spelling(text): text.casefold() for text in self.texts}.values())


_Roles: TypeAlias = Mapping[int, str]
"""Columns of text by their number, and what they stand for: a field, or ``*``; a column without one is the same text
in all paths."""


class PathReading(NamedTuple):
    """One way to read the paths: the pattern, and the fields of each path that it fits."""

    pattern: PathPattern
    fields: Mapping[str, Mapping[str, str]]

    def values(self, field: str) -> set[str]:
        """What stands for a field in any path."""
        return {fields[field] for fields in self.fields.values() if field in fields}


def read_alike(names: Sequence[str], *, is_one_card: bool = False) -> tuple[PathReading, ...]:
    """Every way in which paths of the same pieces can be read: none, one that is plain, or two.

    Parameters
    ----------
    names : sequence of str
        Paths below the captures folder, with ``/``.
    is_one_card : bool
        All are of one card, and the paths name scenes alone.

    Examples
    --------
    >>> reading, = read_alike([f"{card}-{scene}-QHD-{run}.csv" for card in ("GPU-70", "GPU-80")
    ...                        for scene in ("harbor", "paper-lanterns") for run in (1, 2)])
    >>> reading.pattern.text, sorted(reading.values("card"))
    ('{card}-{scene}-{resolution}-{run}.csv', ['GPU-70', 'GPU-80'])
    """
    found: list[PathReading] = []
    least = 0
    for stops, finder in _run_finders(names):
        readings = [
            reading
            for columns, roles in _readings(names, finder, is_one_card=is_one_card)
            if (reading := _checked(columns, roles)) is not None and _says_enough(reading)
        ]
        found += (one for one in readings if not least or (len(one.fields) > least and "run" in one.pattern.fields))
        # A number that leaves one card only may be part of its name: both ways are shown.
        sure = stops == "always" or (stops == "readily" and (is_one_card or all(map(_stands_by_itself, readings))))
        least = max(least, *(len(reading.fields) for reading in readings)) if sure and readings else least
        if (stops == "always" and not readings) or least > _MOST_OF_ALL * len(names):
            break
    return _without_doubles(found)


def fields_by_pattern(pattern: PathPattern, names: Sequence[str]) -> dict[str, dict[str, str]]:
    """The fields of the paths that fit a pattern; where two names join, they part so that cards cross scenes."""
    for fields_told in (("resolution", "run"), ("resolution",), ("run",), ()):
        told: dict[str, str] = {field: KNOWN[field] for field in fields_told if field in pattern.fields}
        plain = {
            name: fields for name in names if (fields := pattern.with_values({}, told=told).match(name)) is not None
        }
        if plain or not told:
            break
    joined = re.search(rf"\{{(card|scene)\}}([{_MARKS}]*)\{{(card|scene)\}}", pattern.text)
    if joined is None or joined[1] == joined[3]:
        return plain
    whole = PathPattern.parse(pattern.text.replace(joined[0], f"{{{joined[1]}}}")).with_values({}, told=told)
    texts = {name: fields for name in names if (fields := whole.match(name)) is not None}
    if (split := _crossing({fields[joined[1]] for fields in texts.values()}, separator=joined[2])) is None:
        return plain if joined[2] else {}
    return {
        name: {**fields, joined[1]: split[fields[joined[1]]][0], joined[3]: split[fields[joined[1]]][1]}
        for name, fields in texts.items()
    }


def _says_enough(reading: PathReading) -> bool:
    """Whether cards have names: no bare numbers of runs, and without scene, resolution or run such as cards have."""
    if not (cards := reading.values("card")):
        return True
    are_cards = _are_models(cards) and len(cards) <= _MOST_CARDS and "%20" not in "".join(cards)
    return not _are_bare(cards) and (len(reading.pattern.fields) > 1 or are_cards)


def _stands_by_itself(reading: PathReading) -> bool:
    """Whether the number of the run cannot well be the end of a card's name, as in ``Amber 1`` and ``Amber 2``."""
    cards, scenes = reading.values("card"), reading.values("scene")
    if "scene_settings" in reading.pattern.fields:
        return True
    if len(cards) == 1 or (not scenes and reading.values("run") & {*RUN_WORDS}):
        return False
    named = re.search(r"\{scene\}[^/{]*\{run\}", reading.pattern.text) is not None
    return not (named and len(scenes) == 1 and not _are_models(cards))


def _without_doubles(readings: Iterable[PathReading]) -> tuple[PathReading, ...]:
    """Readings that tell the same cells apart are one: the first."""
    kept: dict[frozenset[tuple[str, ...]], PathReading] = {}
    for reading in readings:
        parts = ("card", "scene", "scene_settings")
        cells = ((name, *(fields.get(part, "") for part in parts)) for name, fields in reading.fields.items())
        kept.setdefault(frozenset(cells), reading)
    most = max((len(reading.fields) for reading in kept.values()), default=0)
    return tuple(reading for reading in kept.values() if len(reading.fields) == most)


# Where the run stands


def _run_finders(names: Sequence[str]) -> Iterator[tuple[Literal["always", "readily", "never"], _RunFinder]]:
    """Ways to find the run, the clearest first: by its word, in letters or words, as the last number, as another
    number, as none; and whether readings that it leads to are the last."""
    if sum(_RUN_WORD.search(name) is not None for name in names) * 2 > len(names):
        yield "always", _worded
    numbers = [*map(_numbered, (-1, 0, -2, 1, -3, 2))]
    has_numbers = any(_columns(names, finder) for finder in numbers)
    in_words = [_numbered(at, _COUNTED) for at in (-1, 0, -2)]
    for finder in in_words[:1] if has_numbers else in_words:
        if columns := _columns(names, finder):
            is_plain = not has_numbers and len(columns[0].texts) >= _MOST_OF_ALL * len(names)
            yield "readily" if is_plain else "never", finder
    searches = (expression.search for expression in (_FIRST_NUMBER, _LAST_DIGITS, _FOLDER_NUMBER, _SESSION_WORD))
    others: list[_RunFinder] = [_RUN_SIGN.search, *numbers, *searches, _no_run, _FOLDER_END.search]
    for finder in others:
        yield "readily", finder


def _worded(body: str) -> re.Match[str] | None:
    return _RUN_WORD.search(body) or _RUN_SIGN.search(body)


def _no_run(body: str) -> None:
    return None


def _numbered(at: int, number: re.Pattern[str] = _NUMBER) -> _RunFinder:
    """The token of the file's name at this place, where it is a number."""

    def find(body: str) -> re.Match[str] | None:
        tokens = list(TOKEN.finditer(_blotted(body, known_spans(body)), body.rfind("/") + 1))
        return number.fullmatch(body, *tokens[at].span()) if -len(tokens) <= at < len(tokens) else None

    return find


# Pieces of a path, and names in them


def known_spans(body: str) -> list[tuple[int, int, str]]:
    """Where dates and resolutions stand."""
    spans = [(*found.span(), "stamp") for found in _STAMP.finditer(body)]
    for found in RESOLUTION.finditer(body):
        if _is_free(spans, *found.span()):
            spans.append((*found.span(), "resolution"))
    return spans


def _is_free(spans: Iterable[tuple[int, int, str]], start: int, end: int) -> bool:
    return not any(other < end and start < behind for other, behind, _ in spans)


def _blotted(body: str, spans: Iterable[tuple[int, int, str]]) -> str:
    """The path with what stands at these places blotted out, letter for letter."""
    for start, end, _ in spans:
        body = body[:start] + _BLOT * (end - start) + body[end:]
    return body


def _items(name: str, find_run: _RunFinder, *, has_sitting: bool) -> list[tuple[str, str]]:
    """A path as pieces, kind and text: literals, which may be empty, at even places."""
    ending = LOG_ENDING.search(name)
    body = name if ending is None else name[: ending.start()]
    spans = known_spans(body)
    run = find_run(body)
    word: list[tuple[int, int, str]] = []
    if run is not None and _is_free(spans, *run.span()):
        in_front = _WORD_IN_FRONT.search(body, 0, run.start("run"))
        word = [(run.start() if in_front is None else in_front.start(), run.start("run"), "literal")]
        word.append((run.end("run"), run.end(), "literal"))
        spans.append((*run.span("run"), "run"))
    sitting = _SITTING.search(body) if has_sitting else None
    if sitting is not None and _is_free(spans, *sitting.span()):
        spans.append((*sitting.span(), "stamp"))
    for part in re.finditer(r"[^/]+", _blotted(body, [*spans, *word])):
        for chunk in re.finditer(f"[^{_BLOT}]+", part[0]):
            if text := chunk[0] if _BLOT not in part[0] else chunk[0].strip(SEPARATORS):
                start = part.start() + chunk.start() + chunk[0].index(text)
                spans.append((start, start + len(text), "text"))
    items, at = [], 0
    for start, end, kind in sorted(spans):
        items += [("literal", name[at:start]), (kind, name[start:end])]
        at = end
    return [*items, ("literal", name[at:])]


def _shape(literal: str, without: str) -> str:
    """A literal with a space for each group of separators, without the word of a run and what this expression finds."""
    bare = _WORD_IN_FRONT.sub("", re.sub(without, "", literal, flags=re.IGNORECASE))
    return re.sub(f"[{_MARKS}]+", " ", bare)


def _columns(names: Sequence[str], find_run: _RunFinder) -> list[_Column]:
    """The pieces of the paths that have the most usual shape; none where most have another, or it has no such run.

    Names that are parted by other separators have one shape, and so have those that end otherwise, where no run has
    two of them: a log beside its packed copy is one run.
    """
    sittings = {found and found[0] for found in map(_SITTING.search, names)}
    has_sitting = len(sittings) > 1 and None not in sittings
    found = [_items(name, find_run, has_sitting=has_sitting) for name in names]
    for endings in (LOG_ENDING.pattern, ""):
        shapes: dict[tuple[tuple[str, str], ...], list[list[tuple[str, str]]]] = defaultdict(list)
        for items in found:
            shape = tuple((kind, _shape(text, endings) if kind == "literal" else "") for kind, text in items)
            shapes[shape].append(items)
        shape, paths = max(shapes.items(), key=lambda item: len(item[1]))
        if len({tuple(text for kind, text in items if kind != "literal") for items in paths}) == len(paths):
            break
    kinds = [kind for kind, _ in shape]
    if len(paths) * 2 <= len(names) or ("run" in kinds) is (find_run is _no_run):
        return []
    texts = zip(*([text for _, text in items] for items in paths), strict=True)
    columns = [_Column(kind, column) for kind, column in zip(kinds, texts, strict=True)]
    return columns if find_run in (_no_run, _worded) or _are_runs(columns) else []


def _are_runs(columns: Sequence[_Column]) -> bool:
    """Whether the numbers are those of runs: small, from 0 or 1 on in most cells, and met again across the tree."""
    runs = next(column.texts for column in columns if column.kind == "run")
    plain: dict[str, Callable[[str], str]] = {"text": spelling, "resolution": resolution_name}
    names = [map(plain[column.kind], column.texts) for column in columns if column.kind in plain]
    others = zip(*names, strict=True) if names else [()] * len(runs)
    cells: dict[tuple[str, ...], set[int]] = defaultdict(set)
    for cell, run in zip(others, runs, strict=True):
        cells[cell].add(int(RUN_WORDS.get(run.casefold(), run)))
    numbers = set().union(*cells.values())
    if min(numbers) > 1 or max(numbers) > _MOST_RUNS:
        return False
    return sum(min(own) <= 1 for own in cells.values()) * 2 > len(cells)


def _readings(
    names: Sequence[str], find_run: _RunFinder, *, is_one_card: bool
) -> Iterator[tuple[list[_Column], _Roles]]:
    """Ways to read the paths with the run found in one way: their columns, and what each text stands for."""
    columns = _without_repeats(_columns(names, find_run))
    texts = [at for at, column in enumerate(columns) if column.kind == "text"]
    varying = [at for at in texts if len(columns[at].names()) > 1]
    runs = next((column.texts for column in columns if column.kind == "run"), ())
    again = [at for at in varying if not runs and all(re.fullmatch(KNOWN["run"], each) for each in columns[at].texts)]
    roles = {at: "run" for at in varying if columns[at].texts == runs or at in again}
    twins: dict[int, int] = {}
    for at, other in permutations(varying, 2):
        a, b = ([*map(spelling, columns[one].texts)] for one in (at, other))
        is_driver = all(map(_DRIVER.fullmatch, columns[at].texts))
        is_less = is_driver or (len(set(a)), other) < (len(set(b)), at)
        if is_less and not {at, other} & {*roles, *twins} and len(set(zip(a, b, strict=True))) == len(set(b)):
            # The other one says it already: the same text once more, or a maker or a driver above its cards.
            if columns[at].texts == columns[other].texts:
                twins[at] = other
            else:
                roles[at] = "driver" if is_driver else "*"
    varying = [at for at in varying if at not in {*roles, *twins}]
    settings = _settings_of(columns, varying, repeats=bool(runs), n_named=1 if is_one_card else 2)
    roles |= dict.fromkeys(settings, "scene_settings")
    varying = [at for at in varying if at not in settings]
    others = {at: columns[at].names() for at in reversed(texts) if at not in {*varying, *roles, *twins}}
    constant = [at for at, own in others.items() if not (_are_bare(own) or all(map(_NO_NAME.fullmatch, own)))]
    if not columns or len(varying) > (1 if is_one_card else 2):
        return
    if len(varying) == 1 and not is_one_card and (split := _crossing(set(columns[varying[0]].texts))) is not None:
        parted = [split[text] for text in columns[varying[0]].texts]
        columns, (first, second) = _parted(columns, varying[0], parted)
        shift = second - first
        roles = {at + shift * (at > first): role for at, role in roles.items()}
        twins = {at + shift * (at > first): other for at, other in twins.items() if other != first}
        ways = _orders(columns, first, second)
    elif is_one_card:
        ways = [dict.fromkeys([*varying, *constant][:1], "scene")]
    elif len(varying) == 2:
        ways = _orders(columns, *varying)
    elif len(named := [*varying, *constant]) == 1:
        ways = [{named[0]: "card"}]
    elif len(named) == 2 or (varying and constant):
        ways = _orders(columns, *sorted(named[:2]))[:1]
    else:
        return
    for way in ways:
        yield columns, {**roles, **way, **{at: way.get(other, "*") for at, other in twins.items()}}


def _settings_of(columns: Sequence[_Column], varying: Sequence[int], *, repeats: bool, n_named: int) -> list[int]:
    """The column of a setting in which the captures of a scene differ, if any: by its words, or the last of 3 names.

    So many names must be left beside it: of the card and the scene, or of the scene alone.
    """
    plain = {at: {re.sub("[-_ ]+", " ", name) for name in columns[at].names()} for at in varying}
    worded = [at for at, names in plain.items() if all(map(_SETTING.fullmatch, names))]
    named = [at for at, column in enumerate(columns) if column.kind == "text" and at not in worded]
    if worded and (len(named) >= n_named or (named and not _crossing(set(columns[worded[-1]].texts)))):
        return worded[-1:]
    models = [at for at, names in plain.items() if _are_models(names)]
    return [at for at in varying if at not in models][-1:] if repeats and len(varying) == 3 and len(models) == 1 else []


def _without_repeats(columns: list[_Column]) -> list[_Column]:
    """Part a text that repeats an earlier one in front, as ``amber/amber_harbor_1.csv`` does."""
    texts = [at for at, column in enumerate(columns) if column.kind == "text"]
    for earlier, at in combinations(texts, 2):
        parts = [
            (front, found[1])
            for front, text in zip(columns[earlier].texts, columns[at].texts, strict=True)
            if (found := re.fullmatch(rf"{re.escape(front)}[{_MARKS}]+([^{_MARKS}].*)", text, re.DOTALL)) is not None
        ]
        if len(parts) == len(columns[at].texts):
            return _parted(columns, at, parts)[0]
    return columns


def _parted(
    columns: Sequence[_Column], at: int, parts: Sequence[tuple[str, str]]
) -> tuple[list[_Column], tuple[int, int]]:
    """The columns with that of a text parted in two, and where these stand; what lies between is the same for all."""
    fronts, backs = zip(*parts, strict=True)
    whole = columns[at].texts
    gaps = [text[len(front) : len(text) - len(back)] for text, (front, back) in zip(whole, parts, strict=True)]
    new = [_Column("text", fronts), _Column("literal", tuple(gaps)), _Column("text", backs)]
    return [*columns[:at], *new, *columns[at + 1 :]], (at, at + 2)


def _orders(columns: Sequence[_Column], first: int, second: int) -> list[_Roles]:
    """Which of two names is the card: the one with model numbers, else that of the outer folder, else either.

    Either, too, where the inner names hold more such numbers than the outer ones, though not most of them.
    """
    names = columns[first].names(), columns[second].names()
    card_first, scene_first = {first: "card", second: "scene"}, {first: "scene", second: "card"}
    if (is_model := _are_models(names[0])) != _are_models(names[1]):
        return [card_first if is_model else scene_first]
    if any(map(_are_bare, names)):
        return [scene_first if _are_bare(names[0]) else card_first]
    between = (column.texts[0] for column in columns[first:second] if column.kind == "literal")
    outer_is_card = any("/" in text for text in between) and _share_of_models(names[0]) >= _share_of_models(names[1])
    return [card_first] if outer_is_card else [card_first, scene_first]


def _are_bare(names: Collection[str]) -> bool:
    """Whether all are numbers such as runs have, which no card has for a name."""
    return all(text.isdecimal() and int(text) <= _MOST_RUNS for text in names)


def _are_models(names: Collection[str]) -> bool:
    """Whether most names hold a number or the word for a card, as those of cards do (common practice, no source)."""
    return _share_of_models(names) > 0.5 and not _are_bare(names)


def _share_of_models(names: Collection[str]) -> float:
    models = [text for text in names if _MODEL.search(_INDEX.sub("", text)) and not _SCENE.fullmatch(text)]
    return len(models) / max(1, len(names))


def _crossing(texts: set[str], *, separator: str | None = None) -> dict[str, tuple[str, str]] | None:
    """Part every text in two so that the fronts and the backs cross, however spelled: the way with the fewest of both.

    Returns
    -------
    dict or None
        Front and back of each text, or nothing where no parting has two fronts or two backs that cross.
    """
    gaps = re.compile(_BETWEEN_WORDS if separator == "" else re.escape(separator) if separator else rf"[{_MARKS}]+")
    ways = [
        (text, spelling(front), spelling(back), (front, back))
        for text in texts
        for gap in gaps.finditer(text)
        if (front := text[: gap.start()]) and (back := text[gap.end() :])
    ]
    best: tuple[tuple[int, int], dict[str, tuple[str, str]]] | None = None
    model = max(texts, key=lambda text: (len(TOKEN.findall(text)), text))
    for _, front, back, pair in (way for way in ways if way[0] == model):
        fronts = {a for _, a, b, _ in ways if b == back}
        backs = {b for _, a, b, _ in ways if a == front}
        fits = [(text, parts) for text, a, b, parts in ways if a in fronts and b in backs]
        is_one_each = len(fits) == len(dict(fits)) == len(texts) and len(fronts) > 1 and len(backs) > 1
        rank = len(fronts) + len(backs), len("".join(pair))  # of equal ones that with the widest gap
        if is_one_each and (best is None or rank < best[0]):
            best = rank, dict(fits)
    if best is None and separator is None and all(map(str.isalnum, texts)):
        return _crossing(texts, separator="")
    return best[1] if best is not None else None


def _common(literals: Sequence[str]) -> str:
    """A literal of a pattern: ``*`` stands for what the paths write in several ways, behind the point of an ending."""
    if len(set(literals)) == 1:
        return literals[0]
    return ".*" if all(literal.startswith(".") for literal in literals) else "*"


def _checked(columns: Sequence[_Column], roles: _Roles) -> PathReading | None:
    """The reading, where every run has a place of its own; a date is part of it only where it must be."""
    kinds = [column.kind for column in columns]
    paths = ["".join(texts) for texts in zip(*(column.texts for column in columns), strict=True)]
    resolved = kinds.index("resolution") if "resolution" in kinds else -1
    joined = {*columns[resolved - 1].texts} == {""} and all(map(str.isdecimal, columns[resolved].texts))
    if resolved > 0 and joined and len({*columns[resolved].texts}) == 1:
        return None  # "vela1080": one number at the end of all names may be a part of them
    for stamp in ["*", "session" if "run" in kinds else "run"][: 1 + ("stamp" in kinds)]:
        means = [
            stamp if kind == "stamp" else "*" if kind == "resolution" and at != resolved else roles.get(at, kind)
            for at, kind in enumerate(kinds)
        ]
        text = "".join(
            mean if mean == "*" else _common(column.texts) if mean in {"literal", "text"} else f"{{{mean}}}"
            for column, mean in zip(columns, means, strict=True)
        )
        told = {mean: column.texts for mean, column in zip(means, columns, strict=True) if mean in FIELDS}
        places = list(zip(*told.values(), strict=True))
        if len(set(places)) < len(paths):
            continue
        fields = {path: dict(zip(told, place, strict=True)) for path, place in zip(paths, places, strict=True)}
        try:
            pattern = PathPattern.parse(text)
        except PlanError:
            return None
        known = pattern.with_values({field: set(texts) for field, texts in told.items()})
        if all(known.match(path) == one for path, one in fields.items()):
            return PathReading(pattern=pattern, fields=fields)
    return None
