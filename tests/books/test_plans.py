"""Sampling plans: every lot size has one plan or a plain reason, and odd requests are refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

import qa_tools as qa
from qa_tools.books.plans import NoPlan

NAMES = ["ca-crc-417", "eu-76-211", "uk-2006-659", "us-hb133"]


@given(st.sampled_from(NAMES), st.integers(1, 200_000))
def test_every_lot_has_a_plan_it_can_fill(name: str, size: int) -> None:
    try:
        plan = qa.rulebook(name).plan(size)
    except NoPlan:
        assert (name, size) == ("ca-crc-417", 1)
        return
    assert 1 <= plan.n <= size
    assert plan.n_all <= size
    assert plan.mean_n is None or plan.mean_n <= plan.n
    for stage in plan.count_stages:
        assert 0 <= stage.accept < stage.reject
    if plan.count_stages:
        last = plan.count_stages[-1]
        assert last.reject == last.accept + 1  # the last stage always decides
    assert plan.n == size or plan.sample != "whole lot"
    assert plan.figures and all(figure.clause for figure in plan.figures)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("size", [0, -1])
def test_a_lot_of_nothing_has_no_plan(name: str, size: int) -> None:
    with pytest.raises(ValueError, match="number packed"):
        qa.rulebook(name).plan(size)


def test_a_test_that_the_book_lacks_is_named_with_those_it_has() -> None:
    with pytest.raises(ValueError, match="no 'single' test; it has destructive, non-destructive"):
        qa.rulebook("eu-76-211").plan(200, test="single")
    for name in ("us-hb133", "ca-crc-417"):
        with pytest.raises(ValueError, match="no 'destructive' test; it has non-destructive"):
            qa.rulebook(name).plan(200, test="destructive")


@given(st.integers(2, 20_000), st.integers(1, 125))
def test_canadian_factor_falls_with_the_sample_and_the_count_limit_rises(size: int, n: int) -> None:
    book = qa.rulebook("ca-crc-417")
    n = min(n, size)
    plan = book.plan(size, n=n)
    assert plan.n == max(n, book.plan(size).n)  # fewer than the least gives the least
    if plan.n < size and plan.n < 125:
        larger = book.plan(size, n=plan.n + 1)
        assert (larger.factor or 0) <= (plan.factor or 0)
        assert larger.count_stages[0].reject >= plan.count_stages[0].reject


def test_the_number_weighed_changes_no_exact_plan() -> None:
    for name in ("eu-76-211", "uk-2006-659", "us-hb133"):
        assert qa.rulebook(name).plan(200, n=77) == qa.rulebook(name).plan(200)


def test_a_sample_larger_than_the_lot_is_refused() -> None:
    with pytest.raises(ValueError):
        qa.rulebook("ca-crc-417").plan(48, n=60)


@pytest.mark.parametrize("name", NAMES)
def test_the_exact_factor_is_close_to_the_printed(name: str) -> None:
    """
    Sheets: printed factors are t / sqrt(n), to 0.001; Canada prints two decimals below 11, and its
    t for unlisted sizes is interpolated, 0.0006 off at most.
    """
    for size in (2, 5, 6, 11, 40, 99, 100, 128, 200, 501, 4000, 5000, 9000, 20_000):
        plan = qa.rulebook(name).plan(size)
        if plan.factor:
            within = 0.005 if name == "ca-crc-417" and plan.n < 11 else 0.001
            assert abs(plan.factor - (plan.exact_factor or 0)) < within
        elif plan.factor == 0:
            assert plan.exact_factor == 0
