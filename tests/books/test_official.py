"""The official test: outcomes, what stands beside them, and what is asked for when too few."""

from __future__ import annotations

import numpy as np
import pytest

import qa_tools as qa

EU = "eu-76-211"


def test_a_verdict_shows_measured_limit_outcome_and_clause() -> None:
    verdict = qa.judge([121.0, 122.0] * 6, "120 g", "us-hb133", lot_size=100)
    assert list(verdict.tests.columns)[:3] == ["test", "measured", "limit"]
    assert {"outcome", "clause"} <= set(verdict.tests.columns)
    assert (verdict.tests["clause"] != "").all()
    assert verdict.tests["outcome"].tolist() == ["accept", "accept"]
    text = str(verdict)
    for words in ("would pass inspection", "MAV", "Our own check", "From memory", "2.3.7"):
        assert words in text, words


def test_figures_from_memory_are_named_with_the_official_table() -> None:
    us = qa.judge([121.0] * 12, "120 g", "us-hb133", lot_size=100)
    assert {figure.grade for figure in us.from_memory} == {"from memory"}
    assert any("Table 2-5" in figure.official for figure in us.from_memory)
    assert any("Table 2-1" in figure.official for figure in us.from_memory)
    assert qa.judge([121.0] * 30, "120 g", EU, lot_size=100).from_memory == ()


@pytest.mark.parametrize(
    "book, lot_size, n, more",
    [("us-hb133", 100, 11, 1), (EU, 200, 12, 18), (EU, 99, 90, 9), ("ca-crc-417", 48, 3, 9),
     ("us-hb133", 5, 4, 1), ("uk-2006-659", 5000, 79, 1), ("ca-crc-417", 9, 8, 1)],
)  # fmt: skip
def test_too_few_says_what_is_missing_and_still_checks(
    book: str, lot_size: int, n: int, more: int
) -> None:
    verdict = qa.judge([121.0] * n, "120 g", book, lot_size=lot_size)
    assert verdict.outcome == "too few"
    assert f"{more} more" in verdict.reason
    assert not verdict.may_ship
    assert verdict.own.n == n
    assert "Our own check" in str(verdict)


def test_too_few_still_names_packages_to_pull() -> None:
    verdict = qa.judge([121.0, 109.1, 109.2, 100.0], "120 g", EU, lot_size=200)
    assert (verdict.outcome, verdict.pull) == ("too few", (1, 3))
    assert not verdict.may_ship


@pytest.mark.parametrize("book, pulls", [(EU, True), ("uk-2006-659", True), ("us-hb133", False),
                                         ("ca-crc-417", False)])  # fmt: skip
def test_pull_only_where_the_book_forbids_selling_them(book: str, pulls: bool) -> None:
    verdict = qa.judge([80.0] + [125.0] * 49, "120 g", book, lot_size=50)
    assert verdict.pull == ((0,) if pulls else ())


def test_a_pass_needs_the_pull_before_it_may_ship() -> None:
    verdict = qa.judge([108.0] + [125.0] * 59, "120 g", EU, lot_size=60)
    assert verdict.outcome == "accept"
    assert not verdict.may_ship
    rest = qa.judge([125.0] * 59, "120 g", EU, lot_size=59)
    assert rest.may_ship


def test_the_plain_mean_stands_beside_every_pass() -> None:
    for shift in (-0.3, 0.0, 0.6):
        bars = 120 + shift + np.array([2.0, -2.0] * 15)
        verdict = qa.judge(bars, "120 g", EU, lot_size=200)
        assert verdict.outcome == "accept"
        assert "averages" in verdict.headline
        assert ("raise the fill" in verdict.headline) == (shift < 0)


def test_more_weighed_than_packed_is_unsettled_not_guessed() -> None:
    verdict = qa.judge([121.0] * 13, "120 g", "us-hb133", lot_size=12)
    assert verdict.outcome == "unsettled"
    assert "13 weighed of 12 packed" in verdict.reason
    assert not verdict.may_ship


def test_no_plan_for_such_a_lot_is_unsettled() -> None:
    assert qa.judge([121.0], "120 g", "ca-crc-417", lot_size=1).outcome == "unsettled"
    verdict = qa.judge([121.0] * 20, "120 g", EU, lot_size=50, test="destructive")
    assert verdict.outcome == "unsettled"
    assert "no destructive sampling plan for a lot of 50" in verdict.reason


def test_the_destructive_test() -> None:
    """Directive Annex II 2.2.2, 2.3: 20 weighed, accept at 1, k = 0.640."""
    assert (
        qa.judge([114.5] + [125.0] * 19, "120 g", EU, lot_size=200, test="destructive").outcome
        == "accept"
    )
    assert (
        qa.judge([114.5] * 2 + [125.0] * 18, "120 g", EU, lot_size=200, test="destructive").outcome
        == "reject"
    )
    for book, test in (("us-hb133", "destructive"), (EU, "single"), (EU, "quick")):
        with pytest.raises(ValueError, match=f"no '{test}' test"):
            qa.judge([121.0] * 20, "120 g", book, lot_size=200, test=test)


@pytest.mark.parametrize(
    "net", [[], [[120.0, 121.0]], [120.0, float("nan")], [0.0], [-120.0], [float("inf")]]
)
def test_weights_that_cannot_be_judged_are_refused(net: list[float]) -> None:
    with pytest.raises(ValueError):
        qa.judge(net, "120 g", EU, lot_size=30)


@pytest.mark.parametrize("size", [0, -5])
def test_a_lot_of_less_than_one_is_refused(size: int) -> None:
    with pytest.raises(ValueError):
        qa.judge([121.0] * 12, "120 g", "us-hb133", lot_size=size)


def test_weights_in_pounds_and_ounces_meet_the_mav_exactly() -> None:
    """4 oz label, MAV 0.016 lb = 0.256 oz: 0.234 lb and 3.744 oz are exactly the MAV short."""
    for unit, at, under, full in (("lb", 0.234, 0.233, 0.26), ("oz", 3.744, 3.743, 4.1)):
        for weight, outcome in ((at, "accept"), (under, "reject")):
            net = [weight] + [full] * 11
            assert qa.judge(net, "4 oz", "us-hb133", lot_size=100, unit=unit).outcome == outcome


def test_a_mean_exactly_at_the_label_in_ounces_passes_in_whole_lots() -> None:
    """0.1 oz steps that average 4.2 oz: decimals that binary floats miss."""
    net = [4.1, 4.3, 4.2, 4.1, 4.3]
    assert qa.judge(net, "4.2 oz", "ca-crc-417", lot_size=5, unit="oz").outcome == "accept"
    assert (
        qa.judge([*net[:4], 4.2], "4.2 oz", "ca-crc-417", lot_size=5, unit="oz").outcome == "reject"
    )


def test_the_second_sample_is_asked_for() -> None:
    """Directive Annex II 2.2.1: 2 of 30 is between 1 and 3."""
    verdict = qa.judge([114.5] * 2 + [125.0] * 28, "120 g", EU, lot_size=200)
    assert verdict.outcome == "too few"
    assert "30 more" in verdict.reason
    assert "second sample needed" in verdict.tests["outcome"].tolist()
    # a failed mean rejects whatever the second sample would say
    low = qa.judge([114.5] * 2 + [117.0] * 28, "120 g", EU, lot_size=200)
    assert low.outcome == "reject"


@pytest.mark.parametrize("short, outcome", [(1, "accept"), (9, "reject"), (2, "accept")])
def test_both_samples_weighed_and_clear(short: int, outcome: str) -> None:
    """60 weighed: with 2 short every order accepts (4 allowed in 60); with 9 hardly one does."""
    verdict = qa.judge([114.5] * short + [125.0] * (60 - short), "120 g", EU, lot_size=200)
    assert verdict.outcome == outcome


def test_the_second_sample_settles_what_the_first_left_open() -> None:
    """
    Annex II 2.2.1: 2 short in the first 30, so 30 more; 1 short in these: 3 of 60 is within 4,
    accept. `judge` asked for exactly these 30 more, in this order.
    """
    first, second = [114.5] * 2 + [125.0] * 28, [114.5] + [125.0] * 29
    assert qa.judge(first, "120 g", EU, lot_size=200).outcome == "too few"
    assert qa.judge(first + second, "120 g", EU, lot_size=200).outcome == "accept"


def test_the_loaves_reach_our_own_check_only() -> None:
    bars = [121.0, 122.0, 120.5] * 4
    plain = qa.judge(bars, "120 g", "us-hb133", lot_size=100)
    loaves = qa.judge(bars, "120 g", "us-hb133", lot_size=100, group=list("aaabbbcccddd"))
    assert (loaves.outcome, loaves.rows) == (plain.outcome, plain.rows)
    assert loaves.own.groups == 4
    assert "speaks for these" in str(loaves)
