"""The random stream rests on what numpy promises to keep, and has the distributions that it says."""

from __future__ import annotations

import numpy as np

from frametime.demo.demo_files import RandomStream


def test_the_first_words_are_those_stored_here() -> None:
    # Made once with numpy 2.4; the raw output of PCG64 and of SeedSequence is promised to stay (numpy, NEP 19).
    assert RandomStream([20_261, 0, 0, 0, 1]).uniform(3).tolist() == [
        0.8671605429962778,
        0.22000846897817095,
        0.8047345937570174,
    ]


def test_other_seeds_give_other_numbers() -> None:
    assert RandomStream([1]).uniform(4).tolist() != RandomStream([2]).uniform(4).tolist()


def test_moments() -> None:
    # Standard errors at n = 200 000: mean of the normal 0.0022, its variance 0.0032, mean of the exponential 0.0022.
    stream = RandomStream([3])
    uniform, normal, exponential = stream.uniform(200_000), stream.normal(200_000), stream.exponential(200_000)
    assert uniform.min() > 0.0
    assert uniform.max() <= 1.0
    assert abs(uniform.mean() - 0.5) < 0.003
    assert abs(normal.mean()) < 0.009
    assert abs(normal.var() - 1.0) < 0.013
    assert abs(np.mean(normal**4) - 3.0) < 0.12
    assert abs(exponential.mean() - 1.0) < 0.009


def test_memory_is_the_correlation_of_neighbors() -> None:
    values = RandomStream([4]).following(100_000, memory=0.8)
    assert abs(np.corrcoef(values[1:], values[:-1])[0, 1] - 0.8) < 0.01
    assert abs(values.std() - 1.0) < 0.03
