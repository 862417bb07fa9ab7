"""A plan with what is new in its folder; every edit and comment stays."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from frametime.plans.finding_runs import PlanPlaces
from frametime.plans.path_pattern import UNNAMED
from frametime.plans.plan import ReviewPlan, parse_plan, read_plan
from frametime.plans.plan_draft import PlanDraft, draft_plan, labels
from frametime.review.run_set import natural_order

if TYPE_CHECKING:
    from tomlkit import TOMLDocument


@dataclass(frozen=True, kw_only=True)
class PlanUpdate:
    """The text of a plan with what was added to it, a line for each addition; none where nothing is new."""

    text: str
    added: tuple[str, ...]
    draft: PlanDraft


def update_plan(path: Path) -> PlanUpdate:
    """Add cards, scenes, resolutions and runs that lie in the folder of a plan and that it does not name.

    Raises
    ------
    PlanError
        When the plan or its folder cannot be read, or a new name is one that no plan may hold.
    """
    import tomlkit

    plan = read_plan(path)
    pattern = plan.captures.pattern
    card = None if "card" in pattern.fields else plan.design.cards[0].key
    draft = draft_plan(plan.captures.folder, beside=path.parent, pattern=pattern, card=card)
    places = _places(plan, draft)
    document = tomlkit.parse(path.read_text("utf-8"))
    added = [
        *_add_tables(document, "cards", [card.key for card in plan.design.cards], [place[0] for place in places]),
        *_add_tables(document, "scenes", [scene.key for scene in plan.design.scenes], [place[1] for place in places]),
    ]
    for name in _new(plan.design.resolutions, [place[2] for place in places]):
        document["resolutions"].append(name)
        added.append(f"resolution {name}")
    n_runs = max(Counter(place[:3] for place in places).values())
    if n_runs > plan.design.runs_planned:
        document["runs"] = n_runs
        added.append(f"runs {plan.design.runs_planned} -> {n_runs}")
    text = tomlkit.dumps(document)
    parse_plan(text, file_name=path.name, folder=path.parent)
    return PlanUpdate(text=text, added=tuple(added), draft=draft)


def _places(plan: ReviewPlan, draft: PlanDraft) -> list[tuple[str, str, str, str]]:
    """Card, scene, resolution and run of every capture, by the plan's names where it has them."""
    known = PlanPlaces(plan)
    places = []
    for name, (card, scene, resolution, run) in draft.places.items():
        drafted = {"card": card, "scene": scene, "resolution": resolution, "run": run}
        only_drafted = {
            field: text
            for field, text in drafted.items()
            if field in plan.captures.pattern.fields and (field, text) != ("resolution", UNNAMED)
        }
        place = known.place(known.fields(name) or only_drafted)
        places.append((place["card"], place["scene"], place["resolution"], place["run"]))
    return places


def _new(known: tuple[str, ...] | list[str], found: list[str]) -> list[str]:
    return sorted(set(found) - set(known), key=natural_order)


def _add_tables(document: TOMLDocument, table: str, known: list[str], found: list[str]) -> list[str]:
    import tomlkit

    added = []
    new = _new(known, found)
    for key, label in zip(new, labels(new), strict=True):
        entry = tomlkit.table()
        entry.add("key", key)
        entry.add("label", label)
        document[table].append(entry)
        added.append(f"{table.removesuffix('s')} {label}")
    return added
