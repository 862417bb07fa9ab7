"""A review as a document: which section stands where, and at its end methods and provenance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from os.path import commonprefix

from frametime import __version__
from frametime.render.data_output import plain
from frametime.render.report import document as doc
from frametime.render.report.page_data import reader_choice
from frametime.render.report.review_blocks import lead_blocks, power_bars, scene_bars, standings_bars, verdict_cards
from frametime.render.review_words import better_words, caveat_groups, group_words, metric_heading, placed_caveats
from frametime.render.tables import review_runs
from frametime.render.tables.parts import caption_of, code_cell, count, percent, words_table
from frametime.render.tables.review_comparisons import (
    APART,
    PLACED,
    cells_table,
    comparisons_of,
    efficiency_table,
    estimates_table,
    left_out_table,
    overall_table,
    standings_of,
    standings_table,
    value_table,
)
from frametime.render.tables.table import Note, Table
from frametime.review.result import ReviewResult
from frametime.review.sentence import method
from frametime.words import begun, continued, counted

_NOT_GIVEN, _NONE = "not given", "none"
_MOST_RUN_METRICS = 6
"""Of more the table of runs could not be read across, and would be the largest part of the page."""


def review_report(
    result: ReviewResult,
    *,
    figures: Mapping[str, Sequence[doc.Figure]] | None = None,
    traces: doc.TraceView | None = None,
    charts_folder: str | None = None,
) -> doc.Report:
    """The document of a review: verdict first, then what it rests on.

    Parameters
    ----------
    result : ReviewResult
    figures : Mapping of str to sequence of Figure, optional
        Charts by the key of the section that they belong to.
    traces : TraceView, optional
        Frame times of the runs, for the page.
    charts_folder : str, optional
        Where the charts lie as files, below the folder of the report.
    """
    charts, standings = figures or {}, standings_table(result)
    sections = [
        *([doc.section("reader", reader_choice(result))] if result.log_means else []),
        _standings_section(result, standings),
        _cuts_section(result),
        _cells_section(result),
        _smoothness_section(result, traces),
        *_cost_sections(result),
        _runs_section(result),
        _caveats_section(result),
        methods_section(result),
        provenance_section(result),
    ]
    return doc.Report(
        title=result.title,
        subtitle=_subtitle(result),
        lead=(*lead_blocks(result), *charts.get("lead", ())),
        cautions=(),
        sections=tuple(_with_figures(section, charts) for section in sections),
        colophon=_colophon(charts_folder),
    )


def _standings_section(result: ReviewResult, everything: Table) -> doc.Section:
    """Each candidate against the baseline, places over all cells, and every other cut and metric to search."""
    first = result.cuts[0].key
    cards = verdict_cards(result)
    rest = everything.where(
        lambda row: (everything.exact(row, "cut"), everything.exact(row, "metric")) != (first, result.headline)
    )
    columns = dict.fromkeys(("card", "cut", "metric", *PLACED[:3], *APART[1:], *PLACED))
    others = rest.view(*columns, folded_as=f"Standings by every other metric and cut ({len(rest.rows)} rows)")
    placed = standings_of(result, everything, first, key="standings-1")
    return doc.section("standings", *placed, others, cards if cards.cards else None)


def _cuts_section(result: ReviewResult) -> doc.Section:
    """The headline comparison once for every cut, then each cut in words."""
    table = overall_table(result)
    by_headline = table.where(metric=result.headline)
    rest = table.where(lambda row: table.exact(row, "metric") != result.headline)
    columns = [column.key for column in table.columns]
    headline = by_headline.view(
        *(key for key in columns if key != "metric"),
        key="overall-headline",
        long_from=review_runs.LONG,
        folded_as=f"Every cut in one table ({len(by_headline.rows)} rows)",
    )
    others = rest.view(
        *(key for key in columns if key != "picture"),
        key="overall-others",
        caption=caption_of("overall-others", baseline=result.label(result.baseline)),
        long_from=0,
        folded_as=f"The other metrics, cut by cut ({len(rest.rows)} rows)",
    )
    sections = []
    for number, cut in enumerate(result.cuts, 1):
        bars = standings_bars(result, cut.key, result.headline, key=f"cut-{number}-bars")
        first = result.answers[cut.key].first
        more: list[doc.Block] = [doc.said(f"{begun(cut.definition)}: {counted(len(cut.cells), 'cell')}.")]
        text = result.paragraphs.get(cut.key, "")
        # Both begin with the same words, and the first may go on.
        text = text[len(commonprefix((first, text))) :].lstrip(". ")  # noqa: RUF071 - these are no paths
        more += [doc.said(text)] if text else []
        missing = left_out_table(result, cut.key, key=f"missing-{number}")
        more += [missing] if missing.rows else []
        folded = doc.Folded("More words", tuple(more))
        sections.append(doc.Section(f"cut-{number}", cut.label, (doc.said(first), bars, folded)))
    together = (doc.section("cuts-tables", headline, others),) if table.rows else ()
    return doc.section("cuts", sections=(*sections, *together))


def _cells_section(result: ReviewResult) -> doc.Section:
    """Comparisons by the headline metric open, those by the others folded, then every card in every cell."""
    everything = cells_table(result)
    ordered = sorted(result.metrics, key=lambda entry: not entry.is_headline)
    tables = [comparisons_of(result, everything, entry) for entry in ordered]
    scenes = [
        doc.Section(f"in-scene-{number}", label, (bars,)) for number, (label, bars) in enumerate(scene_bars(result), 1)
    ]
    together = (doc.section("cells-tables", *tables),) if result.comparisons else ()
    every = doc.section("cards-in-cells", estimates_table(result))
    heading = continued(metric_heading(result, result.headline))
    return doc.section("cells", sections=(*scenes, *together, every), heading=heading)


def _cost_sections(result: ReviewResult) -> tuple[doc.Section, doc.Section]:
    """What the speed costs, in energy and in money; says so where sensor logs or prices are missing."""
    power = _with_apart(efficiency_table(result), "baseline_frames_per_joule")
    bars = [power_bars(result)] if any(table.rows for table in power) else []
    value = _with_apart(value_table(result), "baseline_mean_value")
    return doc.section("power", *bars, *power), doc.section("value", *value)


def _with_apart(table: Table, of_baseline: str) -> Sequence[Table]:
    """Cards of the table; those that stand apart below, each with the baseline on the cells of its own."""
    keys = [column.key for column in table.columns if column.key != "stands_apart"]
    placed = table.where(stands_apart=False).view(
        *(key for key in keys if key != of_baseline), long_from=review_runs.LONG
    )
    apart = table.where(stands_apart=True).view(
        *keys, key=f"{table.key}-apart", caption=caption_of("costs-apart"), long_from=review_runs.LONG
    )
    return placed, apart


def _runs_section(result: ReviewResult) -> doc.Section:
    """Repeatability, flagged runs, exclusions, what is still to be made, and the table of runs."""
    coverage, runs = result.coverage, review_runs.runs_table(result)
    planned = (count(coverage.n_usable, "/coverage/n_usable"), " of ", count(coverage.n_planned, "/coverage/n_planned"))
    verdict = doc.sentences("planned-runs", complete="complete" if coverage.is_complete else "not complete")
    tables = (
        *(review_runs.coverage_table(result), review_runs.repeatability_table(result)),
        *(review_runs.exclusion_table(result), review_runs.unreadable_table(result), review_runs.to_make_table(result)),
    )
    none = () if any(run.flag for run in result.runs) else (doc.said("No run stands out from its set."),)
    # The headline metric is the first of them that may not be left out.
    metrics = sorted(result.metrics, key=lambda entry: not entry.is_headline)[:_MOST_RUN_METRICS]
    n_others = len(result.metrics) - len(metrics)
    others = f" The other {counted(n_others, 'metric')} of each run are in result.json." if n_others else ""
    every = runs.view(
        *("run_name", "judgement", "n_frames", "duration_s"),
        *(entry.key for entry in metrics if runs.has(entry.key)),
        caption=f"{runs.caption}{others}",
        folded_as=f"All {len(result.runs)} runs",
    )
    blocks = (doc.Paragraph((*planned, f" {verdict}")), doc.said(method("outlier-tests")), *tables, *none)
    return doc.section("runs", *blocks, sections=(doc.section("all-runs", every),))


def _caveats_section(result: ReviewResult) -> doc.Section:
    """The caveats by kind with their counts, the weightiest first, and folded below them every one by itself.

    What is said of other cuts than the first stands below, and with their tables.
    """
    placed = placed_caveats(result)
    shown = caveat_groups(item for item in placed if item.cut in ("", result.cuts[0].key))
    notes = tuple(Note(group_words(result, group), group.weight.value, group.code) for group in shown)
    told = (doc.Notes(notes), review_runs.caveat_table(result, caveat_groups(placed))) if placed else ()
    return doc.section("caveats", *told, what="this review")


def _smoothness_section(result: ReviewResult, traces: doc.TraceView | None) -> doc.Section:
    """The metrics other than the headline as bars, hitches that recur, and the frame times of each run."""
    others, cut = [entry for entry in result.metrics if not entry.is_headline], result.cuts[0].key
    bars = [standings_bars(result, cut, entry.key, key=f"smooth-{number}") for number, entry in enumerate(others, 1)]
    hitches = caveat_groups(item for item in placed_caveats(result) if item.caveat.code == "recurring-hitches")
    felt = (doc.said(group_words(result, group)) for group in hitches)
    has_traces = traces is not None or any("trace_low" in run.curves for run in result.runs)
    return doc.section("traces", *bars, *felt, sections=(doc.section("frame-times", traces),) if has_traces else ())


def _colophon(charts_folder: str | None) -> str:
    words = f"Made by frametime {__version__}. The numbers stand in full precision in result.json."
    if charts_folder is None:
        return words
    return f"{words} All charts, also those of single scenes, other cuts and other metrics, lie in {charts_folder}/."


def _with_figures(section: doc.Section, charts: Mapping[str, Sequence[doc.Figure]]) -> doc.Section:
    """The section and those in it with their charts, behind what each says first."""
    blocks = (*section.blocks[:1], *charts.get(section.key, ()), *section.blocks[1:])
    return replace(section, blocks=blocks, sections=tuple(_with_figures(inner, charts) for inner in section.sections))


def _subtitle(result: ReviewResult) -> str:
    author = f"By {result.plan['author']}. " if result.plan.get("author") else ""
    what = "Comparison" if len(result.cards) > 1 else "Measurement"
    n_runs = sum(run.excluded_reason is None for run in result.runs)
    return (
        f"{author}{what} of {counted(len(result.cards), 'card')} over {counted(len(result.scenes), 'scene')} at"
        f" {counted(len(result.resolutions), 'resolution')}: {counted(n_runs, 'run')}"
    )


def methods_section(result: ReviewResult) -> doc.Section:
    """Margin, headline, baseline; the definition of each metric and each method with its source."""
    metrics = tuple(
        doc.Definition(
            metric_heading(result, entry.key),
            f"{entry.definition} {better_words(result, entry.key).capitalize()}.",
            entry.source,
        )
        for entry in result.metrics
    )
    methods = tuple(doc.Definition(item.label, item.text, item.source) for item in result.methods)
    baseline, headline = result.label(result.baseline), result.metric(result.headline).label
    head = doc.sentences("margin", baseline=baseline, headline=headline)
    sections = (
        doc.section("metric-definitions", doc.Definitions(metrics)),
        doc.section("method-definitions", doc.Definitions(methods)),
    )
    bench = result.plan.get("bench")
    blocks = [doc.said("Test system:", "; ".join(bench) + ".")] if isinstance(bench, list | tuple) and bench else []
    margin = doc.Paragraph(("Margin ", percent(result.margin, "/margin"), f"; {head}"))
    return doc.section("methods", *blocks, margin, sections=sections)


def provenance_section(result: ReviewResult) -> doc.Section:
    """Files with checksum and rows, cards and settings, the plan as resolved, versions."""
    pairs = flat(plain(result.plan))
    given = [(code_cell(name), text) for name, text in pairs if text not in {_NOT_GIVEN, _NONE}]
    plan = words_table("plan", given, folded_as=f"The plan, {len(given)} settings")
    versions = words_table("versions", result.versions.items())
    return doc.section("provenance", review_runs.card_table(result), review_runs.file_table(result), plan, versions)


def flat(value: object, name: str = "") -> list[tuple[str, str]]:
    """Nested plain values as names with dots and texts.

    Examples
    --------
    >>> flat({"margin": 0.03, "cards": [{"key": "a"}]})
    [('margin', '0.03'), ('cards[1].key', 'a')]
    """
    if isinstance(value, Mapping):
        return [pair for key, item in value.items() for pair in flat(item, f"{name}.{key}" if name else str(key))]
    if isinstance(value, (list, tuple)):
        if all(isinstance(item, (str, int, float)) for item in value):
            return [(name, ", ".join(str(item) for item in value) or _NONE)]
        return [pair for number, item in enumerate(value, 1) for pair in flat(item, f"{name}[{number}]")]
    if value is None:
        return [(name, _NOT_GIVEN)]
    return [(name, str(value).lower() if isinstance(value, bool) else str(value))]
