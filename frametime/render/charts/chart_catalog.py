"""The charts there are. Does not import matplotlib, so that a command can list them without paying for it."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, Literal, NamedTuple, TypeAlias

Source: TypeAlias = Literal["capture", "captures", "review", "review cells", "tuning", "endurance"]


class Chart(NamedTuple):
    """One kind of chart.

    Attributes
    ----------
    key : str
        Name for ``--only`` and beginning of the file's name.
    title : str
        A few words.
    caption : str
        What it shows and how it is read, in one or two sentences.
    sources : tuple of str
        What it can be drawn from; *review cells* is a chart of single runs, drawn for each cell when asked for.
    """

    key: str
    title: str
    caption: str
    sources: tuple[Source, ...] = ("review",)


_CHARTS: Final = (
    Chart(
        "frame-times",
        "Frame times of one run",
        "Every frame at its place, with the local median, the stutters, and sensor values below where there "
        "are any. Lower and more even is better.",
        ("capture",),
    ),
    Chart(
        "frame-time-panels",
        "Frame times side by side",
        "One panel a run, all on the same scales of time and frame time. Lower and more even is better.",
        ("captures", "review cells"),
    ),
    Chart(
        "percentiles",
        "Frame-time percentiles",
        "How long a frame is that so many percent of frames do not exceed; the scale opens the slow tail. A "
        "lower curve is better.",
        ("captures", "review cells"),
    ),
    Chart(
        "distribution",
        "Spread of frame times",
        "Share of the frames of each run in equal bins of frame time. Farther left and narrower is better.",
        ("captures", "review cells"),
    ),
    Chart(
        "standings",
        "Average and lows of each card",
        "Geometric means over the cells of a cut, best first, with intervals; cards that the intervals do "
        "not tell apart share a place.",
    ),
    Chart(
        "scene-bars",
        "Average and lows in one scene",
        "Every card in one scene, a panel for each resolution, best first, with intervals over the runs and "
        "the verdict against the baseline.",
    ),
    Chart(
        "ratios",
        "Candidate against baseline",
        "Ratio of the candidate to the baseline in each cell with its interval, the margin as a band, and "
        "the overall ratio at the foot; one panel a cut. Farther right is better for the candidate.",
    ),
    Chart(
        "matrix",
        "Verdict of every cell",
        "Scenes as rows, resolutions as columns: the verdict by shape, place and color, with the number.",
    ),
    Chart(
        "value",
        "Speed for the money",
        "Speed against price with lines of equal value, and the price at which a card's value equals the "
        "baseline's. Farther up and farther left is better.",
    ),
    Chart(
        "efficiency",
        "Speed for the power",
        "Speed against power with lines of equal frames per joule. Farther up and farther left is better.",
    ),
    Chart(
        "costs",
        "Price and power of each card",
        "Price per frame, average power and frames per joule of every card as bars, best first in each panel.",
    ),
    Chart(
        "repeatability",
        "How well the runs repeat",
        "Every run of every cell around the mean of its set, with flagged and excluded runs named. Closer to "
        "0 % is better.",
    ),
    Chart(
        "tuning-map",
        "Tuning map",
        "Every setting tried, at its core and memory offset: what passed, what failed, the gain over stock, "
        "the best and the everyday setting.",
        ("tuning",),
    ),
    Chart(
        "tuning-gain",
        "Gain by clock",
        "Gain over stock against the core and the memory offset, a line for each workload, with intervals. "
        "Higher is better.",
        ("tuning",),
    ),
    Chart(
        "endurance",
        "Endurance run",
        "Frame time, power, temperature and clock of a long run on one time axis, with the verdict criterion "
        "by criterion.",
        ("endurance",),
    ),
)

CATALOG: Final[Mapping[str, Chart]] = MappingProxyType({chart.key: chart for chart in _CHARTS})


def keys_for(*sources: Source) -> tuple[str, ...]:
    """Keys of the charts that can be drawn from any of these, in the order of the catalog."""
    return tuple(key for key, chart in CATALOG.items() if any(source in chart.sources for source in sources))
