"""How each number of a review was made, in words, with the parameters that were used."""

from __future__ import annotations

import math
import re

from frametime.lab.looks import levels_at
from frametime.metrics.metric import PRACTICE
from frametime.review.card_repeatability import least_distance
from frametime.review.design import ReviewDesign
from frametime.review.modes import ALPHA
from frametime.review.money_and_power import DAYS_PER_YEAR
from frametime.review.result import Method
from frametime.review.verdict_rule import MOST_RUNS, POWER
from frametime.statistics.outlier_tests import TAIL_FREEDOM
from frametime.statistics.repeatability import REPEATABILITY_FACTOR
from frametime.words import joined

_SPREAD = {
    "shared": (
        "the scatter of each side's own runs in that cell, drawn toward that of its card's other cells as far as they "
        "scatter alike (empirical Bayes, half of the prior's degrees of freedom)"
    ),
    "own": "the scatter of each side's own runs in that cell (Welch)",
    "pooled": "each card's scatter pooled over its cells; a cell that Cochran's test puts aside keeps its own",
}
_UNIT = {"scene": "scene, its resolutions together: the resolutions of one scene are not new scenes", "cell": "cell"}


def methods_of(design: ReviewDesign) -> tuple[Method, ...]:
    """The definitions used, for the methods part of every output: key, label, text, source."""
    blocks = re.split(r"\n(?=\S)", _methods_text(design))
    rows = [" ".join(block.split()).split(" | ") for block in blocks]
    if design.looks:
        rows.insert([row[0] for row in rows].index("verdict") + 1, _looks(design))
    return tuple(Method(key=key, label=label, text=text, source=source) for key, label, text, source in rows)


def _looks(design: ReviewDesign) -> list[str]:
    """How the error is shared between the looks of a plan."""
    of_looks = [(n, levels_at(design.looks, n)) for n in design.looks]
    told = "; ".join(
        f"{n} runs: {100.0 * (1.0 - 2.0 * level.lead):.4g} % and {100.0 * (1.0 - 2.0 * level.tie):.4g} %"
        for n, level in of_looks
        if level is not None
    )
    text = (
        f"The verdict of a cell is read at {joined([str(n) for n in design.looks])} runs of each card. Intervals of "
        f"the verdict for ahead or behind and for tied, in place of 95 % and 90 %: {told}. Over all looks a false "
        "ahead, and a false behind, come in 2.5 of 100 cells at most, a false tied in 5. The verdicts over all cells "
        "are for when no cell waits for a look."
    )
    source = "K. K. G. Lan and D. L. DeMets, Biometrika 70, 659-663, 1983; small samples by seeded simulation"
    return ["looks", "Looks", text, source]


def _methods_text(design: ReviewDesign) -> str:
    """For each method key, label, text and source; what belongs to it is indented."""
    return f"""\
run | One repetition | A run is one repetition, a frame is not. No interval here rests on the number of frames. |
    statistical practice: repetitions are independent, the frames of one run are not
mean | Mean over runs | Mean of the natural logs over the runs of a set, back-transformed, with a {design.level * 100:g}
    % t interval; a single run has none. | W. S. Gosset ('Student'), Biometrika 6, 1-25, 1908
repeatability | Repeatability | Standard deviation s_r of the logs within sets, pooled over the cells of one card after
    Cochran's test at 1 %; limit r = {REPEATABILITY_FACTOR:g} s_r, below which two runs of one cell lie in 95 % of
    cases. | ISO 5725-2:1994, 7.3 and 7.4; ISO 5725-6:1994, 4.1
flag | Runs to repeat | The run farthest from the mean of the rest of its set is flagged when a good run would hardly
    lie there: by a chance below 5 % over all runs and metrics of the review, given the scatter of the rest of the set
    and how unlike the card's other cells scatter, and with tails of Student's t with {TAIL_FREEDOM:g} degrees of
    freedom; beyond {100.0 * math.expm1(least_distance(design.margin)):.2g} % at least, and where the rest agree. A
    flagged run still counts; only the plan leaves runs out, with a reason. | R. D. Cook and S. Weisberg, Residuals and
    Influence, 1982 (deleted residuals, Bonferroni's bound)
grubbs | Grubbs's test | Is the run farthest from the mean of its set an outlier by the runs of that set alone? Asked of
    cells that Cochran's test calls a straggler or an outlier, and of flagged runs; beyond the 5 % value the run is a
    straggler, beyond the 1 % value an outlier. It neither flags a run nor leaves one out: with three runs it sees only
    a run whose two companions agree within 3 % of its distance from them, which is why the flag asks the scatter of all
    the card's cells. | ISO 5725-2:1994, 7.3.4 and table 5 (one largest or one smallest value)
levels-and-trend | Several levels, trend over runs | Four runs or more that split into two groups, beyond chance at 5 %
    over all sets and metrics of the review; six or more that rise or fall in the order made, at {ALPHA * 100:g} % each;
    over all cells of a card the scores of Mann and Kendall are added up. | H. B. Mann 1945; R. M. Hirsch, J. R. Slack
    and R. A. Smith 1982; two levels: seeded simulation
verdict | Verdict | Ratio candidate over baseline, on logs, with {_SPREAD[design.spread]}. Margin
    {design.margin * 100.0:g} %. Tied: the 90 % interval lies inside 1/{1.0 + design.margin:g} to
    {1.0 + design.margin:g} (two one-sided tests at 5 %). Ahead: the 95 % interval lies above 1 and the estimate beyond
    the margin; behind: likewise below. Undecided: anything else. | G. K. Smyth 2004 (shared scatter); B. L. Welch 1947;
    D. J. Schuirmann 1987; the rule is our own
runs-needed | Runs needed | Runs of each card that would decide the cell in {POWER * 100:g} of 100 repeats, were the
    estimates the truth; above {MOST_RUNS} the cell lies at the margin. | normal difference, chi for the scatter;
    Welch-Satterthwaite degrees of freedom
holm | Claims of single cells | Of many cells some come out ahead or behind by chance alone. A cell that cannot
    be named is ahead or behind by itself, but not surely enough among so many: Holm's adjusted p over the
    cells of one candidate and metric is 5 % or more. It still counts toward the whole. | S. Holm, Scandinavian Journal
    of Statistics 6, 65-70, 1979
overall | Over many cells | Every mean over cells is the geometric one, that of power as well, over one set of cells for
    each table: those in which every card of the table has a usable value. So each ratio is the quotient of the means
    beside it. A cell that a card lacks is left out for all and listed; a card that leaves fewer than half of the
    baseline's cells to the table stands apart, compared with the baseline on the cells that both have. | P. J. Fleming
    and J. J. Wallace, Communications of the ACM 29(3), 218-221, 1986
these-scenes | Interval 'these scenes' | Run noise only: what repeating the same scenes would give. Welch-Satterthwaite
    t interval on logs. | F. E. Satterthwaite, Biometrics Bulletin 2, 110-114, 1946
scenes-like-these | Interval 'scenes like these' | Scenes as a sample: what other scenes of the same kind would give. t
    interval on log ratios; one draw is one {_UNIT[design.sample_unit]}. | W. S. Gosset ('Student'), Biometrika 6, 1-25,
    1908, over the means of the groups
places | Places | A card is placed behind another only where the pair's verdict says so and stands after Holm over the
    pairs of the cut. A place is one more than the number of cards shown ahead, to the number of cards less those shown
    behind. Cards share a place where every pair of them is tied. | the rule is this program's own
value | Value | Mean rate over price. Break-even: the price at which both cards give the same rate for the money; its
    interval is that of the ratio (these scenes), the prices being exact. | {PRACTICE}
running-cost | Running cost | Average power of the card times hours a day, {DAYS_PER_YEAR:g} days a year, years and
    tariff; its interval is that of power (these scenes), from the scatter of the runs' power. | {PRACTICE}
efficiency | Frames per joule | Mean of the average rate over mean of the average power, over the runs with a sensor log
    in the cells in which every card with sensor logs has power. Energy per frame is one over that. | frames per second
    over joules per second"""
