"""Tuning as documents: a judged record with its best and everyday setting first, and the verdict of a long run.

The document of an endurance run goes criterion by criterion, each with its number and threshold.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from frametime.metrics.metric import PRACTICE
from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.report import document as doc
from frametime.render.tables import parts, tuning
from frametime.render.tables.table import Line
from frametime.statistics.differences import Ratio
from frametime.tuning.endurance_verdict import EnduranceVerdict
from frametime.tuning.proposal import Finished
from frametime.tuning.record import Setting
from frametime.tuning.tuning_summary import Cost, MapCell, TuningSummary
from frametime.words import begun, counted, entries, percent_change, percent_change_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from frametime.capture import Capture
    from frametime.metrics.metric import MeasuredRun
    from frametime.render.charts.theme import Theme


def tuning_report(summary: TuningSummary, *, figures: tuple[doc.Figure, ...] = ()) -> doc.Report:
    """The document of a tuning record.

    Parameters
    ----------
    summary : TuningSummary
    figures : tuple of Figure
        Charts of the record, shown with the map.
    """
    cards = [_best_card(summary), *([_everyday_card(summary)] if summary.everyday else [])]
    # The map is folded away where a chart shows it.
    drawn = replace(tuning.map_table(summary), folded_as="The map as a table" if figures else None)
    notes = parts.by_weight(summary.caveats)
    methods = Path(__file__).with_name("tuning_methods.txt").read_text("utf-8")
    methods = methods.format(heaviest=summary.workloads[-1], practice=PRACTICE)
    untouched = "The clocks were left as delivered." if summary.map else ""
    return doc.Report(
        title=f"Tuning of {summary.card}",
        subtitle=f"{counted(len(summary.trials), 'trial')} under {', '.join(summary.workloads)}",
        lead=(doc.VerdictCards(tuple(cards)), _next_words(summary)),
        cautions=summary.cautions,
        sections=(
            doc.Section("not-known", "Not yet known", (doc.listed(summary.not_known, none="Nothing is left open."),)),
            doc.section("map", *figures, drawn if summary.clock_map else None, otherwise=untouched),
            *([doc.section("edge", tuning.edge_table(summary))] if summary.clock_map else []),
            doc.section("speed", tuning.setting_table(summary)),
            doc.section("trials", tuning.trial_table(summary)),
            doc.section("caveats", doc.Notes(notes) if notes else None, what="these numbers"),
            doc.section("methods", doc.Definitions(tuple(doc.Definition(*row) for row in entries(methods)))),
        ),
        colophon=doc.READS_ONLY,
    )


def _measured(ratio: Ratio | Cost | None, origin: str, unknown: str, over: str = "") -> tuple[Line, Line]:
    """What a card says first: the difference and its interval, or why there is none."""
    if ratio is None:
        return (parts.missing(unknown, origin),), (unknown,)
    amount = (parts.change(ratio.value, f"{origin}/value"),)
    if ratio.interval is None:
        return amount, (f"no interval: {tuning.TOO_FEW}",)
    ends = parts.change_range(ratio.interval, f"{origin}/interval")
    return amount, (f"{ratio.interval.level * 100.0:g} % interval ", ends, over)


def _over_stock(summary: TuningSummary, setting: Setting | None) -> tuple[Ratio | None, str, str, tuple[doc.Fact, ...]]:
    """What the goal is about at a setting, over stock: speed or power; its origin and its words; the other as facts."""
    row, heaviest, is_speed = summary.speed_of(setting), summary.workloads[-1], summary.goal == "speed"
    against = f"Average {'FPS' if is_speed else 'power'} over stock under {heaviest}"
    if row is None:
        return None, "", against, ()
    origin = f"settings/{summary.settings.index(row)}"
    if is_speed:
        saved = [parts.change(row.power.value, f"{origin}/power/value")] if row.power else []
        return row.gain, f"{origin}/gain", against, tuple(doc.Fact("Power over stock", (item,)) for item in saved)
    speed, ends = _measured(row.gain, f"{origin}/gain", "no measured runs at stock")
    ends = (", ", *ends) if row.gain and row.gain.interval else ()
    joule = parts.number(row.frames_per_joule, f"{origin}/frames_per_joule", digits=3)
    facts = (doc.Fact("Speed over stock", (*speed, *ends)), doc.Fact("Frames per joule", (joule,)))
    return row.power, f"{origin}/power", against, facts


def _best_card(summary: TuningSummary) -> doc.VerdictCard:
    limits, is_speed = summary.limits, summary.goal == "speed"
    ratio, origin, against, more = _over_stock(summary, summary.best)
    power = parts.number(limits.power_w, "/limits/power_w", "W", digits=3) if limits.power_w else "n/a"
    offsets = f"core up to {limits.max_core_offset_mhz:+d} MHz, memory up to {limits.max_memory_offset_mhz:+d} MHz"
    if not is_speed:
        offsets = f"down to {limits.farthest.words('voltage')} and {limits.farthest.words('power')}"
    facts = [
        doc.Fact("Temperature limit", (parts.number(limits.temperature_c, "/limits/temperature_c", "Cel", digits=3),)),
        doc.Fact("Power limit", (power,)),
        doc.Fact("Offsets allowed", (offsets,)),
    ]
    picture = None
    if ratio is not None and (ends := ratio.interval) is not None:
        reach = parts.strip_reach((ratio.value, ends.low, ends.high))
        is_good = ratio.is_credibly_above if is_speed else ratio.is_credibly_below
        picture = parts.strip(ratio.value, ends, "good" if is_good else "plain", reach=reach)
    if ratio is not None:
        best, stock = (parts.count(getattr(ratio, name), f"{origin}/{name}") for name in ("n_candidate", "n_baseline"))
        facts.insert(0, doc.Fact("Runs, setting and stock", (best, " and ", stock, f" under {summary.workloads[-1]}")))
    amount, words = _measured(ratio, origin, "needs measured runs at stock and at the best setting", " over runs")
    state, sentence = parts.mark("so far", "care"), "The best setting found so far; tuning is not finished."
    if summary.best is None:
        state, sentence = parts.mark("none yet", "care"), "No setting holds under the heaviest workload so far."
    elif summary.best_is_final:
        state, sentence = parts.mark("final", "good"), f"The best setting {summary.endurance}, and tuning is finished."
    return doc.VerdictCard(
        name=begun(str(summary.best)) if summary.best is not None else "No best setting yet",
        against=against,
        mark=state,
        amount=amount,
        range=words,
        strip=picture,
        sentence=sentence,
        facts=(*more, *facts),
    )


def _everyday_card(summary: TuningSummary) -> doc.VerdictCard:
    """What the everyday setting costs of speed; where power is to be saved, how much of that it saves."""
    ratio, origin, against, facts = _over_stock(summary, summary.everyday)
    amount, words = _measured(ratio, origin, "needs measured runs there and at stock", " over runs")
    state = "measured" if ratio else "not measured"
    sentence = (
        f"At most {summary.max_speed_loss_pct:g} % of stock speed may be lost. The voltage is backed off from the"
        " best setting, so that it still holds when the card is older or hotter."
    )
    if summary.goal == "speed":
        cost, against = summary.everyday_cost, "Average FPS over that of the best setting"
        state = cost.kind if cost else "cost not known"
        amount, words = _measured(cost, "everyday_cost", "neither measured, nor runs enough to predict it")
        sentence = "Backed off from the best setting, so that it still holds when the card is older or hotter."
        if summary.everyday == summary.best:
            sentence = "The everyday setting is the best setting itself."
        if cost is not None:
            sentence = f"{sentence} {begun(cost.how).rstrip('.')}."
    return doc.VerdictCard(
        name=f"Every day: {summary.everyday}",
        against=against,
        mark=parts.mark(state, "good" if state == "measured" else "care"),
        amount=amount,
        range=words,
        sentence=sentence,
        facts=facts,
    )


def _next_words(summary: TuningSummary) -> doc.Paragraph:
    step = summary.next_step
    told = "Tuning is finished."
    if not isinstance(step, Finished):
        told = f"Next trial: {step.setting}, {counted(step.n_runs, 'run')} of {step.workload}."
    return doc.said(f"{told} {begun(step.reason)}", *step.notes)


def tuning_charts(summary: TuningSummary) -> tuple[doc.Figure, ...]:
    """Map, gain and power of a record, as far as there is something to draw."""
    from frametime.render.charts.theme import Theme
    from frametime.render.charts.tuning_charts import tuning_figures

    theme = Theme.of()
    words = {"tuning-map": _map_words, "tuning-gain": _gain_words, "tuning-power": _power_words}
    return tuple(_figure(name, words[name](summary), draw(), theme) for name, draw in tuning_figures(summary, theme))


def _figure(name: str, words: str, drawn: Figure, theme: Theme) -> doc.Figure:
    from frametime.render.charts.chart_sheet import figure_bytes

    svg = figure_bytes(drawn, theme, "svg")
    return doc.Figure(key=f"chart-{name}", caption=CATALOG[name].caption, alternative=words, svg=svg, file=None)


def _map_words(summary: TuningSummary) -> str:
    named = {"best": summary.best, "every day": summary.everyday}
    chosen = (f"{name} {setting}" for name, setting in named.items() if setting is not None)
    n_tried = counted(len(summary.clock_map), "setting")
    return "; ".join([f"{n_tried} tried", *chosen, *map(_cell_words, summary.clock_map)]) + "."


def _cell_words(item: MapCell) -> str:
    gain = f" with {percent_change(item.gain.value)} over stock" if item.gain is not None else ""
    failed = f" under {item.failed_under}" if item.status == "failed" and item.failed_under else ""
    return f"{item.setting} {item.status}{failed}{gain}"


def _gain_words(summary: TuningSummary) -> str:
    told = (
        f"{row.setting} under {row.workload}: {percent_change_words(row.gain.value, row.gain.interval)}"
        for row in summary.settings
        if row.gain is not None
    )
    return f"Average FPS over stock. {'; '.join(told)}."


def _power_words(summary: TuningSummary) -> str:
    from frametime.render.charts.tuning_charts import powered

    told = (f"{row.setting}: {row.average_fps:.1f} fps at {row.average_power_w:.1f} W" for row in powered(summary))
    return f"Average FPS and average power under {summary.workloads[-1]}. {'; '.join(told)}."


def endurance_report(verdict: EnduranceVerdict, *, figures: tuple[doc.Figure, ...] = ()) -> doc.Report:
    """The document of one endurance run."""
    unknown = doc.listed(verdict.not_known, none="Everything could be measured.")
    card = doc.VerdictCard(
        name=verdict.file_name,
        against="Endurance run",
        mark=parts.mark(verdict.word, tuning.STATES[verdict.word]),
        amount=(parts.number(verdict.minutes, "minutes", "min", digits=3),),
        range=("length of the run",),
        sentence=verdict.sentence,
    )
    return doc.Report(
        title="Endurance run",
        subtitle=verdict.file_name,
        lead=(doc.VerdictCards((card,)),),
        cautions=verdict.cautions,
        sections=(
            doc.section("criteria", *figures, tuning.criteria_table(verdict)),
            doc.Section("not-known", "Not known", (unknown,)),
        ),
        colophon=doc.READS_ONLY,
    )


def endurance_chart(capture: Capture, run: MeasuredRun, verdict: EnduranceVerdict) -> doc.Figure:
    """Frame times and sensors of a long run."""
    from frametime.render.charts.frame_times import draw_endurance
    from frametime.render.charts.theme import Theme

    theme = Theme.of()
    words = f"{verdict.sentence} " + " ".join(f"{item.label}: {item.sentence}" for item in verdict.criteria)
    return _figure("endurance", words, draw_endurance(capture, run, verdict, theme), theme)
