"""A first plan from what lies in a folder, ready to edit; and a plan with what is new in its folder, edits kept."""

from __future__ import annotations

import os
import re
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path, PurePosixPath
from string import Template
from typing import Final, NamedTuple, TypeAlias

from frametime.adapters.capture_start import sidecar_of
from frametime.adapters.file_kind import TEXT_ENDINGS
from frametime.errors import FrametimeError, PlanError, printable
from frametime.plans.finding_runs import PlanPlaces, in_setting, number_of_run, run_of
from frametime.plans.folder_walk import OTHER_FILES, SENSOR_LOGS, FoundFile, Walk, path_from, text_of, walk_captures
from frametime.plans.path_gaps import WORD_OF_COPY, read_paths
from frametime.plans.path_pattern import UNNAMED, PathPattern, resolution_name, spelled_anyhow, spelling
from frametime.plans.path_reading import LOG_ENDINGS, PathReading, fields_by_pattern
from frametime.plans.plan import ReviewPlan, exclusions_of, parse_plan, read_plan
from frametime.review.run_set import natural_order, run_name
from frametime.settings.toml_source import file_text, toml_lines, toml_value
from frametime.words import begun, counted, first_of, joined

_DATED: Final = re.compile(r"\d[\d.:_ -]*\d")
_SENSOR_WORD: Final = re.compile(r"(?<![A-Za-z])sensors?(?![A-Za-z])", re.IGNORECASE)
_NO_GOOD: Final = re.compile(r"(?i)crash|abort|broken|invalid|fail|discard|kaputt|abbruch|(?<![a-z])bad(?![a-z])")
_HELPS: Final = "give --path-pattern, such as --path-pattern '{card}/{scene}/{resolution}/run{run}.csv'"
_CARD_HELPS: Final = (
    "add it, name the one card of all captures with --card, or put those of each card into a folder with its name"
)
_MOST_SHOWN: Final = 8
_CELL: Final = frozenset(("card", "scene", "resolution"))
_Place: TypeAlias = tuple[str, str, str, str]


@dataclass(frozen=True, kw_only=True)
class PlanDraft:
    """What a first plan rests on, and its text: ``folder`` is as seen from the plan, keys stand in their order.

    ``places`` holds card, scene, resolution and run of each capture, as the plan names them; ``settings`` that of each
    scene of which the paths name several; ``spelled`` the name for each way in which cards and scenes are written;
    ``left_out`` the place and the reason of each that is excluded.
    """

    folder: str
    pattern: PathPattern
    sensors: PathPattern | None
    places: Mapping[str, _Place]
    settings: Mapping[str, str]
    spelled: Mapping[str, Mapping[str, str]]
    left_out: Mapping[str, tuple[_Place, str]]
    walk: Walk

    @cached_property
    def cards(self) -> tuple[str, ...]:
        """Keys of the cards."""
        return self._names(0)

    @cached_property
    def scenes(self) -> tuple[str, ...]:
        """Keys of the scenes."""
        return self._names(1)

    @cached_property
    def resolutions(self) -> tuple[str, ...]:
        """Names of the resolutions; the first is that of captures which name none."""
        return tuple(sorted(self._names(2), key=lambda name: (name != UNNAMED, natural_order(resolution_name(name)))))

    def _names(self, at: int) -> tuple[str, ...]:
        return tuple(sorted({place[at] for place in self.places.values()}, key=natural_order))

    @cached_property
    def runs_in_cells(self) -> Counter[tuple[str, ...]]:
        """How many captures each card has in each cell."""
        return Counter(place[:3] for place in self.places.values())

    @property
    def n_runs(self) -> int:
        """The runs that were planned, as far as the captures tell."""
        return _planned(self.runs_in_cells.values())

    @property
    def left_over(self) -> tuple[str, ...]:
        """Captures whose paths do not fit the pattern."""
        return tuple(file.name for file in self.walk.captures if file.name not in self.places)

    @cached_property
    def text(self) -> str:
        """The plan as TOML, ready to edit."""
        return _text(self)

    @property
    def understood(self) -> list[str]:
        """What the folder was taken for, as lines: names with their captures, one path taken apart."""
        return [*self._found(), *self._assumed(), *self._passed_over()]

    def _found(self) -> list[str]:
        name, place = next(iter(self.places.items()))
        counts = sorted(set(self.runs_in_cells.values()))
        runs = f"{counts[0]} to {counts[-1]}" if len(counts) > 1 else str(counts[0])
        n_missing = len(self.cards) * len(self.scenes) * len(self.resolutions) - len(self.runs_in_cells)
        missing = f"; {counted(n_missing, 'cell')} without a capture" if n_missing else ""
        names = {"card": self.cards, "scene": self.scenes, "resolution": self.resolutions}
        n_sensors = len(self.walk.others.get(SENSOR_LOGS, ()))
        sensors = "  no pattern fits them: enter one as sensors under [captures]" * (n_sensors > 0)
        if self.sensors is not None:
            n_fitting = sum(self.sensors.match(name) is not None for name in self.walk.others[SENSOR_LOGS])
            beside = f", which {n_fitting} of them fit" if n_fitting < n_sensors else ""
            sensors = f"  pattern {printable(self.sensors.text)}{beside}"
        return [
            f"{counted(len(self.places), 'capture')}, pattern {printable(self.pattern.text)}",
            *(
                f"  {f'{field}s':12}{len(names[field]):>4}  {self._some(field, names[field], Counter(each))}"
                for field, each in zip(names, zip(*self.places.values(), strict=True), strict=False)
            ),
            f"  {'runs':16}  {runs} a cell{missing}",
            f"  {SENSOR_LOGS:12}{n_sensors:>4}{sensors}",
            "For example {} is card {}, scene {}, resolution {}, run {}.".format(*map(printable, (name, *place))),
        ]

    def _assumed(self) -> list[str]:
        """What no path says, and the draft took for granted: a person is to look at it."""
        lines = []
        if any(name != one for ways in self.spelled.values() for name, one in ways.items()):
            lines.append(
                "Names joined by = differ only in capitals, spaces, dashes or underscores and are taken for one: where "
                "they are two, enter both in the plan."
            )
        if self.settings:
            named = joined([printable(each) for each in sorted({*self.settings.values()}, key=natural_order)])
            lines.append(f"{named} are taken for settings: a scene is compared in each of them by itself.")
        if "card" in self.pattern.fields and "scene" not in self.pattern.fields:
            mark = next((mark for mark in "-_ " if all(mark in card for card in self.cards)), "")
            pattern = printable(self.pattern.text.replace("{card}", f"{{card}}{mark}{{scene}}"))
            both = f", or where it holds both, --path-pattern '{pattern}' parts them" if mark else ""
            lines.append(
                "Only one name differs between the captures, and is taken for the card; where it is the scene, "
                f"--card NAME says which card all are of{both}."
            )
        if UNNAMED in self.resolutions:
            unnamed = counted([place[2] for place in self.places.values()].count(UNNAMED), "capture")
            lines.append(
                f"No resolution stands in the names of {unnamed}: theirs is '{UNNAMED}', the first of the plan; write "
                "there which it is."
            )
        for field, keys in (("card", self.cards), ("scene", self.scenes), ("resolution", self.resolutions)):
            spelled = defaultdict(list)
            for key in keys:
                spelled[re.sub(r"[\W_]+", "", key.casefold())].append(printable(key))
            lines += [
                f"{' and '.join(same)} are kept as {len(same)} {field}s: if they are one, spell it alike everywhere."
                for same in spelled.values()
                if len(same) > 1
            ]
        if "({run})>" in self.pattern.text:
            lines.append("Numbers in brackets, as copies of a file get them, are runs; the one without is the first.")
        return lines

    def _passed_over(self) -> list[str]:
        passed_over = [files for label, files in self.walk.others.items() if label != SENSOR_LOGS]
        why = {name: reason for files in passed_over for name, reason in files.items()}
        by_reason: dict[str, list[str]] = defaultdict(list)
        for name, reason in {**why, **self._why_left_over}.items():
            by_reason[reason].append(name)
        lines = [f"Passed over: {counted(sum(map(len, by_reason.values())), 'file')}"] if by_reason else []
        for reason, files in by_reason.items():
            lines.append(f"  {printable(files[0])}: {reason}" + f" ({len(files)} such files)" * (len(files) > 1))
        return lines

    def _some(self, field: str, names: Sequence[str], counts: Mapping[str, int]) -> str:
        """Names with their captures, and how else each is written."""
        told = {name: printable(name) for name in names}
        for way, name in sorted(self.spelled.get(field, {}).items()):
            told[name] += f" = {printable(way)}" if way != name else ""
        return first_of([f"{ways} ({counts[name]})" for name, ways in told.items()], _MOST_SHOWN)

    @property
    def _why_left_over(self) -> dict[str, str]:
        """Why captures do not fit the pattern: often their ending alone is another, or a word follows the number."""
        others = [name for name in self.left_over if self.pattern.match(name) is None]
        why = dict.fromkeys(self.left_over, "names another card, scene or resolution")
        why |= dict.fromkeys(others, "does not fit the pattern; name it like the others to take it in")
        why |= {name: "is a copy of another file" for name in why if WORD_OF_COPY.sub("", name) in self.places}
        why |= {name: f"{self.left_out[name][1]}; left out by [[exclude]]" for name in {*why} & {*self.left_out}}
        for loose, what, taken in ((r"*\g<0>", "words at its end", "any"), (".*", "its ending", "every ending")):
            pattern = re.sub(r"(?<=\})\.[^/{}*]+$", loose, self.pattern.text)
            fits = fields_by_pattern(PathPattern.parse(pattern), [*self.places, *others])
            told = f"fits but for {what}; --path-pattern '{printable(pattern)}' takes {taken}"
            why.update(dict.fromkeys(why.keys() & fits - self.left_out.keys(), told))
        return why


def draft_plans(
    folder: Path, *, beside: Path, pattern: PathPattern | None = None, card: str | None = None
) -> tuple[PlanDraft, ...]:
    """Draft a plan for the captures below a folder: one, or one for each way to read their paths.

    Parameters
    ----------
    folder : pathlib.Path
    beside : pathlib.Path
        Folder in which the plan will lie: the captures folder is written relative to it.
    pattern : PathPattern, optional
        How the paths are built; otherwise it is found from folders and file names.
    card : str, optional
        The one card of all captures, where their paths do not name it.

    Raises
    ------
    PlanError
        When there is no folder or no capture, the paths cannot be told apart without a pattern, or a name is one
        that no plan may hold, such as one with a line end.
    OSError
        If the folder cannot be listed.
    """
    if not folder.is_dir():
        wrong = "this is a file" if folder.is_file() else "there is no such folder"
        raise _fault(folder, wrong, helps="name the folder of the captures")
    walk = _walked(folder)
    if not (names := [file.name for file in walk.captures]):
        for name, why in walk.unlisted.items():
            raise _fault(folder / name, f"cannot be listed: {why}", helps="allow reading it")
        raise _fault(folder, "no capture lies in this folder", helps=f"logs end in {', '.join(LOG_ENDINGS)}")
    if pattern is None:
        readings = read_paths(names, is_one_card=card is not None)
    else:
        if not (fields := fields_by_pattern(pattern, names)):
            raise _fault(folder, f"none of {len(names)} captures fits the pattern '{printable(pattern.text)}'")
        if ("card" in pattern.fields) is (card is not None):
            wrong, helps = ("lacks", _CARD_HELPS) if card is None else ("holds", "leave out --card")
            raise _fault(folder, f"the pattern '{printable(pattern.text)}' {wrong} '{{card}}'", helps=helps)
        readings = (PathReading(pattern=pattern, fields=fields),)
    if not readings:
        if braced := [name for name in names if "{" in name or "}" in name]:
            raise _fault(folder, f"the path '{printable(braced[0])}' holds a brace, which marks fields")
        wrong = f"card, scene and run cannot be told from paths such as '{printable(names[len(names) // 2])}'"
        helps = _HELPS if card is not None else f"{_HELPS}, or where all are of one card its name with --card"
        raise _fault(folder, wrong, helps=f"{helps}; a setting that differs is written out there, one plan for each")
    drafts = tuple(_draft(folder, beside, reading, walk, card) for reading in readings)
    for draft in drafts:  # names for which there is no plan are told here, not by the review
        try:
            parse_plan(draft.text, file_name="drafted plan", folder=beside)
        except FrametimeError as error:
            helps = "rename that folder or file, or leave it out with --path-pattern"
            raise _fault(folder, f"no plan can be drafted from these names ({error})", helps=helps) from error
    return drafts


def _walked(folder: Path) -> Walk:
    """What lies there: one whose name says that it is a sensor log is one, and what reads as a capture is a capture."""
    walk = walk_captures(folder)
    passed = walk.others.get(OTHER_FILES, {})
    unnamed = {name for name in passed if _reads_as_capture(folder / name)}
    captures = sorted([*walk.captures, *(FoundFile(folder, name) for name in unnamed)], key=lambda file: file.name)
    sidecars = {sidecar_of(os.fspath(file.path)) for file in captures}  # read with their captures
    worded = {file.name: "" for file in captures if _SENSOR_WORD.search(PurePosixPath(file.name).name)}
    rest = {name: why for name, why in passed.items() if name not in unnamed and folder / name not in sidecars}
    sensors = dict(sorted([*walk.others.get(SENSOR_LOGS, {}).items(), *worded.items()]))
    others = {**walk.others, OTHER_FILES: rest, SENSOR_LOGS: sensors}
    return replace(walk, captures=[file for file in captures if file.name not in worded], others=others)


def _reads_as_capture(path: Path) -> bool:
    """Whether a text without names of columns holds nothing but times of frames, as far as its numbers say."""
    from frametime.adapters.base import ReadOptions
    from frametime.adapters.reading import read_capture

    if path.suffix.casefold() not in TEXT_ENDINGS or not path.is_file():  # reading a pipe would wait for a writer
        return False
    try:
        read_capture(path, options=ReadOptions(), use_threads=False)
    except (FrametimeError, OSError):
        return False
    return True


def _draft(folder: Path, beside: Path, reading: PathReading, walk: Walk, card: str | None) -> PlanDraft:
    """The draft from the fields of the captures that fit the pattern."""
    unsaid = {"scene": "scene", "resolution": UNNAMED, "run": "1", **({} if card is None else {"card": card})}
    has_settings = len(reading.values("scene_settings")) > 1

    def said(fields: Mapping[str, str]) -> dict[str, str]:
        every = {**unsaid, **{key: text_of(value) for key, value in fields.items()}}
        return {**every, "scene": in_setting(every) or every["scene"]} if has_settings else every

    values = {name: said(fields) for name, fields in reading.fields.items()}
    spelled = _joined_spellings(values.values())
    # Equal resolutions under one name; each as it is written where no other name stands for the same.
    equal = {name: resolution_name(name) for name in {fields["resolution"] for fields in values.values()}}
    resolutions = {name: one if [*equal.values()].count(one) > 1 else name for name, one in equal.items()}

    def place_of(fields: Mapping[str, str]) -> _Place:
        card, scene = (spelled[field][fields[field]] for field in ("card", "scene"))
        return card, scene, resolutions[fields["resolution"]], run_of(fields)

    places = {name: place_of(fields) for name, fields in values.items()}
    numbers = {(*place[:3], number_of_run(place[3])) for place in places.values()}
    known = reading.pattern.with_values({field: reading.values(field) for field in _CELL & {*reading.pattern.fields}})
    others = ((file.name, known.match(file.name)) for file in walk.captures if file.name not in places)
    # A review would take them for runs: words stand before their number, behind it, or in its place.
    odd = {name: place_of(said(fields)) for name, fields in others if fields is not None and "run" in fields}
    left_out = _odd_runs(odd, numbers)
    places |= {name: place for name, place in odd.items() if name not in left_out}
    sensors = _sensor_pattern(reading, tuple(walk.others.get(SENSOR_LOGS, ())))
    return PlanDraft(
        folder=path_from(folder, beside),
        pattern=reading.pattern,
        sensors=sensors,
        places=places,
        settings={spelled["scene"][f["scene"]]: f["scene_settings"] for f in values.values()} if has_settings else {},
        spelled=spelled,
        left_out=left_out,
        walk=walk,
    )


def _joined_spellings(runs: Collection[Mapping[str, str]]) -> dict[str, dict[str, str]]:
    """The usual spelling of each card and of each scene, where no run stands twice then; else each stays as it is."""
    usual = {field: {fields[field]: fields[field] for fields in runs} for field in ("card", "scene")}
    for field, other in (("card", "scene"), ("scene", "card")):
        places: dict[str, dict[str, list[tuple[str, ...]]]] = defaultdict(lambda: defaultdict(list))
        for fields in runs:
            place = usual[other][fields[other]], resolution_name(fields["resolution"]), number_of_run(run_of(fields))
            places[spelling(fields[field])][fields[field]].append(place)
        for spellings in places.values():
            every = [place for own in spellings.values() for place in own]
            first = min(spellings, key=lambda name: (-len(spellings[name]), " " not in name, len(name), name))
            usual[field].update({name: first for name in spellings if len(set(every)) == len(every)})
    return usual


def _fault(folder: Path, message: str, *, helps: str = _HELPS) -> PlanError:
    return PlanError.at(str(folder), message, helps=helps)


def _sensor_pattern(reading: PathReading, sensors: Sequence[str]) -> PathPattern | None:
    """Where most of the sensor logs lie: one beside each capture, one for each card or cell, or one for all."""
    best, most = None, len(sensors) // 2
    # Of more than half, sorted by their paths, one stands in the middle.
    for name in dict.fromkeys((*sensors[:1], *sensors[len(sensors) // 2 :][:1])):
        for pattern in _sensor_patterns(reading, name):
            known = {field: reading.values(field) for field in pattern.fields}
            told_apart = pattern.with_values(known, any_spelling=True)
            matches = [str(fields) for fields in map(told_apart.match, sensors) if fields is not None]
            if len(matches) > most and ("*" not in pattern.text or len({*matches}) == len(matches)):
                best, most = pattern, len(matches)
    return best


def _sensor_patterns(reading: PathReading, name: str) -> Iterator[PathPattern]:
    """Patterns of a sensor log: the name of a capture before its own ending, then with the fields that it may name."""
    pattern_stem = _stem(reading.pattern.text)
    stems = [stem for stem in map(_stem, reading.fields) if name.startswith(stem) and "/" not in name[len(stem) :]]
    found = [f"{pattern_stem}{name[len(stem) :]}" for stem in sorted(stems, key=len, reverse=True)]
    every = ("card", "scene", "resolution", "run")
    for fields in (every[:1], ("card", "resolution"), every[:2], every[:3], every, ()):
        told = [field for field in fields if field in reading.pattern.fields]
        found.append(_with_fields(name, {field: reading.values(field) for field in told}))
    for text in (*found, *(_DATED.sub("*", text) for text in found)):
        with suppress(PlanError):  # a name with a brace in it, or two fields side by side
            yield PathPattern.parse(text)


def _stem(path: str) -> str:
    """A path up to the first point of its file's name."""
    folder, slash, name = path.rpartition("/")
    return f"{folder}{slash}{name.partition('.')[0]}"


def _with_fields(name: str, values: Mapping[str, set[str]]) -> str:
    """A path with the fields in place of their values."""
    for field, texts in values.items():
        either = "|".join(map(spelled_anyhow, sorted(texts, key=len, reverse=True)))
        # Of a run the last place; letters may be joined to its number.
        before = "^(.*)" if field == "run" else "()"
        edge = r"\d" if field == "run" and all(map(str.isdecimal, texts)) else r"[^\W_]"
        name = re.sub(rf"{before}(?<!{edge})(?:{either})(?!{edge})", rf"\1{{{field}}}", name, flags=re.IGNORECASE)
    return name


def _text(draft: PlanDraft) -> str:
    """The plan as TOML, ready to edit: what was found filled in, and what a person adds as comments."""
    offers = '# price = 499\n# settings = "stock"\n# driver = "1.0"\n'
    tables = [
        f"[[{table}]]\n{toml_lines({'key': key, 'label': label, 'settings': draft.settings.get(key)})}{rest}"
        for table, keys, rest in (("cards", draft.cards, offers), ("scenes", draft.scenes, "tags = []\n"))
        for key, label in zip(keys, labels(keys), strict=True)
    ]
    # A baseline without a cell leaves every other card there without a comparison.
    in_cells = Counter(card for card, *_ in draft.runs_in_cells)
    sensors = '# sensors = "{card}/{scene}/{resolution}/run{run}.sensors.csv"'
    return Template(Path(__file__).with_name("drafted_plan.toml").read_text("utf-8")).substitute(
        baseline=toml_value(max(draft.cards, key=in_cells.__getitem__)),
        resolutions=toml_value(draft.resolutions),
        runs=draft.n_runs,
        folder=toml_value(draft.folder),
        pattern=toml_value(draft.pattern.text),
        sensors=sensors if draft.sensors is None else f"sensors = {toml_value(draft.sensors.text)}",
        tables="\n".join(tables),
        run=toml_value("/".join([draft.cards[0], draft.scenes[0], draft.resolutions[0], "1"])),
        left_out="".join(
            f"\n[[exclude]]\n{toml_lines({'run': run_name(*at), 'reason': why})}" for at, why in draft.left_out.values()
        ),
    )


def _planned(counts: Collection[int]) -> int:
    """The most runs that a quarter of the cells has, each of one card: a run made again here and there plans none."""
    return sorted(counts, reverse=True)[(len(counts) - 1) // 4]


def _odd_runs(odd: Mapping[str, _Place], numbers: set[_Place]) -> dict[str, tuple[_Place, str]]:
    """Of captures with odd runs those to be left out, each with the reason; the numbers of the others are added."""
    left_out = {}
    for name, place in odd.items():
        number = (*place[:3], number_of_run(place[3]))
        if number[3].isdecimal() and number not in numbers and not _NO_GOOD.search(place[3]):
            numbers.add(number)
        else:
            other = f"carries the number {number[3]}, as another run does"
            lacks = "says that the run failed" if number[3].isdecimal() else "has no number of a run"
            left_out[name] = (place, other if number in numbers else lacks)
    return left_out


def labels(keys: Sequence[str]) -> list[str]:
    """What readers see for each key: words with capitals, or the key itself where it reads well as it is.

    So it does with spaces and capitals in it. Keys whose words would look the same stay, too.

    Examples
    --------
    >>> labels(["amber-6", "brae_41"]), labels(["amber", "Amber"])
    (['Amber 6', 'Brae 41'], ['amber', 'Amber'])
    >>> labels(["Nook 5 - mini"])
    ['Nook 5 - mini']
    """
    told = [_label(key) for key in keys]
    counts = Counter(told)
    return [label if counts[label] == 1 else key for key, label in zip(keys, told, strict=True)]


def _label(key: str) -> str:
    if " " in key and any(letter.isupper() for letter in key):  # written for readers already
        return key
    return " ".join(begun(word) for word in re.split(r"[-_ ]+", key) if word) or key


class PlanUpdate(NamedTuple):
    """The text of a plan with what was added to it, a line for each addition; none where nothing is new."""

    text: str
    added: tuple[str, ...]
    draft: PlanDraft


def update_plan(path: Path) -> PlanUpdate:
    """Add cards, scenes, resolutions and runs that lie in the folder of a plan and that it does not name.

    A capture whose name has that of another run, or that of a failed one, is excluded as in a new draft.

    Raises
    ------
    PlanError
        When the plan or its folder cannot be read, or a new name is one that no plan may hold.
    """
    import tomlkit

    plan = read_plan(path)
    pattern = plan.captures.pattern
    card = None if "card" in pattern.fields else plan.design.cards[0].key
    (draft,) = draft_plans(plan.captures.folder, beside=path.parent, pattern=pattern, card=card)
    places = _places(plan, draft.places)
    before = file_text(path, PlanError)
    document = tomlkit.parse(before.replace("\r\n", "\n"))
    added = []
    for at, field in enumerate(("card", "scene", "resolution")):
        entries = document[f"{field}s"]
        known = {entry if field == "resolution" else entry["key"] for entry in entries}
        new = sorted({place[at] for place in places.values()} - known, key=natural_order)
        for key, label in zip(new, new if field == "resolution" else labels(new), strict=True):
            entries.append(key if field == "resolution" else {"key": key, "label": label})
            added.append(f"{field} {label}")
    n_runs = _planned(Counter(place[:3] for place in places.values()).values())
    if n_runs > plan.design.runs_planned:
        document["runs"] = n_runs
        added.append(f"runs {plan.design.runs_planned} -> {n_runs}")
    # What stands in for a run that the plan excludes is taken in.
    odd = _places(plan, {name: place for name, (place, _) in draft.left_out.items()})
    excluded = exclusions_of(plan, [run_name(*place) for place in (*places.values(), *odd.values())], may_come=True)
    numbers = {(*at[:3], number_of_run(at[3])) for at in places.values() if run_name(*at) not in excluded}
    odd = {name: place for name, place in odd.items() if run_name(*place) not in excluded}
    left_out = _odd_runs(odd, numbers)
    for run, reason in left_out.values():
        document.setdefault("exclude", tomlkit.aot()).append({"run": run_name(*run), "reason": reason})
        added.append(f"exclude {run_name(*run)}, which {reason}")
    taken_in = {name: draft.left_out[name][0] for name in odd.keys() - left_out.keys()}
    draft = replace(draft, places={**draft.places, **taken_in})
    text = tomlkit.dumps(document).replace("\n", "\r\n" if "\r\n" in before else "\n")
    parse_plan(text, file_name=path.name, folder=path.parent)
    return PlanUpdate(text=text, added=tuple(added), draft=draft)


def _places(plan: ReviewPlan, captures: Mapping[str, _Place]) -> dict[str, _Place]:
    """Card, scene, resolution and run of every capture, by the plan's names where it has them."""
    known, fields, places = PlanPlaces(plan), plan.captures.pattern.fields, dict[str, _Place]()
    partly = {name: known.partly(name) for name in captures}
    n_of = Counter(new for ways in partly.values() for new in ways)
    for name, drafted in captures.items():
        told = zip(("card", "scene", "resolution", "run"), drafted, strict=True)
        by_draft = {key: text for key, text in told if key in fields and (key, text) != ("resolution", UNNAMED)}
        # Of two ways to part a path, that of which the new name is the most captures', then the shorter one.
        if ways := sorted(partly[name].items(), key=lambda way: (-n_of[way[0]], len(way[0][1]))):
            by_draft |= {at: text for at, text in ways[0][1].items() if spelling(text) != spelling(by_draft[at])}
        card, scene, resolution, run = known.place(known.fields(name) or by_draft).values()
        places[name] = card, scene, resolution, run
    return places
