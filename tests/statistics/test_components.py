"""Variance components: closed form, none between, scale, what cannot be told apart."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.statistics.components import Components, components


def of(rows: np.ndarray) -> Components:
    means = rows.mean(axis=1)
    squares = float(((rows - means[:, np.newaxis]) ** 2).sum())
    return components(np.full(len(rows), rows.shape[1]), means, squares)


@given(seed=st.integers(0, 2**32 - 1), between=st.sampled_from([0.0, 0.05, 0.5, 2.0, 50.0]))
def test_equal_sizes_are_the_analysis_of_variance(seed: int, between: float) -> None:
    random = np.random.default_rng(seed)
    rows = 120 + random.normal(0, between, (9, 1)) + random.normal(0, 1, (9, 4))
    found = of(rows)
    inside = rows.var(axis=1, ddof=1).mean()
    across = (rows.mean(axis=1).var(ddof=1) * 4 - inside) / 4
    if across > 1e-3:
        assert found.between**2 == pytest.approx(across, rel=1e-6)
        assert found.within**2 == pytest.approx(inside, rel=1e-6)
    elif across < 0:
        assert found.between == 0
        assert found.within**2 == pytest.approx(rows.var(ddof=1), rel=1e-9)
        assert found.share_between == 0


def test_both_are_on_average_what_they_are() -> None:
    random = np.random.default_rng(6)
    sizes = np.array([2, 5, 1, 9, 4, 4, 7, 3, 3, 6, 2, 8] * 2)
    found = []
    for _ in range(200):
        each = [random.normal(random.normal(0, 1.2), 0.8, n) for n in sizes]
        squares = sum(float(((one - one.mean()) ** 2).sum()) for one in each)
        found.append(components(sizes, np.array([one.mean() for one in each]), squares))
    for name, truth in (("between", 1.44), ("within", 0.64)):
        values = np.array([getattr(one, name) ** 2 for one in found])
        assert values.mean() == pytest.approx(truth, abs=4 * values.std() / np.sqrt(len(values)))


@pytest.mark.parametrize(
    ("sizes", "means", "squares", "says"),
    [
        ([4], [1.0], 2.0, "got 1 batches"),
        ([1, 1], [1.0, 2.0], 0.0, "with two or more readings"),
        ([2, 2], [1.0, 2.0], 0.0, "finer scale"),
        ([2, 2], [1.0, 2e9], 1e-4, "another unit"),
    ],
)
def test_what_cannot_be_told_apart_says_so(sizes, means, squares, says) -> None:
    with pytest.raises(ValueError, match=says):
        components(np.array(sizes), np.array(means), squares)
