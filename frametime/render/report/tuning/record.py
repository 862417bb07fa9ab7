"""A judged tuning record as a document: best and everyday setting first, then what they rest on."""

from __future__ import annotations

import math

from frametime.render.report.document import (
    Block,
    Definition,
    Definitions,
    Fact,
    Figure,
    Line,
    Note,
    Notes,
    Paragraph,
    Report,
    Section,
    Strip,
    VerdictCard,
    VerdictCards,
)
from frametime.render.report.parts import (
    by_weight,
    change,
    change_range,
    count,
    mark,
    missing,
    quantity,
    sentence_case,
)
from frametime.render.report.review.verdict import REACHES
from frametime.render.report.tuning.record_tables import (
    TOO_FEW,
    edge_blocks,
    map_blocks,
    setting_table,
    trial_table,
)
from frametime.statistics.differences import Ratio
from frametime.tuning.proposal import Finished
from frametime.tuning.summary import TuningSummary
from frametime.version import __version__
from frametime.words import counted


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
                key="map",
                heading="Map of the settings",
                blocks=(*figures, *map_blocks(summary, is_drawn=bool(figures))),
            ),
            Section(key="edge", heading="Past the edge", blocks=edge_blocks(summary)),
            Section(key="speed", heading="Speed of the settings", blocks=(setting_table(summary),)),
            Section(key="trials", heading="Trials", blocks=(trial_table(summary),)),
            Section(key="caveats", heading="Caveats", blocks=_caveat_blocks(summary)),
            Section(key="methods", heading="Methods", blocks=(_methods(summary),)),
        ),
        colophon=f"Made by frametime {__version__}, which only reads logs: it sets no clock, no limit and no fan.",
    )


def _strip(ratio: Ratio | None) -> Strip | None:
    if ratio is None or ratio.interval is None or not ratio.interval.low > 0.0:
        return None
    ends = (ratio.value, ratio.interval.low, ratio.interval.high)
    widest = max(abs(math.log(value)) for value in ends)
    reach = next((reach for reach in REACHES if math.log(reach) >= widest), REACHES[-1])
    tone = mark("", "good" if ratio.is_credibly_above else "plain").tone
    return Strip(value=ends[0], low=ends[1], high=ends[2], margin=0.0, reach=reach, tone=tone)


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
        state, sentence = mark("final", "good"), "The best setting passed the endurance run, and tuning is finished."
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
        notes=(),
        origin="",
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
        strip=None,
        sentence=f"{sentence} {sentence_case(cost.how).rstrip('.')}." if cost else sentence,
        facts=(),
        notes=(),
        origin="",
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
