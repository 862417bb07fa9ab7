"""A plan as plain values with its defaults filled in: it stands in every result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

from frametime.metrics.options import MeasureOptions, Refresh
from frametime.pipeline.plan_captures import CapturesPlan
from frametime.pipeline.plan_table import PlanTable
from frametime.review.design import CardEntry, ReviewDesign


@dataclass(frozen=True, kw_only=True)
class CardLimits:
    """Limits of one card, for the time above them and for throttling; ``None`` where the plan names none."""

    temperature_c: float | None
    power_w: float | None


def resolved_plan(
    root: PlanTable,
    design: ReviewDesign,
    captures: CapturesPlan,
    measure: MeasureOptions,
    scene_settings: Mapping[str, str],
    systems: Mapping[str, str],
    limits: Mapping[str, CardLimits],
) -> dict[str, object]:
    """The plan with its defaults, as it could be written again."""
    return {
        "title": design.title,
        "baseline": design.baseline,
        "margin": design.margin,
        "headline": design.headline,
        "metrics": [metric.key for metric in design.metrics],
        "resolutions": list(design.resolutions),
        "runs": design.runs_planned,
        "spread": design.spread,
        "sample_unit": design.sample_unit,
        "must_be_equal": list(design.must_be_equal),
        "captures": _captures(cast("dict[str, object]", root.values["captures"]), captures),
        "measure": _measure(measure),
        "cards": [_card(card, systems.get(card.key), limits[card.key]) for card in design.cards],
        "scenes": [
            {
                "key": scene.key,
                "label": scene.label,
                "tags": list(scene.tags),
                "settings": scene_settings.get(scene.key),
            }
            for scene in design.scenes
        ],
        "cuts": [{"key": cut.key, "label": cut.label, "definition": cut.definition} for cut in design.cuts],
        "running_cost": _running_cost(design),
        "exclude": [{"run": name, "reason": reason} for name, reason in design.exclusions.items()],
    }


def _captures(table: Mapping[str, object], captures: CapturesPlan) -> dict[str, object]:
    """Where the captures lie, as written: an absolute place of the machine is no part of a result."""
    return {
        "folder": table.get("folder", "."),
        "pattern": captures.pattern.text,
        "sensors": None if captures.sensors is None else captures.sensors.text,
        "layout": table.get("layout"),
        "sensor_layout": table.get("sensor_layout"),
        "skip_start_s": captures.skip_start_s,
        "skip_end_s": captures.skip_end_s,
        "skip_warm_up": captures.skip_warm_up,
    }


def _measure(measure: MeasureOptions) -> dict[str, object]:
    return {
        "quantile_type": measure.quantile_type,
        "stutter_factor": measure.stutter.factor,
        "stutter_window_s": measure.stutter.window_s,
        "stutter_min_excess_ms": measure.stutter.min_excess_ms,
        "slowest_pcts": list(measure.slowest_pcts),
        "refresh": None if measure.refresh is None else _refresh_text(measure.refresh),
        "tearing": measure.refresh is not None and measure.refresh.tearing,
    }


def _card(card: CardEntry, system: str | None, limits: CardLimits) -> dict[str, object]:
    return {
        "key": card.key,
        "label": card.label,
        "price": card.price,
        "currency": card.currency,
        "settings": card.settings,
        "driver": card.driver,
        "operating_system": system,
        "temperature_limit_c": limits.temperature_c,
        "power_limit_w": limits.power_w,
    }


def _running_cost(design: ReviewDesign) -> dict[str, object] | None:
    cost = design.running_cost
    if cost is None:
        return None
    return {
        "tariff_per_kwh": cost.tariff_per_kwh,
        "hours_per_day": cost.hours_per_day,
        "years": cost.years,
        "currency": cost.currency,
    }


def _refresh_text(refresh: Refresh) -> str:
    return str(refresh.low_hz) if refresh.is_fixed else f"{refresh.low_hz}-{refresh.high_hz}"
