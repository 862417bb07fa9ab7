"""One measured run as a screen of text: judgement, numbers in groups, caveats. 80 columns, 30 lines.

With intervals it is longer by the lines that say which numbers have none, and why.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cache
from itertools import chain
from typing import Final, Literal, NamedTuple, TypeAlias

from frametime.errors import printable
from frametime.metrics.catalog import CATALOG, LONG_FRAMES
from frametime.metrics.level import LOW_KINDS, exact, low_key, share_key, share_label
from frametime.metrics.metric import MeasuredRun, MetricValue, ProfileItem
from frametime.metrics.profile import DEFAULT_RULE
from frametime.metrics.sensors.sensor_findings import throttled_words
from frametime.render.numbers import (
    NOT_AVAILABLE,
    format_estimate,
    format_like,
    format_number,
    format_quantity,
    significant_digits,
)
from frametime.units import shown_unit
from frametime.words import begun, continued, counted, table_rows

WIDTH: Final = 80
LINES: Final = 30
_LABEL: Final = 26
_VALUE: Final = 14

Style: TypeAlias = Callable[[str, str], str]
"""``style(text, role)`` colors a text; roles are ``good``, ``care``, ``bad``, ``heading``, ``faint``."""


def unstyled(text: str, _role: str) -> str:
    """No color."""
    return text


class _Line(NamedTuple):
    """One number: label, metric key, what it means in a few words; whether it is left out where it has no value."""

    label: str
    key: str
    meaning: str
    is_left_out: bool = False


_ALL_HITCHES: Final = "hitches and freezes"
_LOST: Final = "stutter_time_fraction"
_FREEZES: Final = "freeze_over_500ms_count", "max_frame_time_ms"

JUDGEMENT_ROLES: Final[Mapping[str, Literal["good", "care", "bad"]]] = {
    "usable": "good",
    "usable with care": "care",
    "repeat this run": "bad",
}


def check_text(run: MeasuredRun, *, path: str | None = None, style: Style = unstyled, verbose: bool = False) -> str:
    """The quick check of one run.

    Parameters
    ----------
    run : MeasuredRun
    path : str or None
        The file that was checked, where it may be another than the one that the capture was first read from.
    style : callable
        Colors parts of the text.
    verbose : bool
        Show every caveat whole, however many lines it takes.
    """
    of_intervals = f"In brackets: {run.options.level * 100.0:g} % interval within this run; never compare cards by it."
    lines = [_title(run, path), _judgement(run, style), of_intervals if run.options.within_run_intervals else ""]
    lines.extend(_groups(run, style))
    room = None if verbose else LINES - len(lines) - 1
    lines.extend(_no_interval(run, style))
    lines.extend(_caveats(run, style, room))
    return "\n".join(line.rstrip() for line in lines) + "\n"


def shown_name(run: MeasuredRun, path: str | None) -> str:
    """Which file was checked; of a converted capture also the log that it came from."""
    return "".join(_name_and_origin(run, path))


def _name_and_origin(run: MeasuredRun, path: str | None) -> tuple[str, str]:
    origin = run.provenance.file_name
    if path is None or path == origin:
        return printable(origin, limit=1000), ""
    name = "standard input" if path == "-" else printable(path, limit=1000)
    log = printable(origin.replace("\\", "/").rpartition("/")[2], limit=40)
    return name, f" (converted from {log})"


def judgement_text(run: MeasuredRun, *, path: str | None = None) -> str:
    """File, judgement and all reasons on one line."""
    reasons = _reasons(run)
    return f"{shown_name(run, path)}: {run.judgement.word}" + (f": {reasons}" if reasons else "") + "\n"


def _reasons(run: MeasuredRun) -> str:
    """Why a run is judged so; first the freezes of one that counts, for a player feels them before anything else."""
    n, longest_ms = (run.values[key].value if key in run.values else None for key in _FREEZES)
    is_told = n and longest_ms and run.judgement.word != "repeat this run"
    up_to = "up to " if n != 1 else ""
    freezes = [f"{counted(int(n or 0), 'freeze')} of {up_to}{format_quantity(longest_ms, 'ms')}"] if is_told else []
    return "; ".join([*freezes, *run.judgement.reasons])


def _title(run: MeasuredRun, path: str | None) -> str:
    size = f"{run.n_frames} frames in {format_number(run.duration_s, digits=4)} s"
    name, origin = _name_and_origin(run, path)
    room = WIDTH - len(size) - len(origin) - 2
    if len(name) > room:
        name = "..." + name[3 - room :]
    return f"{name}{origin}  {size}"


def _judgement(run: MeasuredRun, style: Style) -> str:
    text = begun(run.judgement.word)
    reasons = _reasons(run)
    room = WIDTH - len(text) - 2
    if len(reasons) > room:
        reasons = textwrap.shorten(reasons, room, placeholder=" ...")
    return style(text, JUDGEMENT_ROLES[run.judgement.word]) + (f": {reasons}" if reasons else "")


def _no_interval(run: MeasuredRun, style: Style) -> Iterator[str]:
    """Numbers of the screen without an interval, and why: one entry for each reason, with the labels it holds for."""
    by_reason: dict[str, list[str]] = {}
    groups = _lines(run)
    for line in chain.from_iterable(groups.values()):
        reason = run.values[line.key].interval_reason if line.key in run.values else None
        if reason is not None:
            by_reason.setdefault(reason, []).append(line.label)
    if by_reason:
        yield style("No interval", "heading")
    for reason, labels in by_reason.items():
        told = _together(labels, [line.label for line in groups["hitches"]])
        yield from _hanging(f"{'; '.join(told)}: {reason}")


def _together(labels: list[str], long_frames: list[str]) -> list[str]:
    """One label instead of four where all counts of long frames stand together."""
    if not set(long_frames) <= set(labels):
        return labels
    place = labels.index(long_frames[0])
    rest = [label for label in labels if label not in long_frames]
    return [*rest[:place], _ALL_HITCHES, *rest[place:]]


def _groups(run: MeasuredRun, style: Style) -> Iterator[str]:
    profile = {str(item.item): item for item in run.findings.profile}
    lines = _lines(run)
    for name, heading, rows in (
        ("level", "Speed", _rows(run, lines["level"])),
        ("tail", "Slowest frames", _slowest(run, lines)),
        ("stutter", "Stutter", _stutter(run, lines)),
        ("rhythm", "Rhythm", _rhythm(run, lines["rhythm"])),
        ("drift", "Drift", iter(())),
        ("display", "Display", _display(run)),
        ("power", "Power and heat", _power(run, lines["power"])),
    ):
        shown = list(rows)
        if name == "drift":
            yield from _drift(run, heading, profile.get("drift"), style)
        elif shown:
            yield _heading(heading, profile.get(name), style)
            yield from shown


def _heading(heading: str, item: ProfileItem | None, style: Style) -> str:
    """Heading of a group with the word of the profile and, where there is room, where the words part."""
    start = style(heading, "heading")
    if item is None:
        return start
    has_room = len(f"{heading}: {item.word} ({item.threshold})") <= WIDTH
    return f"{start}: {item.word}" + (" " + style(f"({item.threshold})", "faint") if has_room else "")


def _drift(run: MeasuredRun, heading: str, item: ProfileItem | None, style: Style) -> Iterator[str]:
    """Drift is told by a sentence: on the line of the heading where it fits."""
    if (drift := run.findings.drift) is None:
        return
    start = f"{heading}: {item.word}; " if item is not None and item.word != NOT_AVAILABLE else f"{heading}: "
    told = start + continued(drift.sentence)
    first, *rest = textwrap.wrap(told, WIDTH, subsequent_indent="  ", break_on_hyphens=False)
    yield style(heading, "heading") + first[len(heading) :]
    yield from rest


def _row(label: str, value: str, meaning: str) -> str:
    """Label to the left, value to the right of the first 42 columns, then what it means.

    A value with its interval, which has no meaning beside it, takes that place.
    """
    room = _LABEL + _VALUE - len(label)
    if not meaning or len(value) >= room:
        return f"  {label:<{_LABEL}} {value}"
    return f"  {label}{value:>{room}}  {meaning}"[:WIDTH]


def _digits(run: MeasuredRun, key: str) -> int:
    """Digits that the number of frames behind a value can carry."""
    shares = {low_key(pct, kind): pct for pct in run.options.slowest_pcts for kind in LOW_KINDS}
    return significant_digits(int(run.n_frames * shares.get(key, 100.0) / 100.0))


def _number(run: MeasuredRun, key: str) -> str:
    value: MetricValue = run.values[key]
    number, interval, unit, digits, factor = value.value, value.interval, value.unit, _digits(run, key), 1.0
    if key == _LOST:
        unit, digits, factor = "%", 2, 100.0
    if number is None or interval is None:
        decimals = CATALOG[key].decimals if key in CATALOG else None
        if decimals is not None and number is not None:
            return format_like(number, decimals=decimals)
        return _shown(None if number is None else number * factor, unit, digits=digits)
    return format_estimate(number * factor, unit, low=interval.low * factor, high=interval.high * factor)


def _shown(value: float | None, unit: str, *, digits: int = 3) -> str:
    """Number and unit; a number below the third decimal is not there for a reader."""
    if value is not None and 0.0 < abs(value) < 1e-3:
        return f"under 0.001 {shown_unit(unit)}".rstrip()
    return format_quantity(value, unit, digits=digits)


@cache
def _line_table() -> tuple[list[str], ...]:
    """The rows of ``check_lines.tsv`` beside this file; ``-`` stands for nothing."""
    rows = table_rows(__file__, "check_lines.tsv")
    return tuple(["" if text == "-" else text for text in row] for row in rows)


def _lines(run: MeasuredRun) -> dict[str, list[_Line]]:
    """Every number of the catalog that the screen shows, by its group, in their order; each share of lows is one."""
    rule = run.options.stutter
    words = {"ratio": f"{rule.ratio:g}", "excess": f"{rule.min_excess_ms:g}"}
    shares = {
        f"lows {pct:g}": {
            "of": share_key(pct),
            "share": share_label(pct),
            "faster": share_label(float(100 - exact(pct))),
        }
        for pct in run.options.slowest_pcts
    }
    found: dict[str, list[_Line]] = {}
    for group, label, key, optional, meaning in _line_table():
        for name, share in shares.items() if group == "lows" else ((group, {"of": ""}),):
            told = (label.format(**share), key.replace("*", share["of"]), meaning.format(**words, **share))
            found.setdefault(name, []).append(_Line(*told, is_left_out=bool(optional)))
    return found


def _rows(run: MeasuredRun, lines: Iterable[_Line]) -> Iterator[str]:
    for line in lines:
        value = run.values.get(line.key)
        if value is not None and not (line.is_left_out and value.value is None):
            meaning = line.meaning if value.interval is None else ""
            yield _row(line.label, _number(run, line.key), meaning if value.value is not None else value.reason or "")


def _slowest(run: MeasuredRun, lines: Mapping[str, list[_Line]]) -> Iterator[str]:
    for position, slowest_pct in enumerate(run.options.slowest_pcts):
        lows = lines[f"lows {slowest_pct:g}"]
        values = [run.values.get(low.key) for low in lows]
        if position == 0 or any(value is not None and value.interval is not None for value in values):
            yield from _rows(run, lows)
            continue
        digits = _digits(run, lows[0].key)
        numbers = " / ".join(format_quantity(v.value, "1", digits=digits) if v else "n/a" for v in values)
        codes = {caveat.code for value in values if value is not None for caveat in value.caveats}
        meaning = "too few frames: see the caveats" if "low-few-frames" in codes else "in that order"
        yield _row(f"{share_label(slowest_pct)} low, all three", f"{numbers} fps", meaning)
    yield from _rows(run, lines["tail"])


def _stutter(run: MeasuredRun, lines: Mapping[str, list[_Line]]) -> Iterator[str]:
    yield from _rows(run, lines["stutter"])
    counts = [value for line in lines["hitches"] if (value := run.values.get(line.key)) is not None]
    if counts:
        numbers = " / ".join(format_quantity(value.value, value.unit) for value in counts)
        limits = " / ".join(f"{LONG_FRAMES[value.key]:g}" for value in counts)
        yield _row(_ALL_HITCHES, numbers, f"frames over {limits} ms")
    with_interval = {value.key for value in counts if value.interval is not None}
    yield from _rows(run, (line for line in lines["hitches"] if line.key in with_interval))


def _rhythm(run: MeasuredRun, lines: list[_Line]) -> Iterator[str]:
    yield from _rows(run, lines)
    if (rhythm := run.findings.rhythm) is None:
        return
    if rhythm.alternation_ms and rhythm.alternating_fraction >= DEFAULT_RULE.alternating_fraction:
        share_pct, step = 100.0 * rhythm.alternating_fraction, _shown(rhythm.alternation_ms, "ms")
        yield f"  {share_pct:.0f} % of the frames are longer and shorter in turn, by about {step}"
    if rhythm.hitch_period is not None:
        yield from _hanging(rhythm.hitch_period.sentence)


def _display(run: MeasuredRun) -> Iterator[str]:
    fixed, variable = run.findings.fixed_refresh, run.findings.variable_refresh
    if fixed is not None:
        uneven = fixed.uneven_per_min
        number = NOT_AVAILABLE if uneven is None else f"{format_number(uneven, digits=3)} per min"
        yield _row("uneven steps", number, f"on a fixed refresh of {fixed.refresh_hz:g} Hz")
        compared = "an even one" if fixed.are_shown_times else "frame's own"
        yield _row("judder", _shown(fixed.judder_rms_ms, "ms"), f"rms, shown step minus {compared}")
    if variable is not None:
        inside = f"{format_number(variable.inside_time_fraction * 100.0, digits=3)} %"
        yield _row("time inside the window", inside, f"{variable.low_hz:g} to {variable.high_hz:g} Hz")
    if (motion := run.findings.motion) is not None:
        worst = f"rms; worst {_shown(abs(motion.worst_ms), 'ms')} at {motion.worst_time_s:.1f} s"
        yield _row("motion step error", _shown(motion.rms_ms, "ms"), worst)


def _power(run: MeasuredRun, lines: list[_Line]) -> Iterator[str]:
    """Throttling before the numbers: what is bad comes first."""
    fraction = run.values.get("throttling_time_fraction")
    if run.findings.throttling and fraction is not None and fraction.value is not None:
        yield f"  throttled {throttled_words(run.findings.throttling, fraction.value)}"
    yield from _rows(run, lines)


def _caveats(run: MeasuredRun, style: Style, room: int | None) -> Iterator[str]:
    """Caveats, weightiest first: whole where they fit, else a line each, and the rest counted."""
    caveats = sorted(run.caveats, key=lambda each: each.weight.place)
    texts = [f"{caveat.message} [{caveat.code}]" for caveat in caveats]
    if not texts:
        return
    lines = [line for text in texts for line in _hanging(text)]
    if room is None or len(lines) <= room:
        yield style("Caveats", "heading")
        yield from lines
        return
    yield style("Caveats", "heading") + " (check --verbose shows them whole)"
    n_shown = len(texts) if len(texts) <= room else max(0, room - 1)
    for caveat, text in zip(caveats[:n_shown], texts, strict=False):
        yield text_in(text, WIDTH - 2, ending=f"... [{caveat.code}]")
    if n_shown < len(texts):
        rest = f"and {len(texts) - n_shown} more" if n_shown else f"{len(texts)}"
        yield f"  {rest}: check --verbose shows them"


def _hanging(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)


def text_in(text: str, width: int, *, ending: str) -> str:
    """``text`` on one indented line, its end replaced where it is too long."""
    if len(text) <= width:
        return f"  {text}"
    return "  " + text[: width - len(ending)].rsplit(" ", 1)[0].rstrip(" ,;:") + ending
