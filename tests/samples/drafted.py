"""The one plan that is drafted of a folder."""

from __future__ import annotations

from pathlib import Path

from frametime.plans.path_pattern import PathPattern
from frametime.plans.plan_draft import PlanDraft, draft_plans


def draft_plan(folder: Path, *, beside: Path, pattern: PathPattern | None = None, card: str | None = None) -> PlanDraft:
    (draft,) = draft_plans(folder, beside=beside, pattern=pattern, card=card)
    return draft
