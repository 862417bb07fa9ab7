"""Cuts of a plan: which cells are looked at together."""

from __future__ import annotations

from collections.abc import Iterator

from frametime.plans.plan_keys import CutKeys, PlanKeys
from frametime.review.design import CutEntry
from frametime.settings.toml_source import TomlSource

_ALL = "all"
_EVERY = "every scene at every resolution"


def cuts_of(source: TomlSource, keys: PlanKeys) -> tuple[CutEntry, ...]:
    """All cells first, then the plan's own cuts, then those of ``cut_each``.

    ``cut_each`` names ``resolution`` (one cut each, the default where there are several) and ``tag`` (with and
    without each tag that some scenes have and others not).

    Raises
    ------
    PlanError
    """
    cuts = [_cut(keys, CutKeys(key=_ALL, label="Overall"))]
    scenes, tags = [scene.key for scene in keys.scenes], sorted({tag for scene in keys.scenes for tag in scene.tags})
    for at, table in enumerate(keys.cuts):
        place = ("cuts", at)
        for name, known in (("tags", tags), ("scenes", scenes), ("resolutions", keys.resolutions)):
            source.check_among((*place, name), known)
            source.check_among((*place, f"without_{name}"), known)
        if table.key in {cut.key for cut in cuts}:
            helps = "give each cut its own key; 'all' is always there"
            raise source.fault((*place, "key"), f"is '{table.key}' a second time", helps)
        cuts.append(_cut(keys, table))
        if not cuts[-1].cells:
            found = f"is '{table.key}', a cut that no cell falls into"
            raise source.fault((*place, "key"), found, "change what it takes in or leaves out")
    cuts += _each(keys)
    # A cut of the plan's own goes before an automatic one of the same name.
    return tuple({cut.key: cut for cut in reversed(cuts)}[key] for key in dict.fromkeys(cut.key for cut in cuts))


def _cut(keys: PlanKeys, table: CutKeys, definition: str = "") -> CutEntry:
    cells = tuple(
        (scene.key, resolution)
        for scene in keys.scenes
        for resolution in keys.resolutions
        if (scene.resolutions is None or resolution in scene.resolutions)
        and (not table.tags or set(table.tags) & set(scene.tags))
        and not set(table.without_tags) & set(scene.tags)
        and (not table.scenes or scene.key in table.scenes)
        and scene.key not in table.without_scenes
        and (not table.resolutions or resolution in table.resolutions)
        and resolution not in table.without_resolutions
    )
    words = [
        f"{word} {', '.join(chosen)}"
        for word, chosen in (
            ("tagged", table.tags),
            ("not tagged", table.without_tags),
            ("scenes", table.scenes),
            ("without scenes", table.without_scenes),
            ("at", table.resolutions),
            ("not at", table.without_resolutions),
        )
        if chosen
    ]
    return CutEntry(
        key=table.key, label=table.label or table.key, definition=definition or "; ".join(words) or _EVERY, cells=cells
    )


def _each(keys: PlanKeys) -> Iterator[CutEntry]:
    if "tag" in keys.cut_each:
        for tag in dict.fromkeys(tag for scene in keys.scenes for tag in scene.tags):
            if any(tag not in scene.tags for scene in keys.scenes):
                yield _cut(keys, CutKeys(key=f"with-{tag}", label=f"Scenes tagged {tag}", tags=(tag,)))
                yield _cut(
                    keys, CutKeys(key=f"without-{tag}", label=f"Without scenes tagged {tag}", without_tags=(tag,))
                )
    if "resolution" in keys.cut_each and len(keys.resolutions) > 1:
        for resolution in keys.resolutions:
            label, definition = f"{resolution} only", f"every scene at {resolution}"
            yield _cut(keys, CutKeys(key=resolution, label=label, resolutions=(resolution,)), definition)
