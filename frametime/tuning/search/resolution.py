"""What the runs of a record can tell apart: a step that cannot gain so much is not worth a trial.

Only first runs and those at stock count, so that a later repeat changes no answer that was given before it.
"""

from __future__ import annotations

import math

import numpy as np

from frametime.statistics.distributions import t_quantile
from frametime.tuning.record import STOCK, Axis, Setting
from frametime.tuning.search.trial_view import TrialView


def resolved_pct(view: TrialView) -> float | None:
    """The smallest difference of speed that the repeats of two settings tell apart, in percent.

    Half the width of the 95 % t interval for a difference of two means, on logarithms, with the scatter of the runs at
    stock; ``None`` with fewer than two of them.
    """
    logs = np.log(view.runs_fps(STOCK, view.record.heaviest.name))
    if logs.size < 2:
        return None
    scatter = float(np.std(logs, ddof=1))
    return 100.0 * t_quantile(0.975, logs.size - 1) * scatter * math.sqrt(2.0 / view.record.steps.repeats)


def gain_left_pct(view: TrialView, setting: Setting, axis: Axis, farther: float) -> float | None:
    """What one clock can gain up to ``farther``, in percent: as much for each MHz as over the last step up to it.

    ``None`` where nothing below was measured.
    """
    workload = view.record.heaviest.name
    turned = setting.turned(axis)
    fps = {
        trial.setting.turned(axis): runs[0]
        for trial in view.record.trials
        if trial.setting.turned_to(axis, turned) == setting and (runs := view.runs_fps(trial.setting, workload))
    }
    below = max((at for at in fps if at < turned), default=None)
    if below is None or turned not in fps:
        return None
    return 100.0 * (fps[turned] / fps[below] - 1.0) * (farther - turned) / (turned - below)


def is_unresolved(view: TrialView, setting: Setting, axis: Axis, farther: float) -> bool:
    """Whether a step up to ``farther`` cannot gain what the runs tell apart."""
    resolved, left = resolved_pct(view), gain_left_pct(view, setting, axis, farther)
    return resolved is not None and left is not None and left < resolved
