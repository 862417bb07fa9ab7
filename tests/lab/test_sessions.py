"""Cards of different sessions: the reference shows the shift, and intervals hold the truth, by simulation."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from frametime.lab.sessions import Cells, scatter_between, shift_between
from frametime.statistics.differences import Difference, LogMean, SharedError, combined, log_mean

NOISE, N_CELLS, N_RUNS = 0.008, 10, 3
N_SIMULATED = 1_000


def measured_often(
    draws: Iterator[NDArray[np.float64]],
    session: str,
    card: str,
    levels: NDArray[np.float64],
    n_cells: int = N_CELLS,
    *,
    as_one: bool = False,
) -> list[Cells]:
    """For each simulation the cells of a card whose runs scatter, at a level that holds the shift of the session.

    Or one cell that stands for them, with the mean over them and its variance: the scatter of sessions is the same.
    """
    noise = NOISE * np.stack([next(draws) for _ in range(n_cells * N_RUNS)], axis=-1).reshape(-1, n_cells, N_RUNS)
    logs = (levels[:, None] + 0.1 * np.arange(n_cells))[..., None] + noise
    means, variances = logs.mean(axis=-1), logs.var(axis=-1, ddof=1) / N_RUNS
    if as_one:
        means, variances = means.mean(axis=-1, keepdims=True), variances.mean(axis=-1, keepdims=True) / n_cells
    return [
        {
            cell: LogMean(
                mean=mean, variance=variance, degrees_of_freedom=N_RUNS - 1, n_runs=N_RUNS, key=(session, card, cell)
            )
            for cell, (mean, variance) in enumerate(zip(*of_cells, strict=True))
        }
        for of_cells in zip(means.tolist(), variances.tolist(), strict=True)
    ]


def drawn(seed: int, n_values: int) -> Iterator[NDArray[np.float64]]:
    """So many standard normal values of each simulation, one after the other."""
    return iter(np.random.default_rng(seed).standard_normal((N_SIMULATED, n_values)).T)


def measured(rng: np.random.Generator, session: str, card: str, level: float, n_cells: int = N_CELLS) -> Cells:
    draws = iter(rng.standard_normal((n_cells * N_RUNS, 1)))
    return measured_often(draws, session, card, np.array([level]), n_cells)[0]


def test_cells_are_made_as_the_program_makes_them() -> None:
    made = measured(np.random.default_rng(3), "then", "card", 0.2, 2)
    logs = np.random.default_rng(3).normal([[0.2], [0.3]], NOISE, (2, N_RUNS))
    for cell, expected in enumerate(map(log_mean, logs)):
        assert made[cell].mean == pytest.approx(expected.mean)
        assert made[cell].variance == pytest.approx(expected.variance)
        assert (made[cell].degrees_of_freedom, made[cell].n_runs) == (expected.degrees_of_freedom, expected.n_runs)


def test_one_cell_that_stands_for_several_shows_the_same_scatter() -> None:
    found = []
    for as_one in (True, False):
        draws = drawn(5, 3 * 4 * N_RUNS)
        shelf = [measured_often(draws, str(at), "ref", np.full(N_SIMULATED, at), 4, as_one=as_one) for at in range(3)]
        for_each = zip(*shelf, strict=True)
        found.append([scatter_between({at: {"ref": cells} for at, cells in enumerate(of)}) for of in for_each])
    one, several = found
    assert None not in one
    assert np.array(one) == pytest.approx(np.array(several))


def off(cells: Cells, amount: float, errors: tuple[SharedError, ...]) -> Cells:
    return {
        cell: LogMean(**{**vars(mean), "mean": mean.mean - amount, "shared": errors}) for cell, mean in cells.items()
    }


def over_cells(card: Cells, baseline: Cells) -> Difference:
    share = 1.0 / len(card)
    return combined([term for cell in card for term in ((share, card[cell]), (-share, baseline[cell]))])


def share_covered(found: Sequence[Difference], truth: float) -> float:
    """How many of the intervals hold the truth: those at whose difference from it the chance is 5 % or more.

    A chance is reckoned at once, and the end of an interval is searched for; of some both are, and say the same.
    """
    chances = [replace(each, value=each.value - truth).p_value for each in found]
    held = [chance is not None and chance >= 0.05 for chance in chances]
    for each, is_held in zip(found[:50], held, strict=False):
        low, high = each.bounds(0.95) or (math.nan, math.nan)
        assert (low <= truth <= high) == is_held
    return float(np.mean(held))


@pytest.mark.slow
@pytest.mark.parametrize("scatter", [0.0, 0.01, 0.02])
@pytest.mark.parametrize(("n_reference", "is_baseline"), [(2, False), (4, True), (10, True)])
def test_with_a_reference_95_of_100_intervals_hold_the_truth(
    scatter: float, n_reference: int, is_baseline: bool
) -> None:
    n_more = n_reference if is_baseline else 2 * n_reference
    draws = drawn(11, 1 + (2 * N_CELLS + n_more) * N_RUNS)
    shifts, level = scatter * next(draws), 0.0 if is_baseline else 0.3
    cards = measured_often(draws, "then", "card", 0.05 + shifts)
    baselines = measured_often(draws, "now", "base", 0.0 * shifts)
    if is_baseline:
        today = [{cell: baseline[cell] for cell in range(n_reference)} for baseline in baselines]
    else:
        today = measured_often(draws, "now", "ref", level + 0.0 * shifts, n_reference)
    earlier = measured_often(draws, "then", "ref", level + shifts, n_reference)
    differences = []
    for card, baseline, now, then in zip(cards, baselines, today, earlier, strict=True):
        found = shift_between({"ref": then}, {"ref": now}, name="then")
        assert found is not None
        differences.append(over_cells(off(card, found.difference.value, found.errors), baseline))
    assert 0.925 <= share_covered(differences, 0.05) <= 0.97


@pytest.mark.slow
@pytest.mark.parametrize("scatter", [0.0, 0.0025, 0.005, 0.01, 0.02])
@pytest.mark.parametrize("n_sessions", [2, 3, 5, 20])
@pytest.mark.parametrize("n_reference", [2, 4, 10])
def test_without_a_reference_the_scatter_between_sessions_is_counted(
    scatter: float, n_sessions: int, n_reference: int
) -> None:
    draws = drawn(12, n_sessions + 2 + (n_sessions * n_reference + 2 * N_CELLS) * N_RUNS)
    shifts = [scatter * next(draws) for _ in range(n_sessions + 2)]
    shelves = [
        measured_often(draws, str(number), "ref", 0.3 + shifts[number], n_reference, as_one=True)
        for number in range(n_sessions)
    ]
    differences = []
    for card, baseline, *shelf in zip(
        measured_often(draws, "then", "card", 0.05 + shifts[-1]),
        measured_often(draws, "now", "base", shifts[-2]),
        *shelves,
        strict=True,
    ):
        found = scatter_between({number: {"ref": cells} for number, cells in enumerate(shelf)})
        assert found is not None
        differences.append(
            over_cells(off(card, 0.0, (found.error_of("then"),)), off(baseline, 0.0, (found.error_of("now"),)))
        )
    # 93 to 97 %, and a standard error of 1 000 draws.
    assert 0.93 <= share_covered(differences, 0.05) <= 0.975


def test_the_scatter_is_that_of_an_analysis_of_variance() -> None:
    """Cards of single cells without noise: pooled variance within cards, by numpy; sessions less one."""
    levels = {"a": {"x": 0.0, "y": 0.02, "z": 0.01}, "b": {"x": 1.0, "y": 1.04}, "c": {"z": 5.0}}
    exact = {"variance": 0.0, "degrees_of_freedom": 1, "n_runs": 2}
    sessions = {
        name: {card: {"cell": LogMean(mean=of[name], **exact)} for card, of in levels.items() if name in of}
        for name in "xyz"
    }
    found = scatter_between(sessions)
    assert found is not None
    expected = (2.0 * np.var([0.0, 0.02, 0.01], ddof=1) + np.var([1.0, 1.04], ddof=1)) / 3.0
    assert found.variance == pytest.approx(expected)
    assert (found.degrees_of_freedom, found.n_sessions) == (2, 3)
    assert scatter_between({"x": sessions["x"]}) is None


def test_the_noise_of_the_runs_in_the_scatter_is_that_of_a_mean_over_cells() -> None:
    """Two cells with variances of 0.04 and 0.08: that of their mean is (0.04 + 0.08) / 4."""
    sessions = {
        name: {
            "a": {
                cell: LogMean(mean=mean, variance=variance, degrees_of_freedom=2, n_runs=3)
                for cell, variance in (("x", 0.04), ("y", 0.08))
            }
        }
        for name, mean in (("spring", 0.0), ("summer", 1.0), ("autumn", 3.0))
    }
    found = scatter_between(sessions)
    assert found is not None
    assert found.noise == pytest.approx(0.03)


def test_sessions_that_no_card_joins_tell_of_one_shift_less() -> None:
    exact = {"variance": 0.0, "degrees_of_freedom": 1, "n_runs": 2}

    def cards(*names: str, at: float) -> dict[str, Cells]:
        return {name: {"cell": LogMean(mean=at, **exact)} for name in names}

    pairs = {"u": cards("a", "b", at=0.0), "v": cards("a", "b", at=0.1), "x": cards("c", "d", at=0.0)}
    pairs["y"] = cards("c", "d", at=0.2)
    found = scatter_between(pairs)
    assert found is not None
    assert (found.degrees_of_freedom, found.n_sessions) == (2, 4)
    joined = scatter_between({**pairs, "v": cards("a", "b", "c", at=0.1)})
    assert joined is not None
    assert (joined.degrees_of_freedom, joined.n_sessions) == (3, 4)


def test_cards_are_held_against_themselves_over_the_cells_that_all_their_sessions_have() -> None:
    def card(**means: float) -> Cells:
        return {name: LogMean(mean=mean, variance=0.0, degrees_of_freedom=1, n_runs=2) for name, mean in means.items()}

    sessions = {
        "x": {"a": card(one=0.0, two=5.0), "b": card(one=0.0)},
        "y": {"a": card(one=0.1, two=9.0), "b": card(two=7.0)},
        "z": {"a": card(one=0.2)},
    }
    found = scatter_between(sessions)
    assert found is not None
    assert found.variance == pytest.approx(np.var([0.0, 0.1, 0.2], ddof=1))
    # Every mean of a session is off by its shift, once.
    error = found.error_of("x")
    assert (error.key, error.amount, error.variance) == (("session", "x"), 1.0, found.variance)


def test_a_scatter_without_noise_widens_by_the_factor_of_student() -> None:
    """Where hardly anything but the scatter counts: 12.706 times the standard error for two sessions (any table)."""
    error = {"key": "x", "amount": 1.0, "variance": 1.0, "noise": 0.0}
    one = LogMean(mean=0.5, variance=1e-8, degrees_of_freedom=20, n_runs=3)
    other = LogMean(mean=0.0, variance=1e-8, degrees_of_freedom=20, n_runs=3)
    for freedom, factor in ((1, 12.706), (2, 4.303), (4, 2.776), (30, 2.042)):
        errors = (SharedError(**error, degrees_of_freedom=freedom),)
        found = combined([(1.0, LogMean(**{**vars(one), "shared": errors})), (-1.0, other)])
        bounds = found.bounds(0.95)
        assert bounds is not None
        assert (bounds[1] - bounds[0]) / 2.0 == pytest.approx(factor, rel=3e-3)
        # The chance goes with the interval: at its end it is 5 %.
        at_end = combined([(1.0, LogMean(**{**vars(one), "mean": bounds[1] - 0.5, "shared": errors})), (-1.0, other)])
        assert at_end.p_value == pytest.approx(0.05, rel=1e-6)


def test_the_scatter_has_the_same_bytes_however_the_names_of_cells_are_hashed() -> None:
    rng = np.random.default_rng(7)
    values = rng.normal(4.6, 0.3, (2, 25))
    sessions = {
        at: {"a": {(f"scene{k}", "1440p"): log_mean([value]) for k, value in enumerate(row)}}
        for at, row in enumerate(values)
    }
    found = scatter_between(sessions)
    assert found is not None
    # To the last bit: the cells are added up in the order in which they are given.
    assert found.variance == float(np.var([float(np.mean(list(row))) for row in values], ddof=1))


def test_no_card_in_both_sessions_shows_no_shift() -> None:
    rng = np.random.default_rng(1)
    assert shift_between({"a": measured(rng, "x", "a", 0.0)}, {"b": measured(rng, "y", "b", 0.0)}, name="x") is None


def test_cards_of_one_session_are_compared_as_if_nothing_had_been_taken_off() -> None:
    rng = np.random.default_rng(2)
    one, other, now = (measured(rng, "then", card, 0.0) for card in ("one", "other", "now"))
    shift = shift_between({"ref": measured(rng, "then", "ref", 0.5)}, {"ref": now}, name="then")
    assert shift is not None
    plain = over_cells(one, other)
    found = over_cells(*(off(cells, shift.difference.value, shift.errors) for cells in (one, other)))
    assert found.value == pytest.approx(plain.value)
    assert found.standard_error == pytest.approx(plain.standard_error)


def test_through_the_baseline_itself_a_card_is_compared_within_its_session() -> None:
    """Where the reference is the baseline in all its cells, what it did today falls out."""
    rng = np.random.default_rng(3)
    card, then, today = (measured(rng, s, c, 0.0) for s, c in (("then", "card"), ("then", "base"), ("now", "base")))
    shift = shift_between({"base": then}, {"base": today}, name="then")
    assert shift is not None
    found, within = over_cells(off(card, shift.difference.value, shift.errors), today), over_cells(card, then)
    assert found.value == pytest.approx(within.value)
    assert found.standard_error == pytest.approx(within.standard_error)
    assert found.degrees_of_freedom == pytest.approx(within.degrees_of_freedom)


def test_an_error_that_is_bounded_alone_widens_every_interval_by_it() -> None:
    rng = np.random.default_rng(4)
    bounded = SharedError(key="x", amount=1.0, variance=0.0, degrees_of_freedom=1.0, bound=0.03)
    one, other = measured(rng, "then", "one", 0.1), measured(rng, "now", "other", 0.0)
    plain, found = over_cells(one, other).bounds(0.95), over_cells(off(one, 0.0, (bounded,)), other).bounds(0.95)
    assert plain is not None and found is not None
    assert (plain[0] - found[0], found[1] - plain[1]) == (pytest.approx(0.03), pytest.approx(0.03))
