"""A first plan from what lies in a folder, ready to edit."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path, PurePosixPath
from typing import Final

from frametime.errors import FrametimeError, PlanError, printable
from frametime.plans.folder_walk import files_below, text_of
from frametime.plans.path_pattern import PathPattern
from frametime.plans.plan import parse_plan
from frametime.review.run_set import natural_order
from frametime.settings.toml_writing import toml_value

_LOG_ENDINGS: Final = (".csv", ".tsv", ".txt", ".log", ".arrow", ".feather", ".parquet")
_PACKED_ENDINGS: Final = ("", ".gz", ".zst", ".bz2", ".xz")
_SENSOR_WORD: Final = re.compile(r"(?<![A-Za-z])sensors?(?![A-Za-z])", re.IGNORECASE)
_RESOLUTION: Final = re.compile(r"\d{3,4}p|\d{3,5}x\d{3,5}|[248]k", re.IGNORECASE)
_NUMBER_AT_END: Final = re.compile(r"(.*?)(\d+)")
_HELPS: Final = "give --path-pattern, such as --path-pattern '{card}/{scene}/{resolution}/run{run}.csv'"


@dataclass(frozen=True, kw_only=True)
class PlanDraft:
    """What a first plan rests on, and its text: ``folder`` is as seen from the plan, keys stand in their order."""

    folder: str
    pattern: PathPattern
    sensors: PathPattern | None
    cards: tuple[str, ...]
    scenes: tuple[str, ...]
    resolutions: tuple[str, ...]
    n_runs: int
    n_captures: int
    left_over: tuple[str, ...]

    @cached_property
    def text(self) -> str:
        """The plan as TOML, ready to edit."""
        return _text(self)


def draft_plan(folder: Path, *, beside: Path, pattern: PathPattern | None = None) -> PlanDraft:
    """Write a first plan for the captures below a folder.

    Parameters
    ----------
    folder : pathlib.Path
    beside : pathlib.Path
        Folder in which the plan will lie: the captures folder is written relative to it.
    pattern : PathPattern, optional
        How the paths are built; otherwise it is found from folders and file names.

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
    logs = sorted(path.relative_to(folder).as_posix() for path in files_below(folder) if _is_log(path.name))
    sensor_shapes = _sensor_shapes(folder, logs)
    captures = [name for name in logs if _shape(name) not in sensor_shapes]
    if not captures:
        raise _fault(folder, "no capture lies in this folder", helps=f"logs end in {', '.join(_LOG_ENDINGS)}")
    found = pattern or _found_pattern(folder, captures)
    values = {
        name: {key: text_of(value) for key, value in fields.items()}
        for name in captures
        if (fields := found.match(name)) is not None
    }
    if not values:
        raise _fault(folder, f"none of {len(captures)} captures fits the pattern '{printable(found.text)}'")
    absent = [name for name in ("card", "scene", "run") if name not in found.fields]
    if absent:
        raise _fault(
            folder,
            f"the pattern '{printable(found.text)}' lacks '{{{absent[0]}}}'",
            helps="add it to --path-pattern",
        )
    draft = _draft(folder, beside, found, values, captures, logs)
    _refuse_what_review_would(draft, folder, beside)
    return draft


def _shape(name: str) -> str:
    return re.sub(r"\d+", "#", PurePosixPath(name).name)


def _sensor_shapes(folder: Path, logs: Sequence[str]) -> set[str]:
    """Names, but for their digits, of which the first file is a sensor log by its name or its content."""
    from frametime.adapters.file_kind import classify_file

    first = {_shape(name): name for name in reversed(logs)}
    return {
        shape
        for shape, name in first.items()
        if _SENSOR_WORD.search(shape) or classify_file(folder / name).kind == "sensors"
    }


def _draft(
    folder: Path,
    beside: Path,
    pattern: PathPattern,
    values: Mapping[str, Mapping[str, str]],
    captures: Sequence[str],
    logs: Sequence[str],
) -> PlanDraft:
    """The draft from the fields of the captures that fit the pattern."""
    cards, scenes = (_in_order(fields[key] for fields in values.values()) for key in ("card", "scene"))
    resolutions = _in_order(_cell(fields)[2] for fields in values.values())
    n_runs = max(Counter(_cell(fields) for fields in values.values()).values())
    return PlanDraft(
        folder=_relative(folder, beside),
        pattern=pattern,
        sensors=_sensor_pattern(pattern, [name for name in logs if name not in captures], values),
        cards=cards,
        scenes=scenes,
        resolutions=resolutions,
        n_runs=n_runs,
        n_captures=len(values),
        left_over=tuple(name for name in captures if name not in values),
    )


def _cell(fields: Mapping[str, str]) -> tuple[str, str, str]:
    return fields["card"], fields["scene"], fields.get("resolution", "default")


def _refuse_what_review_would(draft: PlanDraft, folder: Path, beside: Path) -> None:
    """A drafted plan is one that a review takes; names for which there is none are told here, not later."""
    try:
        parse_plan(draft.text, file_name="drafted plan", folder=beside)
    except FrametimeError as error:
        raise _fault(
            folder,
            f"no plan can be drafted from these names ({error})",
            helps="rename that folder or file, or leave it out with --path-pattern",
        ) from error


def _relative(folder: Path, beside: Path) -> str:
    """The captures folder as seen from where the plan will lie."""
    try:
        return Path(os.path.relpath(folder.resolve(), beside.resolve())).as_posix()
    except ValueError:  # another drive
        return folder.resolve().as_posix()


def _is_log(name: str) -> bool:
    return name.lower().endswith(tuple(log + packed for log in _LOG_ENDINGS for packed in _PACKED_ENDINGS))


def _fault(folder: Path, message: str, *, helps: str = _HELPS) -> PlanError:
    return PlanError.at(str(folder), message, helps=helps)


def _found_pattern(folder: Path, captures: Sequence[str]) -> PathPattern:
    """Folders become card, scene and resolution in that order; the number at the end of the name is the run."""
    parts = [PurePosixPath(name).parts for name in captures]
    depths = {len(part) for part in parts}
    if len(depths) != 1:
        raise _fault(
            folder,
            f"captures lie at different depths ({printable(min(captures, key=len))} and "
            f"{printable(max(captures, key=lambda name: name.count('/')))})",
        )
    folders = [_folder_field([part[at] for part in parts]) for at in range(depths.pop() - 1)]
    unnamed = [at for at, field in enumerate(folders) if field is None]
    if len(unnamed) != 2 or folders.count("resolution") > 1:
        raise _fault(
            folder,
            f"card, scene and resolution cannot be told from the path '{printable(captures[0])}'",
        )
    folders[unnamed[0]], folders[unnamed[1]] = "card", "scene"
    return PathPattern.parse("/".join([*(f"{{{field}}}" for field in folders), _name_pattern(folder, parts)]))


def _folder_field(names: Sequence[str]) -> str | None:
    return "resolution" if all(_RESOLUTION.fullmatch(name) for name in names) else None


def _name_pattern(folder: Path, parts: Sequence[tuple[str, ...]]) -> str:
    found = set()
    for part in parts:
        stem, dot, ending = part[-1].partition(".")
        number = _NUMBER_AT_END.fullmatch(stem)
        if any(brace in part[-1] for brace in "{}"):
            raise _fault(folder, f"the file name '{printable(part[-1])}' holds a brace, which marks fields")
        if number is None:
            raise _fault(folder, f"the file name '{printable(part[-1])}' has no run number at its end")
        found.add(f"{number[1]}{{run}}{dot}{ending}")
    if len(found) != 1:
        raise _fault(folder, f"file names differ in more than the run number ({', '.join(sorted(found)[:3])})")
    return found.pop()


def _sensor_pattern(
    pattern: PathPattern, others: Sequence[str], values: Mapping[str, Mapping[str, str]]
) -> PathPattern | None:
    """Sensor logs that lie beside captures under the same name with the word ``sensors`` in its ending."""
    for name in others:
        stem, _, ending = PurePosixPath(name).name.partition(".")
        head = pattern.text.rpartition("/")[0]
        capture_stem = pattern.text.rpartition("/")[2].partition(".")[0]
        candidate = "/".join(filter(None, [head, f"{capture_stem}.{ending}"]))
        if "{" in ending or "}" in ending or not stem:
            continue
        found = PathPattern.parse(candidate)
        fields = found.match(name)
        if fields is not None and {key: text_of(value) for key, value in fields.items()} in values.values():
            return found
    return _session_pattern(others, {fields["card"] for fields in values.values()})


def _session_pattern(others: Sequence[str], cards: Iterable[str]) -> PathPattern | None:
    """Sensor logs of many runs: one for each card, whose name stands in the path, or one for all."""
    longest_first = sorted(cards, key=len, reverse=True)
    texts = set()
    for name in others:
        card = next((card for card in longest_first if card in text_of(name)), None)
        texts.add(name if card is None else name.replace(card, "{card}", 1))
    if len(texts) != 1 or any(brace in name for name in others for brace in "{}"):
        return None
    return PathPattern.parse(texts.pop())


def _in_order(names: Iterator[str]) -> tuple[str, ...]:
    return tuple(sorted(set(names), key=natural_order))


def _text(parts: PlanDraft) -> str:
    """The plan as TOML, ready to edit: what was found filled in, and what a person adds as comments."""
    lines = [*_head(parts), *_captures_lines(parts)]
    for card, label in zip(parts.cards, labels(parts.cards), strict=True):
        lines += [
            "[[cards]]",
            f"key = {toml_value(card)}",
            f"label = {toml_value(label)}",
            "# price = 499",
            '# settings = "stock"',
            '# driver = "1.0"',
            "",
        ]
    for scene, label in zip(parts.scenes, labels(parts.scenes), strict=True):
        lines += ["[[scenes]]", f"key = {toml_value(scene)}", f"label = {toml_value(label)}", "tags = []", ""]
    return "\n".join([*lines, *_offers(parts)])


def _head(parts: PlanDraft) -> list[str]:
    return [
        "# The plan of a review. Edit it, then: frametime review PLAN.toml --coverage",
        "",
        'title = "Title of the review"',
        f"baseline = {toml_value(parts.cards[0])}  # the card that the others are compared with",
        "margin = 0.03  # a difference that counts: 0.03 is 3 %",
        'metrics = ["average_fps", "low_1pct_percentile_fps"]  # the first is the headline',
        f"resolutions = {toml_value(parts.resolutions)}",
        f"runs = {parts.n_runs}  # planned for each card in each cell",
        'currency = "EUR"',
        "",
    ]


def _captures_lines(parts: PlanDraft) -> list[str]:
    example = '# sensors = "{card}/{scene}/{resolution}/run{run}.sensors.csv"'
    return [
        "[captures]",
        f"folder = {toml_value(parts.folder)}",
        f"pattern = {toml_value(parts.pattern.text)}",
        example if parts.sensors is None else f"sensors = {toml_value(parts.sensors.text)}",
        '# layout = "layout.toml"  # a column layout, where the logs leave a choice',
        "",
    ]


def _offers(parts: PlanDraft) -> list[str]:
    """What a plan may hold besides, as comments."""
    run = "/".join([parts.cards[0], parts.scenes[0], parts.resolutions[0], "1"])
    return [
        "# [[cuts]]  # cells that are also shown by themselves; one for each resolution is made anyway",
        '# key = "without-ray-tracing"',
        '# label = "Without ray-traced scenes"',
        '# without_tags = ["ray-traced"]',
        "",
        "# [running_cost]  # where there are sensor logs",
        "# tariff_per_kwh = 0.32",
        "# hours_per_day = 3",
        "# years = 4",
        "",
        "# [[exclude]]  # a run that must not count, with the reason that every output prints",
        f"# run = {toml_value(run)}",
        '# reason = "a program update ran in the background"',
        "",
    ]


def labels(keys: Sequence[str]) -> list[str]:
    """What readers see for each key: words with capitals, or the key itself where two would look the same.

    Examples
    --------
    >>> labels(["amber-6", "brae_41"]), labels(["amber", "Amber"])
    (['Amber 6', 'Brae 41'], ['amber', 'Amber'])
    """
    told = [_label(key) for key in keys]
    counts = Counter(told)
    return [label if counts[label] == 1 else key for key, label in zip(keys, told, strict=True)]


def _label(key: str) -> str:
    return " ".join(word[:1].upper() + word[1:] for word in re.split(r"[-_ ]+", key) if word) or key
