"""A part of the invented review, which is as good as all of it where a test asks how a review is made."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

REVIEW = Path(__file__).parents[2] / "reference_logs" / "review"
BASELINE = "tarn-6"
SCENES = {"orchard", "bottling", "lanterns", "pavilion", "regatta"}


def copy_of_two_scenes(folder: Path, scenes: set[str]) -> Path:
    """The review in ``folder`` with two of its scenes, one of them ray-traced, at 2160p alone; gives its plan."""
    others = SCENES - scenes
    shutil.copytree(REVIEW, folder, ignore=shutil.ignore_patterns("1080p", "1440p", "tuning", *others))
    plan = folder / "plan.toml"
    text = re.sub(r"(?m)^resolutions = .*$", 'resolutions = ["2160p"]', plan.read_text("utf-8"))
    left_out = rf'\[\[scenes\]\]\nkey = "({"|".join(sorted(others))})"\n(.+\n)*\n'
    plan.write_text(re.sub(left_out, "", text), "utf-8")
    return plan
