"""Cuts of a plan: which cells are looked at together."""

from __future__ import annotations

from collections.abc import Sequence

from frametime.pipeline.plan_table import PlanTable
from frametime.review.design import CutEntry, SceneEntry

_ALL = "all"


def cuts_of(root: PlanTable, scenes: Sequence[SceneEntry], resolutions: Sequence[str]) -> tuple[CutEntry, ...]:
    """All cells first, then the plan's own cuts, then those of ``cut_each``.

    ``cut_each`` names ``resolution`` (one cut each, the default where there are several) and ``tag`` (with and
    without each tag that some scenes have and others not).
    """
    cells = tuple((scene.key, resolution) for scene in scenes for resolution in resolutions)
    cuts = [CutEntry(key=_ALL, label="All cells", definition="every scene at every resolution", cells=cells)]
    for table in root.tables("cuts"):
        cuts.append(_cut(table, scenes, resolutions, taken={cut.key for cut in cuts}))
    each = root.texts("cut_each", ("resolution",), allowed=("resolution", "tag"))
    if "tag" in each:
        cuts += _each_tag(scenes, resolutions)
    if "resolution" in each and len(resolutions) > 1:
        cuts += [
            CutEntry(
                key=resolution,
                label=f"{resolution} only",
                definition=f"every scene at {resolution}",
                cells=tuple((scene.key, resolution) for scene in scenes),
            )
            for resolution in resolutions
        ]
    # A cut of the plan's own goes before an automatic one of the same name.
    return tuple({cut.key: cut for cut in reversed(cuts)}[key] for key in dict.fromkeys(cut.key for cut in cuts))


def _cut(table: PlanTable, scenes: Sequence[SceneEntry], resolutions: Sequence[str], *, taken: set[str]) -> CutEntry:
    key = table.needed_text("key")
    if key in taken:
        raise table.refuse("key", f"is '{key}' a second time", "give each cut its own key; 'all' is always there")
    tags = sorted({tag for scene in scenes for tag in scene.tags})
    names = [scene.key for scene in scenes]
    with_tags = table.texts("tags", (), allowed=tags)
    without_tags = table.texts("without_tags", (), allowed=tags)
    with_scenes = table.texts("scenes", (), allowed=names)
    without_scenes = table.texts("without_scenes", (), allowed=names)
    with_resolutions = table.texts("resolutions", (), allowed=resolutions)
    without_resolutions = table.texts("without_resolutions", (), allowed=resolutions)
    label = table.text("label", key) or key
    table.finish()
    cells = tuple(
        (scene.key, resolution)
        for scene in scenes
        for resolution in resolutions
        if (not with_tags or set(with_tags) & set(scene.tags))
        and not set(without_tags) & set(scene.tags)
        and (not with_scenes or scene.key in with_scenes)
        and scene.key not in without_scenes
        and (not with_resolutions or resolution in with_resolutions)
        and resolution not in without_resolutions
    )
    if not cells:
        raise table.refuse("key", f"is '{key}', a cut that no cell falls into", "change what it takes in or leaves out")
    words = [
        f"{word} {', '.join(chosen)}"
        for word, chosen in (
            ("tagged", with_tags),
            ("not tagged", without_tags),
            ("scenes", with_scenes),
            ("without scenes", without_scenes),
            ("at", with_resolutions),
            ("not at", without_resolutions),
        )
        if chosen
    ]
    definition = "; ".join(words) or "every scene at every resolution"
    return CutEntry(key=key, label=label, definition=definition, cells=cells)


def _each_tag(scenes: Sequence[SceneEntry], resolutions: Sequence[str]) -> list[CutEntry]:
    cuts = []
    for tag in dict.fromkeys(tag for scene in scenes for tag in scene.tags):
        inside = [scene.key for scene in scenes if tag in scene.tags]
        outside = [scene.key for scene in scenes if tag not in scene.tags]
        if not outside:
            continue
        for key, label, definition, names in (
            (f"with-{tag}", f"Scenes tagged {tag}", f"tagged {tag}", inside),
            (f"without-{tag}", f"Without scenes tagged {tag}", f"not tagged {tag}", outside),
        ):
            cells = tuple((name, resolution) for name in names for resolution in resolutions)
            cuts.append(CutEntry(key=key, label=label, definition=definition, cells=cells))
    return cuts
