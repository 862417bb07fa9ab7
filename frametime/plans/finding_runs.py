"""The captures of a plan: found by the path pattern, each at its place and with its conditions."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache, partial
from pathlib import Path
from typing import NamedTuple, TypeAlias

from frametime.capture import Conditions
from frametime.errors import PlanError, printable
from frametime.plans.folder_walk import sensor_log_beside, text_of
from frametime.plans.path_pattern import KNOWN, RUN_WORDS, PathPattern, resolution_name, spelling, starred
from frametime.plans.path_reading import LOG_ENDING, MONTH
from frametime.plans.plan import ReviewPlan
from frametime.review.run_set import run_name

_Found: TypeAlias = tuple[Path, dict[str, str]]
"""A file, and the fields of its path."""


class RunFile(NamedTuple):
    """A capture at its place in the plan: card, scene, resolution and run.

    ``name`` is its path below the captures folder.
    """

    path: Path
    name: str
    place: Mapping[str, str]
    sensors: Path | None
    conditions: Conditions


class FoundRuns(NamedTuple):
    """What lies in the captures folder: runs of the plan, and files that fit the pattern but not the plan."""

    runs: tuple[RunFile, ...]
    not_in_plan: tuple[str, ...]
    without_sensors: tuple[str, ...]


def find_runs(plan: ReviewPlan) -> FoundRuns:
    """Files below the captures folder that fit the pattern, in the order of their names.

    Raises
    ------
    PlanError
        When the folder is not there, two files stand for the same run, or a path contradicts the plan.
    """
    folder, pattern = plan.captures.folder, plan.captures.pattern
    places = PlanPlaces(plan)
    if not folder.is_dir():
        wrong = f"there is no folder '{printable(str(folder))}'"
        raise PlanError.at(plan.file_name, wrong, helps="check [captures] folder")
    runs: list[RunFile] = []
    known: set[str] = set()
    not_in_plan: list[str] = []
    cells, cards = set(plan.design.cells), {card.key for card in plan.design.cards}
    found = [(path, fields) for path, fields in pattern.glob(folder) if not path.name.startswith(".")]
    if pattern.text.endswith("*"):
        found = _those_of_logs(found)
    given = plan.captures.sensors
    sensor_match = given.match if given is not None else lambda _: None
    besides = {} if given is not None else {path: sensor_log_beside(path) for path, _ in found}
    taken = set(besides.values())
    named = [(path, path.relative_to(folder).as_posix(), loose) for path, loose in found if path not in taken]
    captures = [(path, raw, places.fields(raw) or loose) for path, raw, loose in named if sensor_match(raw) is None]
    sensor_logs = cache(partial(_sensor_logs, folder, [fields for _, _, fields in captures]))
    for path, raw_name, fields in captures:
        name = text_of(raw_name)
        values = {key: text_of(value) for key, value in fields.items()}
        place = places.place(values)
        if place["card"] not in cards or (place["scene"], place["resolution"]) not in cells:
            not_in_plan.append(name)
            continue
        if "run" not in values and run_name(**place) in known:  # the first of copies that are counted from 1
            place["run"] = "0"
        known.add(run_name(**place))
        sensors = besides.get(path) if given is None else _sensor_file(folder, given, sensor_logs, fields)
        conditions = _conditions(plan, name, {**values, "card": place["card"], "scene": place["scene"]}, place)
        runs.append(RunFile(path=path, name=name, place=place, sensors=sensors, conditions=conditions))
    _refuse_run_twice(plan, runs)
    without = tuple(run.name for run in runs if given is not None and run.sensors is None)
    return FoundRuns(runs=tuple(runs), not_in_plan=tuple(not_in_plan), without_sensors=without)


def _those_of_logs(found: Iterable[tuple[Path, dict[str, str]]]) -> list[tuple[Path, dict[str, str]]]:
    """The files that end as logs do, where a pattern leaves the ending open: no pictures, no JSON beside a log."""
    logs = {path: (LOG_ENDING.sub("", str(path)), fields) for path, fields in found if LOG_ENDING.search(path.name)}
    told = {stem for path, (stem, _) in logs.items() if path.suffix.casefold() != ".json"}
    return [
        (path, fields) for path, (stem, fields) in logs.items() if path.suffix.casefold() != ".json" or stem not in told
    ]


def _refuse_run_twice(plan: ReviewPlan, runs: Iterable[RunFile]) -> None:
    """Refuse two captures of one run, and two of a cell whose names carry its number, such as ``1`` and ``1_copy``.

    Raises
    ------
    PlanError
    """
    seen: dict[str | tuple[str, ...], RunFile] = {}
    for run in runs:
        name, mark = run_name(**run.place), number_of_run(run.place["run"])
        if (other := seen.setdefault(name, run)) is not run:
            # No [[exclude]] tells them apart.
            wrong, helps = f"stand for the run '{printable(name)}'", "remove or rename one"
        elif any(starred(each, name) for each in plan.design.exclusions):
            continue
        else:
            other = seen.setdefault((run.place["card"], run.place["scene"], run.place["resolution"], mark), run)
            wrong, helps = f"carry the number of run {mark}", "exclude or remove one"
        if other is not run:
            wrong = f"'{printable(other.name)}' and '{printable(run.name)}' both {wrong}"
            raise PlanError.at(plan.file_name, wrong, helps=f"{helps}, or part them by the pattern")


def run_of(fields: Mapping[str, str]) -> str:
    """The name of a run from the fields of its path: one in letters or words has the number for which they stand.

    Examples
    --------
    >>> run_of({"run": "second"}), run_of({"run": "B"}), run_of({"session": "2026-11-25", "run": "02"}), run_of({})
    ('2', '2', '2026-11-25 02', '1')
    """
    run = fields.get("run", "1")
    return f"{fields.get('session', '')} {RUN_WORDS.get(run.casefold(), run)}".lstrip()


def in_setting(fields: Mapping[str, str]) -> str | None:
    """The scene of a path beside its setting: one that is played in several settings is a scene in each.

    Examples
    --------
    >>> in_setting({"scene": "harbor", "scene_settings": "high"}), in_setting({"scene": "harbor"})
    ('harbor high', None)
    """
    return "{scene} {scene_settings}".format_map(fields) if {"scene", "scene_settings"} <= fields.keys() else None


def number_of_run(run: str) -> str:
    """The number at the beginning of a run's name without zeros in front; the whole name where none stands there.

    Examples
    --------
    >>> number_of_run("03 final"), number_of_run("2026-11-25 1"), number_of_run("c_again"), number_of_run("aborted")
    ('3', '2026-11-25 1', '3', 'aborted')
    """
    if (number := re.match(rf"(\d{{1,3}})(?!\d|[-_.:]?\d|[-_. ]*{MONTH}[-_. ])", run, re.IGNORECASE)) is None:
        return RUN_WORDS.get(re.split(r"[\W_]", run, maxsplit=1)[0].casefold(), run)
    return number[1].lstrip("0") or "0"


class PlanPlaces:
    """Where in the plan a path belongs: names that the plan knows are told from those beside them."""

    def __init__(self, plan: ReviewPlan) -> None:
        design, pattern = plan.design, plan.captures.pattern
        self._names = {
            "card": [card.key for card in design.cards],
            "scene": [scene.key for scene in design.scenes],
            "resolution": list(design.resolutions),
        }
        parted = self._names | _parted_scenes(plan) if "scene_settings" in pattern.fields else self._names
        of_names = {field: names for field, names in parted.items() if field != "resolution"}
        told = {"resolution": KNOWN["resolution"]}
        loose = (pattern.with_values(of_names, any_spelling=any_spelling, told=told) for any_spelling in (False, True))
        self._patterns = (pattern.with_values(parted), *loose)
        self._partly = [
            (new, pattern.with_values({at: self._names[at]}, any_spelling=True, told=of_run))
            for new, at in (("scene", "card"), ("card", "scene"))
            for of_run in (told, KNOWN)  # the last that fits counts
            if {"card", "scene", "scene_settings"} & {*pattern.fields} == {"card", "scene"}
        ]
        self._equal = {resolution_name(name): name for name in reversed(self._names["resolution"])}

    def fields(self, name: str) -> dict[str, str] | None:
        """The fields of a path with the names of the plan; ``None`` where it holds others."""
        return next((fields for pattern in self._patterns if (fields := pattern.match(name)) is not None), None)

    def partly(self, name: str) -> dict[tuple[str, str], dict[str, str]]:
        """The ways to part a path of which the plan has the card or the scene: by the name that is new, both names."""
        found = {new: fields for new, one in self._partly if (fields := one.match(name)) is not None}
        return {(new, of[new]): {"card": of["card"], "scene": of["scene"]} for new, of in found.items()}

    def place(self, values: Mapping[str, str]) -> dict[str, str]:
        """Card, scene, resolution and run as the plan names them: `spelling` and equal resolutions do not matter."""
        place = {}
        for field, names in self._names.items():
            text = values.get(field, names[0])
            if field == "scene" and (whole := in_setting(values)) and spelling(whole) in map(spelling, names):
                text = whole
            same = [] if text in names else [name for name in names if spelling(name) == spelling(text)]
            place[field] = same[0] if len(same) == 1 else text
        if place["resolution"] not in self._names["resolution"]:
            place["resolution"] = self._equal.get(resolution_name(place["resolution"]), place["resolution"])
        return {**place, "run": run_of(values)}


def _parted_scenes(plan: ReviewPlan) -> dict[str, list[str]]:
    """Names of scenes and settings as they stand in paths: a scene ``harbor high`` with the setting ``high``, say."""
    settings = {scene.key: scene.settings or "" for scene in plan.scenes.values()}
    return {
        "scene": [key.removesuffix(f" {setting}") for key, setting in settings.items()],
        "scene_settings": [*filter(None, settings.values())],
    }


def _sensor_logs(folder: Path, captures: Sequence[Mapping[str, str]], pattern: PathPattern) -> list[_Found]:
    """Sensor logs with the fields of their paths: names of several words are parted as in those of the captures."""
    told = {field: texts for field in pattern.fields if (texts := {one[field] for one in captures if field in one})}
    return [*pattern.with_values(told, any_spelling=True).glob(folder)]


def _sensor_file(
    folder: Path, pattern: PathPattern, logs: Callable[[PathPattern], Iterable[_Found]], values: dict[str, str]
) -> Path | None:
    """The sensor log of a run, with the names as in the path of its capture, else the one that is spelled alike."""
    values = {name: values[name] for name in pattern.fields if name in values}
    relative = pattern.path_of(values)
    if "*" not in relative and (folder / relative).is_file():
        return folder / relative
    alike = [(path, found) for path, found in logs(pattern) if _spelled(found) == _spelled(values)]
    fits = [path for path, found in alike if found == values] or [path for path, _ in alike]
    return fits[0] if len(fits) == 1 else None


def _spelled(values: Mapping[str, str]) -> dict[str, str]:
    return {field: spelling(text) for field, text in values.items()}


def _conditions(plan: ReviewPlan, name: str, values: dict[str, str], place: dict[str, str]) -> Conditions:
    card, scene = plan.cards[values["card"]], plan.scenes[values["scene"]]
    from_plan = {
        "card_settings": card.settings,
        "driver": card.driver,
        "operating_system": card.operating_system,
        "scene_settings": scene.settings,
    }
    for key, planned in from_plan.items():
        in_path = values.get(key)
        if in_path is not None and planned is not None and spelling(in_path) != spelling(planned):
            told = f"'{printable(planned)}' in the plan, but '{printable(in_path)}' in the path '{printable(name)}'"
            helps = "leave it out of the plan, or correct one of them"
            raise PlanError.at(plan.file_name, f"{key.replace('_', ' ')} is {told}", helps=helps)
    chosen = {key: values.get(key) if planned is None else planned for key, planned in from_plan.items()}
    return Conditions(**place, **chosen)
