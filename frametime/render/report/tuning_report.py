"""A judged tuning record as a document: best and everyday setting first, then what they rest on."""

from __future__ import annotations

from dataclasses import replace

from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.report.document import (
    Block,
    Definition,
    Definitions,
    Fact,
    Figure,
    Notes,
    Paragraph,
    Report,
    Section,
    VerdictCard,
    VerdictCards,
)
from frametime.render.tables.parts import (
    by_weight,
    change,
    change_range,
    count,
    mark,
    missing,
    quantity,
    sentence_case,
    strip,
    strip_reach,
)
from frametime.render.tables.table import Line, Note, Strip
from frametime.render.tables.tuning import TOO_FEW, edge_table, map_table, setting_table, trial_table
from frametime.statistics.differences import Ratio
from frametime.tuning.proposal import Finished
from frametime.tuning.tuning_summary import MapCell, SettingRow, TuningSummary
from frametime.version import __version__
from frametime.words import counted, percent_change, percent_change_words


def tuning_report(summary: TuningSummary, *, figures: tuple[Figure, ...] = ()) -> Report:
    """The document of a tuning record.

    Parameters
    ----------
    summary : TuningSummary
    figures : tuple of Figure
        Charts of the record, shown with the map.
    """
    cards = [_best_card(summary), *([_everyday_card(summary)] if summary.everyday else [])]
    n_trials = len(summary.trials)
    return Report(
        title=f"Tuning of {summary.card}",
        subtitle=f"{counted(n_trials, 'trial')} under {', '.join(summary.workloads)}",
        lead=(VerdictCards(cards=tuple(cards)), _next_words(summary)),
        cautions=summary.cautions,
        sections=(
            Section(key="not-known", heading="Not yet known", blocks=_sentences(summary.not_known)),
            Section(
                key="map", heading="Map of the settings", blocks=(*figures, _map_block(summary, is_drawn=bool(figures)))
            ),
            Section(key="edge", heading="Past the edge", blocks=(_edge_block(summary),)),
            Section(key="speed", heading="Speed of the settings", blocks=(setting_table(summary),)),
            Section(key="trials", heading="Trials", blocks=(trial_table(summary),)),
            Section(key="caveats", heading="Caveats", blocks=_caveat_blocks(summary)),
            Section(key="methods", heading="Methods", blocks=(_methods(summary),)),
        ),
        colophon=f"Made by frametime {__version__}, which only reads logs: it sets no clock, no limit and no fan.",
    )


def _map_block(summary: TuningSummary, *, is_drawn: bool) -> Block:
    """Folded away where a chart shows it."""
    if not summary.map:
        return Paragraph(content=("No setting has been tried yet.",))
    return replace(map_table(summary), folded_as="The map as a table" if is_drawn else None)


def _edge_block(summary: TuningSummary) -> Block:
    none = Paragraph(content=("No higher clock has been shown to be slower than a lower one.",))
    return table if (table := edge_table(summary)).rows else none


def _strip(ratio: Ratio | None) -> Strip | None:
    if ratio is None or ratio.interval is None:
        return None
    reach = strip_reach((ratio.value, ratio.interval.low, ratio.interval.high))
    return strip(ratio.value, ratio.interval, "good" if ratio.is_credibly_above else "plain", reach=reach)


def _range_words(ratio: Ratio) -> Line:
    if ratio.interval is None:
        return (f"no interval: {TOO_FEW}",)
    return (
        f"{ratio.interval.level * 100.0:g} % interval ",
        change_range(ratio.interval, "best_gain/interval"),
        " over runs",
    )


def _best_card(summary: TuningSummary) -> VerdictCard:
    limits, gain = summary.limits, summary.best_gain
    facts = [
        Fact(
            term="Temperature limit",
            content=(quantity(limits.temperature_c, "Cel", "/limits/temperature_c", digits=3),),
        ),
        Fact(
            term="Power limit",
            content=(
                quantity(limits.power_w, "W", "/limits/power_w", digits=3, reason="not given")
                if limits.power_w
                else "n/a",
            ),
        ),
        Fact(
            term="Offsets allowed",
            content=(
                f"core up to {limits.max_core_offset_mhz:+d} MHz, memory up to {limits.max_memory_offset_mhz:+d} MHz",
            ),
        ),
    ]
    if gain is not None:
        runs: Line = (
            count(gain.n_candidate, "best_gain/n_candidate"),
            " and ",
            count(gain.n_baseline, "best_gain/n_baseline"),
            f" under {summary.workloads[-1]}",
        )
        facts.insert(0, Fact(term="Runs, setting and stock", content=runs))
    if summary.best is None:
        state, sentence = mark("none yet", "care"), "No setting has passed the heaviest workload yet."
    elif summary.best_is_final:
        state, sentence = mark("final", "good"), f"The best setting {summary.endurance}, and tuning is finished."
    else:
        state, sentence = mark("so far", "care"), "The best setting found so far; tuning is not finished."
    needs = missing("needs measured runs at stock and at the best setting", "best_gain")
    return VerdictCard(
        name=sentence_case(str(summary.best)) if summary.best is not None else "No best setting yet",
        against=f"Average FPS over stock under {summary.workloads[-1]}",
        mark=state,
        amount=(change(gain.value, "best_gain/value") if gain else needs,),
        range=_range_words(gain) if gain else ("needs measured runs at stock and at the best setting",),
        strip=_strip(gain),
        sentence=sentence,
        facts=tuple(facts),
    )


def _everyday_card(summary: TuningSummary) -> VerdictCard:
    cost = summary.everyday_cost
    unknown = "neither measured, nor runs enough to predict it"
    words: Line = (f"n/a: {unknown}",)
    if cost is None:
        state, amount = mark("cost not known", "care"), missing(unknown, "everyday_cost")
    else:
        state = mark(cost.kind, "good" if cost.kind == "measured" else "care")
        amount = change(cost.value, "everyday_cost/value")
        words = (
            ("95 % interval ", change_range(cost.interval, "everyday_cost/interval"))
            if cost.interval
            else (f"no interval: {TOO_FEW}",)
        )
    if summary.everyday == summary.best:
        sentence = "The everyday setting is the best setting itself."
    else:
        sentence = "Backed off from the best setting, so that it still holds when the card is older or hotter."
    return VerdictCard(
        name=f"Every day: {summary.everyday}",
        against="Average FPS over that of the best setting",
        mark=state,
        amount=(amount,),
        range=words,
        sentence=f"{sentence} {sentence_case(cost.how).rstrip('.')}." if cost else sentence,
    )


def _next_words(summary: TuningSummary) -> Paragraph:
    step = summary.next_step
    if isinstance(step, Finished):
        return Paragraph(content=(" ".join([f"Tuning is finished. {step.reason}", *step.notes]),))
    runs = "1 run" if step.n_runs == 1 else f"{step.n_runs} runs"
    words = f"Next trial: {step.setting}, {runs} of {step.workload}. {step.reason}"
    return Paragraph(content=(" ".join([words, *step.notes]),))


def _sentences(texts: tuple[str, ...]) -> tuple[Block, ...]:
    if not texts:
        return (Paragraph(content=("Nothing is left open.",)),)
    return (Notes(notes=tuple(Note(text=text, weight="note", code="") for text in texts)),)


def _caveat_blocks(summary: TuningSummary) -> tuple[Block, ...]:
    notes = by_weight(summary.caveats)
    return (Notes(notes=notes),) if notes else (Paragraph(content=("No caveat bears on these numbers.",)),)


def _methods(summary: TuningSummary) -> Definitions:
    practice = "common practice, no source"
    return Definitions(
        items=(
            Definition(
                term="Gain",
                text=(
                    "Geometric mean of the average FPS over the runs at a setting, over that at stock under the same"
                    f" workload. The gain of a setting as a whole is under {summary.workloads[-1]}, the heaviest."
                ),
                source="B. L. Welch, Biometrika 34, 28-35, 1947, for the interval, on logarithms of runs",
            ),
            Definition(
                term="Past the edge",
                text="A higher clock whose whole interval against the nearest lower one lies below no difference.",
                source=practice,
            ),
            Definition(
                term="Failed trial",
                text=(
                    "Visible artifacts, a freeze, a driver reset, a workload that does not finish, or a peak above the"
                    " temperature limit."
                ),
                source=practice,
            ),
            Definition(
                term="Everyday setting",
                text="The tuned maximum, backed off by the steps of the record.",
                source=practice,
            ),
        )
    )


def tuning_charts(summary: TuningSummary) -> tuple[Figure, ...]:
    """Map and gain of a record, as far as there is something to draw."""
    from frametime.render.charts.drawings import tuning_figures
    from frametime.render.charts.figure_files import figure_bytes
    from frametime.render.charts.theme import Theme

    theme = Theme.of()
    words = {"tuning-map": _map_words, "tuning-gain": _gain_words}
    return tuple(
        Figure(
            key=f"chart-{name}",
            caption=CATALOG[name].caption,
            alternative=words[name](summary),
            svg=figure_bytes(drawing(), theme, "svg"),
            file=None,
        )
        for name, drawing in tuning_figures(summary, theme)
    )


def _map_words(summary: TuningSummary) -> str:
    tried = [item for item in summary.map if item.status != "not tried"]
    parts = [f"{len(tried)} settings tried"]
    if summary.best is not None:
        parts.append(f"best {summary.best}")
    if summary.everyday is not None:
        parts.append(f"every day {summary.everyday}")
    return "; ".join([*parts, *map(_cell_words, tried)]) + "."


def _cell_words(item: MapCell) -> str:
    gain = f" with {percent_change(item.gain.value)} over stock" if item.gain is not None else ""
    failed = f" under {item.failed_under}" if item.status == "failed" and item.failed_under else ""
    return f"{item.setting} {item.status}{failed}{gain}"


def _gain_words(summary: TuningSummary) -> str:
    rows = [row for row in summary.settings if row.gain is not None]
    return "Average FPS over stock. " + "; ".join(map(_row_words, rows)) + "."


def _row_words(row: SettingRow) -> str:
    gain = "n/a" if row.gain is None else percent_change_words(row.gain.value, row.gain.interval)
    return f"{row.setting} under {row.workload}: {gain}"
