"""The charts there are. Does not import matplotlib, so that a command can list them without paying for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal, TypeAlias

Source: TypeAlias = Literal["capture", "captures", "review", "review cells", "tuning", "endurance"]


@dataclass(frozen=True, kw_only=True)
class Chart:
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
        key="frame-times",
        title="Frame times of one run",
        caption="Every frame at its place, with the local median, the stutters, and sensor values below where there "
        "are any. Lower and more even is better.",
        sources=("capture",),
    ),
    Chart(
        key="frame-time-panels",
        title="Frame times side by side",
        caption="One panel a run, all on the same scales of time and frame time. Lower and more even is better.",
        sources=("captures", "review cells"),
    ),
    Chart(
        key="percentiles",
        title="Frame-time percentiles",
        caption="How long a frame is that so many percent of frames do not exceed; the scale opens the slow tail. A "
        "lower curve is better.",
        sources=("captures", "review cells"),
    ),
    Chart(
        key="distribution",
        title="Spread of frame times",
        caption="Share of the frames of each run in equal bins of frame time. Farther left and narrower is better.",
        sources=("captures", "review cells"),
    ),
    Chart(
        key="standings",
        title="Average and lows of each card",
        caption="Geometric means over the cells of a cut, best first, with intervals; cards that the intervals do "
        "not tell apart share a place.",
    ),
    Chart(
        key="scene-bars",
        title="Average and lows in one scene",
        caption="Every card in one scene, a panel for each resolution, best first, with intervals over the runs and "
        "the verdict against the baseline.",
    ),
    Chart(
        key="ratios",
        title="Candidate against baseline",
        caption="Ratio of the candidate to the baseline in each cell with its interval, the margin as a band, and "
        "the overall ratio at the foot; one panel a cut. Farther right is better for the candidate.",
    ),
    Chart(
        key="matrix",
        title="Verdict of every cell",
        caption="Scenes as rows, resolutions as columns: the verdict by shape, place and color, with the number.",
    ),
    Chart(
        key="value",
        title="Speed for the money",
        caption="Speed against price with lines of equal value, and the price at which a card's value equals the "
        "baseline's. Farther up and farther left is better.",
    ),
    Chart(
        key="efficiency",
        title="Speed for the power",
        caption="Speed against power with lines of equal frames per joule. Farther up and farther left is better.",
    ),
    Chart(
        key="costs",
        title="Price and power of each card",
        caption="Price per frame, average power and frames per joule of every card as bars, best first in each panel.",
    ),
    Chart(
        key="repeatability",
        title="How well the runs repeat",
        caption="Every run of every cell around the mean of its set, with flagged and excluded runs named. Closer to "
        "0 % is better.",
    ),
    Chart(
        key="tuning-map",
        title="Tuning map",
        caption="Every setting tried, at its core and memory offset: what passed, what failed, the gain over stock, "
        "the best and the everyday setting.",
        sources=("tuning",),
    ),
    Chart(
        key="tuning-gain",
        title="Gain by clock",
        caption="Gain over stock against the core and the memory offset, a line for each workload, with intervals. "
        "Higher is better.",
        sources=("tuning",),
    ),
    Chart(
        key="endurance",
        title="Endurance run",
        caption="Frame time, power, temperature and clock of a long run on one time axis, with the verdict criterion "
        "by criterion.",
        sources=("endurance",),
    ),
)

CATALOG: Final[Mapping[str, Chart]] = MappingProxyType({chart.key: chart for chart in _CHARTS})


def keys_for(*sources: Source) -> tuple[str, ...]:
    """Keys of the charts that can be drawn from any of these, in the order of the catalog."""
    return tuple(key for key, chart in CATALOG.items() if any(source in chart.sources for source in sources))
