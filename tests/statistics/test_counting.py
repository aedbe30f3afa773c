"""Count tests against the binomial distribution and against plain enumeration."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from qa_tools.statistics.counting import acceptance

shares = st.floats(0, 1)


@given(st.integers(1, 60), st.integers(0, 10), shares)
def test_one_stage_is_the_binomial_distribution(n: int, accept: int, share: float) -> None:
    found = acceptance([(n, accept, accept + 1)], [np.array([share])])[0, 0, 0]
    assert found == pytest.approx(binom.cdf(accept, n, share), abs=1e-12)


@given(shares, shares)
def test_more_short_packages_are_accepted_less_often(one: float, other: float) -> None:
    low, high = sorted((one, other))
    found = acceptance([(30, 1, 3), (30, 4, 5)], [np.array([low, high])])[0, 0]
    assert 0 <= found[1] <= found[0] + 1e-12 <= 1 + 2e-12


def outcome(row: tuple[int, ...], stages: list[tuple[int, int, int]], twice_reject: int) -> bool:
    """Accepted, packages taken one by one: 0 right, 1 short, 2 short by more than twice."""
    end = 0
    for n, accept, reject in stages:
        end += n
        seen = row[:end]
        if seen.count(2) >= twice_reject:
            return False
        short = len(seen) - seen.count(0)
        if short <= accept:
            return True
        if short >= reject:
            return False
    raise AssertionError("the last stage decides")


@pytest.mark.parametrize("stages", [[(4, 2, 3)], [(3, 0, 2), (4, 2, 3)]])
@pytest.mark.parametrize("twice_reject", [1, 2])
@pytest.mark.parametrize("weighed", [0, 2, 3])
def test_two_limits_and_two_stages_by_enumeration(
    stages: list[tuple[int, int, int]], twice_reject: int, weighed: int
) -> None:
    short, twice = 0.3, 0.12
    chances = (1 - short, short - twice, twice)
    known = (1,) * min(weighed, 1) + (0,) * (weighed - 1)  # one short package among the first
    expected = sum(
        np.prod([chances[kind] for kind in rest]) * outcome(known + rest, stages, twice_reject)
        for rest in itertools.product(range(3), repeat=sum(n for n, *_ in stages) - weighed)
    )
    found = acceptance(
        stages, [np.array([short]), np.array([twice])], twice_reject, weighed=weighed
    )
    assert found[min(weighed, 1), 0, 0] == pytest.approx(expected, abs=1e-12)
