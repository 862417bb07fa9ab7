"""Tuning as JSON: full precision, a missing number as null with its reason."""

from __future__ import annotations

from frametime.render.plain import json_text
from frametime.tuning.cautions import CAUTIONS
from frametime.tuning.endurance_verdict import EnduranceVerdict
from frametime.tuning.proposal import Finished, NextStep
from frametime.tuning.tuning_summary import TuningSummary
from frametime.version import __version__

SCHEMA_VERSION = 1


def _head(kind: str) -> dict[str, object]:
    return {"kind": kind, "schema_version": SCHEMA_VERSION, "frametime_version": __version__, "cautions": CAUTIONS}


def next_step_json(step: NextStep) -> str:
    """The next trial, or the finish."""
    kind = "tuning-finished" if isinstance(step, Finished) else "tuning-next-trial"
    return json_text({**_head(kind), "step": step}) + "\n"


def summary_json(summary: TuningSummary) -> str:
    """A tuning record, judged."""
    return json_text({**_head("tuning-summary"), "summary": summary}) + "\n"


def endurance_json(verdict: EnduranceVerdict) -> str:
    """The verdict of an endurance run."""
    return json_text({**_head("endurance-verdict"), "verdict": verdict}) + "\n"
