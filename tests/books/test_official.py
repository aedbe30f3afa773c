"""The official test: outcomes, what stands beside them, and what is asked for when too few."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import hypergeom

import qa_tools as qa
from qa_tools.books.official import share_words

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


def test_rows_in_words_for_people() -> None:
    """Measured and limit as people say them; numbers stay numbers."""
    rows = qa.judge([114.5] + [125.0] * 29, "120 g", EU, lot_size=200).rows
    assert [(row.measured_words, row.limit_words) for row in rows] == [
        ("124.65 g", "at least 119.04 g"),
        ("1", "at most 1"),
    ]
    assert (rows[1].measured, rows[1].limit) == (1, 1)
    verdict = qa.judge([121.0] * 40, "120 g", EU, lot_size=200)
    assert {(row.measured_words, row.limit_words) for row in verdict.rows} == {
        ("100 % of random draws pass", "95 % needed")
    }
    assert "average contents: 100 % of random draws pass, 95 % needed: accept" in str(verdict)


@given(st.integers(0, 40_000))
def test_a_share_in_words_is_on_its_own_side_of_what_decides(hits: int) -> None:
    share = hits / 40_000
    told = float(share_words(share)[:-2]) / 100
    assert (told >= 0.95) == (share >= 0.95)
    assert (told <= 0.05) == (share <= 0.05)
    assert (told == 0, told == 1) == (share == 0, share == 1)
    assert abs(told - share) <= 0.005 + 1e-12


@pytest.mark.parametrize("book, net", [("us-hb133", [120.0] * 12), ("ca-crc-417", [120.0] * 100)])
def test_no_row_shows_minus_zero(book: str, net: list[float]) -> None:
    verdict = qa.judge(net, "120 g", book, lot_size=100)
    assert all(math.copysign(1, x) == 1 for row in verdict.rows for x in row[1:3])
    assert "-0" not in str(verdict)


@pytest.mark.parametrize("name", sorted(qa.rulebooks().index))
def test_every_figure_from_memory_is_told_once(name: str) -> None:
    """Name, value and the table to compare it with, of the deficiency and of the plan."""
    verdict = qa.judge([121.0] * 40, "120 g", name, lot_size=100)
    for figure in verdict.from_memory:
        line = f"From memory, compare with {figure.official}: {figure.value} ({figure.name})."
        assert figure.official and str(verdict).count(line) == 1
    assert str(verdict).count("From memory") == len(verdict.from_memory)
    assert bool(verdict.from_memory) == (name in ("us-hb133", "nz-7a"))


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


def test_a_pass_with_a_pull_and_a_low_mean_reads_well() -> None:
    low = qa.judge([108.0] + [120.2] * 29, "120 g", EU, lot_size=200)
    assert low.outcome == "accept"
    assert low.headline == (
        "would pass inspection, but averages 0.2 g short: raise the fill and pull 1 first "
        "(chance could explain it: or weigh more)"
    )
    high = qa.judge([108.0] + [125.0] * 29, "120 g", EU, lot_size=200)
    assert high.headline.startswith("would pass inspection, but pull 1 first; averages 4.4 g over")
    for verdict in (low, high):
        assert verdict.headline.count("but") == 1


@pytest.mark.parametrize("book, has", [(EU, False), ("uk-2006-659", True), ("us-hb133", True)])
def test_a_book_without_a_count_says_that_the_average_alone_decided(book: str, has: bool) -> None:
    """The Directive has no count of short packages under 100; SI 2006/659 and Handbook 133 have."""
    verdict = qa.judge([121.0] * 50, "120 g", book, lot_size=50)
    assert ("No count of packages short" in str(verdict)) == (not has)
    assert bool(verdict.to_dict()["uncounted"]) == (not has)
    assert qa.judge([121.0] * 30, "120 g", book, lot_size=200).uncounted == ""


def test_the_plain_mean_stands_beside_every_pass() -> None:
    for shift in (-0.3, 0.0, 0.6):
        bars = 120 + shift + np.array([2.0, -2.0] * 15)
        verdict = qa.judge(bars, "120 g", EU, lot_size=200)
        assert verdict.outcome == "accept"
        assert "averages" in verdict.headline
        assert ("raise the fill" in verdict.headline) == (shift < 0)


def test_an_unknown_test_is_refused_whatever_the_lot() -> None:
    with pytest.raises(ValueError, match="no 'quick' test; it has destructive, non-destructive"):
        qa.judge([121.0] * 20, "120 g", EU, lot_size=10, test="quick")


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


@pytest.mark.parametrize("size", [0, -5, 98.7, None, float("nan"), float("inf"), "98"])
def test_a_lot_size_that_is_no_whole_number_above_zero_is_refused(size: int) -> None:
    with pytest.raises(ValueError, match=f"lot size is {size!r}; give the number of packages"):
        qa.judge([121.0] * 12, "120 g", "us-hb133", lot_size=size)


def test_a_whole_lot_size_of_a_table_column_is_taken() -> None:
    for size in (np.float64(100), np.int64(100), 100.0):
        verdict = qa.judge([121.0] * 12, "120 g", "us-hb133", lot_size=size)  # type: ignore[arg-type]
        assert (verdict.outcome, verdict.own.lot_size) == ("accept", 100)


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


def test_the_order_decides_nothing_where_it_is_not_known() -> None:
    """
    60 weighed, 5 short. In the order drawn 2 are in the first 30: 5 of 60 is over 4, reject. Of
    random draws those with at most 1 in the first 30 pass: hypergeometric.
    """
    bars = [114.5] * 2 + [125.0] * 28 + [114.5] * 3 + [125.0] * 27
    assert qa.judge(bars, "120 g", EU, lot_size=200).outcome == "reject"
    for net in (bars, bars[::-1], sorted(bars)):
        verdict = qa.judge(net, "120 g", EU, lot_size=200, in_order=False)
        assert verdict.outcome == "unsettled"
        assert verdict.draws is not None
        assert verdict.draws.accept == pytest.approx(hypergeom.cdf(1, 60, 5, 30), abs=0.01)
    direct = qa.judge(bars[:30], "120 g", EU, lot_size=200, in_order=False)
    assert direct == qa.judge(bars[:30], "120 g", EU, lot_size=200)


def test_the_packaging_and_the_number_of_loaves_reach_our_own_check_only() -> None:
    bars = [121.0, 122.0, 120.5] * 4
    loaves, tare = list("aaabbbcccddd"), {"tare_sd": 1.0, "tare_n": 8}
    plain = qa.judge(bars, "120 g", "us-hb133", lot_size=100)
    more = qa.judge(bars, "120 g", "us-hb133", lot_size=100, group=loaves, group_total=9, **tare)  # type: ignore[arg-type]
    assert (more.outcome, more.rows) == (plain.outcome, plain.rows)
    assert more.own == qa.own_check(
        bars, "120 g", "us-hb133", lot_size=100, group=loaves, group_total=9, **tare
    )  # type: ignore[arg-type]


def test_the_loaves_reach_our_own_check_only() -> None:
    bars = [121.0, 122.0, 120.5] * 4
    plain = qa.judge(bars, "120 g", "us-hb133", lot_size=100)
    loaves = qa.judge(bars, "120 g", "us-hb133", lot_size=100, group=list("aaabbbcccddd"))
    assert (loaves.outcome, loaves.rows) == (plain.outcome, plain.rows)
    assert loaves.own.groups == 4
    assert "speaks for these" in str(loaves)


@pytest.mark.parametrize("name", sorted(qa.rulebooks().index))
@pytest.mark.parametrize(
    "net, declared, says",
    [([], "120 g", "one or more"), ([121.0, math.nan], "120 g", "weight 2 of 2 is nan"),
     ([math.inf], "120 g", "weight 1 of 1 is inf"), ([121.0], 0, "0"), ([121.0], -120, "120"),
     (["4.2 oz", "120 g"], "120 g", "one unit")],
)  # fmt: skip
def test_bad_input_is_refused_by_every_book(
    name: str, net: list[float], declared: float, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        qa.judge(net, declared, name, lot_size=100)


@pytest.mark.parametrize("name", sorted(qa.rulebooks().index))
def test_one_package_and_more_weighed_than_packed_are_answered_with_a_reason(name: str) -> None:
    one = qa.judge([121.0], "120 g", name, lot_size=100)
    assert one.outcome in ("too few", "unsettled", "accept") and one.reason
    more = qa.judge([121.0] * 104, "120 g", name, lot_size=96)
    assert (more.outcome, more.may_ship) == ("unsettled", False)
    assert "104 weighed of 96 packed" in more.reason
    assert "unknown" not in str(more)


def test_a_double_sample_in_order_is_judged_though_the_mean_takes_fewer() -> None:
    """Lots over 3200: 80 and 80 for the count, 50 for the mean (Directive 76/211, Annex II 2.2)."""

    def weights(first: int, then: int) -> list[float]:
        samples = ([110.0] * short + [123.0] * (80 - short) for short in (first, then))
        return [weight for sample in samples for weight in sample]

    assert qa.judge(weights(5, 5), "120 g", EU, lot_size=5000).outcome == "reject"  # 10, 9 reject
    assert qa.judge(weights(5, 3), "120 g", EU, lot_size=5000).outcome == "accept"  # 8 accepted
    drawn = qa.judge(weights(5, 5), "120 g", EU, lot_size=5000, in_order=False)
    assert drawn.draws is not None


@pytest.mark.parametrize(
    ("weights", "book", "lot"),
    [
        # SI 2006/659 Schedule 2: at most 5 % of a batch under 100, that is 4 of 96
        ([110.0] * 8 + [122.0] * 22, "uk-2006-659", 96),
        # C.R.C., c. 417, s. 39(4)(c): two beyond twice the tolerance
        ([100.0] * 2 + [122.0] * 18, "ca-crc-417", 200),
    ],
)
def test_what_already_fails_is_said_before_all_is_weighed(
    weights: list[float], book: str, lot: int
) -> None:
    verdict = qa.judge(weights, "120 g", book, lot_size=lot)
    assert verdict.outcome == "too few"
    assert verdict.reason.endswith("already hold more light packages than the plan allows")
    assert "already" not in qa.judge([122.0] * 20, "120 g", book, lot_size=lot).reason


def test_no_average_is_claimed_where_none_was_tested() -> None:
    """Batches under 10 in Germany: FPackV (2020) Anlage 3, beyond 2T alone."""
    reason = qa.judge([119.0] * 5, "120 g", "de-fpackv-2020", lot_size=5).reason
    assert "average, the only" not in reason and "no average" in reason


def test_measured_and_limit_are_told_apart() -> None:
    weights = [120.0] * 98 + [119.99]
    row = qa.judge(weights, "120 g", "uk-2006-659", lot_size=99).rows[0]
    assert row.outcome == "reject" and row.measured_words != row.limit_words.removeprefix(
        "at least "
    )


def test_a_moisture_allowance_is_the_authority_s_to_accept() -> None:
    book = qa.rulebook("us-hb133").with_moisture(3)
    verdict = qa.judge([117.6 + i % 3 / 10 for i in range(12)], "120 g", book, lot_size=200)
    assert verdict.outcome == "accept"
    assert "would pass inspection if the authority accepts 3 % for moisture" in verdict.headline
    assert verdict.rows[0].test.endswith("after moisture allowance")


def test_a_first_sample_that_decides_nothing_is_no_rejection() -> None:
    """80 of a lot over 3200, 5 short: from 4 to 6 the count waits for the second sample."""
    verdict = qa.judge([110.0] * 5 + [123.0] * 75, "120 g", "uk-2006-659", lot_size=5000)
    assert verdict.outcome == "too few"
    assert [row.outcome for row in verdict.rows] == ["accept", "second sample needed"]


@pytest.mark.parametrize(
    "book, size, test, named",
    [
        (EU, 200, "destructive", "eu-76-211, destructive test, 120 g, lot of 200: would pass"),
        (EU, 50, "destructive", "eu-76-211, destructive test, 120 g, lot of 50: the official"),
        ("us-hb133", 200, "category B", "us-hb133, category B test, 120 g, lot of 200: would"),
        (EU, 200, "non-destructive", "eu-76-211, 120 g, lot of 200: too few"),
    ],
)
def test_a_verdict_names_its_test_where_it_is_not_the_reference_test(
    book: str, size: int, test: str, named: str
) -> None:
    verdict = qa.judge([121.0] * 20, "120 g", book, lot_size=size, test=test)
    assert str(verdict).startswith(named)
    assert verdict.to_dict()["test"] == test


def test_what_to_pull_is_said_in_a_sentence() -> None:
    said = {
        book: str(qa.judge([100.0] * 2 + [125.0] * 7, "120 g", book, lot_size=9)).splitlines()[1]
        for book in (EU, "de-fpackv-2020")
    }
    assert said == {
        EU: "  Pull 2 first: short by more than twice the TNE, may not bear the e mark "
        "(Annex I 1.3).",
        "de-fpackv-2020": "  Pull 2 first: short by more than twice the tolerable deficiency, not "
        "fit for sale (Verkehrsfähigkeit) (Anlage 3 no. 3).",
    }


def test_a_notebook_shows_the_summaries_without_print() -> None:
    bars = [121.0, 120.4, 121.9]
    verdict = qa.judge(bars, "120 g", EU, lot_size=3)
    outlook = qa.rejection_outlook(bars, "120 g", EU, lot_size=3)
    book = qa.rulebook(EU)
    for result in (verdict, verdict.own, outlook, qa.label_check("120 g", EU), book, book.plan(3)):
        assert repr(result) == str(result)
