"""The order of a plan's runs: by its keys, the same on the terminal, in CSV and for the watch."""

from __future__ import annotations

import csv
from pathlib import Path

from run_cli import frametime

from frametime.plans.plan import chosen_order, parse_plan

PLAN = """\
title = "Two cards"
baseline = "amber-6"
resolutions = ["1440p"]
cards = [{ key = "amber-6", label = "Amber 6" }, { key = "birch-9" }]
scenes = [{ key = "harbor", label = "Harbor" }, { key = "canyon" }]
captures = { folder = "logs" }
"""


def test_a_plan_without_the_table_asks_for_no_order() -> None:
    plan = parse_plan(PLAN, file_name="plan.toml", folder=Path())
    assert chosen_order(plan.design, plan.order) == ()


def test_keys_of_the_plan_are_what_the_list_is_made_by_and_options_go_before_them(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN + "[order]\nseed = 7\nswaps = 1\n", encoding="utf-8")
    plan = parse_plan(path.read_text("utf-8"), file_name="plan.toml", folder=tmp_path)
    told = frametime("order", str(path), "--out", str(tmp_path / "order.csv"))
    assert told.code == 0
    assert told.out.count("Put in") == 2
    assert "put it into the plan" not in told.err
    with (tmp_path / "order.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [tuple(row.values())[:4] for row in rows] == [step[:4] for step in chosen_order(plan.design, plan.order)]
    told = frametime("order", str(path), "--swaps", "2")
    assert told.out.count("Put in") == 3
    assert "swaps = 2" in told.err and "no order has" not in told.err
    path.write_text(PLAN + "[order]\nseed = 7\n", encoding="utf-8")
    told = frametime("order", str(path), "--swaps", "0")
    assert "no order has fewer than 1 swap\n" in told.err and "swaps = 1\n" in told.err
