"""The summary of a review as Markdown: everything a reader needs to judge the verdict, in one file."""

from __future__ import annotations

from frametime.caveats import Weight
from frametime.render.caveat_groups import caveat_groups, group_words, place_name, placed_caveats
from frametime.render.markdown_text import escaped, markdown_table
from frametime.render.numbers import format_like, format_quantity
from frametime.render.review_words import (
    cell_name,
    change_words,
    coverage_sentence,
    coverage_words,
    estimate_words,
    mean_words,
    metric_name,
    money_words,
    verdict_words,
)
from frametime.review.card_repeatability import OUTLIER_STORY
from frametime.review.design import CutEntry
from frametime.review.result import ReviewResult
from frametime.words import counted


def review_markdown(result: ReviewResult) -> str:
    """The whole summary."""
    parts = [f"# {escaped(result.title)}", ""]
    for cut in result.cuts:
        parts += _cut(result, cut)
    parts += _cells(result)
    parts += _values_of_cells(result)
    parts += _value(result)
    parts += _efficiency(result)
    parts += _repeatability(result)
    parts += _coverage(result)
    parts += _caveats(result)
    parts += _methods(result)
    parts += _files(result)
    return "\n".join(parts).rstrip() + "\n"


def _cut(result: ReviewResult, cut: CutEntry) -> list[str]:
    rows = []
    for metric in result.metrics:
        for item in result.standings:
            if (item.cut, item.metric) != (cut.key, metric.key):
                continue
            pair = next(
                (o for o in result.overall if (o.cut, o.metric, o.candidate) == (cut.key, metric.key, item.card)), None
            )
            rows.append(
                [
                    metric_name(metric),
                    item.place,
                    result.card(item.card).label,
                    mean_words(item, metric),
                    "baseline" if pair is None else change_words(pair.ratio, pair.interval_these_scenes),
                    "" if pair is None else change_words(pair.ratio, pair.interval_scenes_like_these),
                    "" if pair is None else pair.verdict + (" (real, but small)" if pair.real_but_small else ""),
                    ""
                    if pair is None
                    else f"{pair.counts.ahead} / {pair.counts.behind} / {pair.counts.tied} / {pair.counts.undecided}",
                ]
            )
    heading = [
        "metric",
        "place",
        "card",
        "mean over cells",
        "these scenes, 95 %",
        "scenes like these, 95 %",
        "verdict",
        "cells ahead / behind / tied / undecided",
    ]
    return [
        f"## {escaped(cut.label)}",
        "",
        escaped(result.paragraphs[cut.key]),
        "",
        *markdown_table(heading, rows),
    ]


def _cells(result: ReviewResult) -> list[str]:
    lines = ["## Cells", ""]
    for metric in result.metrics:
        rows = [
            [
                cell_name(result, item.scene, item.resolution),
                result.card(item.candidate).label,
                change_words(item.ratio, item.interval_95),
                verdict_words(item),
                ", ".join(dict.fromkeys(caveat.code for caveat in item.caveats)),
            ]
            for item in result.comparisons
            if item.metric == metric.key
        ]
        heading = ["cell", "card", f"against {result.card(result.baseline).label}, 95 %", "verdict", "caveats"]
        lines += [f"### {escaped(metric_name(metric))}", "", *markdown_table(heading, rows)]
    return lines


def _values_of_cells(result: ReviewResult) -> list[str]:
    cells = {(cell.card, cell.scene, cell.resolution): cell for cell in result.cells}
    lines = ["## Values", "", "Mean over runs with its 95 % interval.", ""]
    for metric in result.metrics:
        rows = []
        for scene in result.scenes:
            for resolution in result.resolutions:
                row = [cell_name(result, scene.key, resolution)]
                for card in result.cards:
                    cell = cells.get((card.key, scene.key, resolution))
                    row.append(estimate_words(None if cell is None else cell.estimates[metric.key], metric.unit))
                rows.append(row)
        lines += [f"### {escaped(metric_name(metric))}", ""]
        lines += markdown_table(["cell", *(card.label for card in result.cards)], rows)
    return lines


def _value(result: ReviewResult) -> list[str]:
    if not result.value:
        return []
    base = result.card(result.baseline).label
    rows = [
        [
            result.cut(row.cut).label,
            result.card(row.card).label,
            money_words(row.price, row.currency),
            format_quantity(row.fps_per_money, "1", digits=4),
            money_words(row.money_per_fps, row.currency),
            "baseline" if row.card == result.baseline else change_words(row.value_ratio, row.value_ratio_interval),
            ""
            if row.card == result.baseline
            else money_words(row.break_even_price, row.currency, row.break_even_interval),
            ""
            if row.card == result.baseline
            else money_words(row.baseline_break_even_price, row.currency, row.baseline_break_even_interval),
        ]
        for row in result.value
    ]
    heading = [
        "cut",
        "card",
        "price",
        "fps per money",
        "cost per fps",
        f"value against {base}, these scenes, 95 %",
        f"its price for {base}'s value",
        f"price of {base} for its value",
    ]
    return ["## Speed for the money", "", *markdown_table(heading, rows)]


def _efficiency(result: ReviewResult) -> list[str]:
    if not result.efficiency:
        return []
    rows = [
        [
            result.cut(row.cut).label,
            result.card(row.card).label,
            format_quantity(row.average_power_w, "W"),
            format_quantity(row.energy_per_frame_j, "J/{frame}"),
            format_quantity(row.frames_per_joule, "{frame}/J"),
            "baseline" if row.card == result.baseline else change_words(row.efficiency_ratio, row.efficiency_interval),
            money_words(row.running_cost, row.currency),
            money_words(row.total_cost, row.currency),
        ]
        for row in result.efficiency
    ]
    heading = [
        "cut",
        "card",
        "average power",
        "energy per frame",
        "efficiency",
        f"efficiency against {result.card(result.baseline).label}, these scenes, 95 %",
        "running cost",
        "price and running cost",
    ]
    years = next((row.years for row in result.efficiency if row.years is not None), None)
    note = [] if years is None else [f"Running cost over {counted(years, 'year')}.", ""]
    return ["## Power and running cost", "", *note, *markdown_table(heading, rows)]


def _repeatability(result: ReviewResult) -> list[str]:
    rows = []
    for item in result.repeatability:
        cochran = item.cochran
        rows.append(
            [
                result.card(item.card).label,
                result.metric(item.metric).label,
                "n/a" if item.s_r_pct is None else f"{format_like(item.s_r_pct, decimals=2)} %",
                "n/a" if item.limit_pct is None else f"{format_like(item.limit_pct, decimals=2)} %",
                str(item.degrees_of_freedom),
                "n/a"
                if cochran is None
                else f"{cochran.outcome}: {cell_name(result, cochran.scene, cochran.resolution)}",
                "; ".join(f"{found.outcome}: {found.run_name}" for found in item.grubbs),
            ]
        )
    heading = [
        "card",
        "metric",
        "s_r",
        "limit r = 2.8 s_r",
        "degrees of freedom",
        "Cochran: cell that scatters most",
        "Grubbs: run farthest off in a cell that scatters too much",
    ]
    return ["## Repeatability", "", OUTLIER_STORY, "", *markdown_table(heading, rows)]


def _coverage(result: ReviewResult) -> list[str]:
    rows = [
        [
            f"{result.card(run.card).label}, {cell_name(result, run.scene, run.resolution)}, run {run.run}",
            run.reason,
            run.sentence,
        ]
        for run in result.coverage.to_make
    ]
    cells = {(cell.card, cell.scene, cell.resolution): cell for cell in result.coverage.cells}
    matrix = [
        [
            cell_name(result, scene.key, resolution),
            *(coverage_words(cells[card.key, scene.key, resolution]) for card in result.cards),
        ]
        for scene in result.scenes
        for resolution in result.resolutions
    ]
    lines = ["## Coverage", "", coverage_sentence(result.coverage), ""]
    lines += markdown_table(["usable of planned runs", *(card.label for card in result.cards)], matrix)
    if rows:
        lines += ["### Runs to make or make again", "", *markdown_table(["run", "why", "evidence"], rows)]
    if result.exclusions:
        excluded = [[item.run_name, item.file_name, item.reason] for item in result.exclusions]
        lines += ["### Left out by the plan", "", *markdown_table(["run", "file", "reason"], excluded)]
    if result.unreadable:
        broken = [[item.file_name, item.error] for item in result.unreadable]
        lines += ["### Captures that cannot be used", "", *markdown_table(["file", "error"], broken)]
    return lines


def _caveats(result: ReviewResult) -> list[str]:
    """The kinds with their counts first, then every caveat by itself; notes stand with their cells."""
    placed = [item for item in placed_caveats(result) if item.caveat.weight is not Weight.NOTE]
    if not placed:
        return []
    groups = caveat_groups(placed)
    lines = [f"- **{group.weight.value}**: {escaped(group_words(result, group))}" for group in groups]
    rows = [
        [place_name(result, item), item.caveat.code, item.caveat.weight.value, item.caveat.message]
        for group in groups
        for item in group.members
    ]
    return ["## Caveats", "", *lines, "", *markdown_table(["of", "caveat", "weight", "what it says"], rows)]


def _methods(result: ReviewResult) -> list[str]:
    lines = ["## How the numbers were made", ""]
    for metric in result.metrics:
        lines.append(
            f"- **{escaped(metric.label)}** (`{metric.key}`): {escaped(metric.definition)} {escaped(metric.source)}."
        )
    for method in result.methods:
        lines.append(f"- **{escaped(method.label)}**: {escaped(method.text)} Source: {escaped(method.source)}.")
    versions = ", ".join(f"{name} {version}" for name, version in result.versions.items())
    return [*lines, "", f"Made with {escaped(versions)}.", ""]


def _files(result: ReviewResult) -> list[str]:
    rows = [
        [
            run.provenance.file_name,
            run.provenance.sha256,
            str(run.n_frames),
            str(run.provenance.rows_rejected),
            run.judgement,
        ]
        for run in result.runs
    ]
    return ["## Captures", "", *markdown_table(["file", "sha256", "frames", "rows rejected", "judgement"], rows)]
