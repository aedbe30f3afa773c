"""
The Weights and Measures (Packaged Goods) Regulations 2006, SI 2006/659: Schedules 2 and 3.

What it shares with the Directive is checked for both in test_eu_76_211.py.
"""

from __future__ import annotations

import pytest

import qa_tools as qa

SINGLE = [(100, 500, 50, 3, 4), (501, 3200, 80, 5, 6), (3201, 10_000, 125, 7, 8)]


@pytest.mark.parametrize("low, high, n, accept, reject", SINGLE)
def test_single_plan(low: int, high: int, n: int, accept: int, reject: int) -> None:
    """Schedule 2 paragraphs 3.3 to 3.6; the mean keeps its own 30 or 50 packages (paragraph 4)."""
    for size in (low, high):
        plan = qa.rulebook("uk-2006-659").plan(size, test="single")
        assert [tuple(stage) for stage in plan.count_stages] == [(n, accept, reject)]
        assert (plan.mean_n, plan.factor) == ((30, 0.503) if size <= 500 else (50, 0.379))
        assert plan.n == n


@pytest.mark.parametrize(
    "size, allowed", [(1, 0), (19, 0), (20, 1), (39, 1), (40, 2), (60, 3), (98, 4), (99, 4)]
)
def test_under_100_at_most_five_in_a_hundred_defective(size: int, allowed: int) -> None:
    """Schedule 2: all checked, defective packages not more than 5 % of the batch."""
    plan = qa.rulebook("uk-2006-659").plan(size)
    assert (plan.sample, plan.n, plan.factor) == ("whole lot", size, 0)
    for light in (allowed, allowed + 1):
        if light > size:
            continue
        bars = [114.5] * light + [140.0] * (size - light)  # TNE of 120 g is 5.4 g
        if sum(bars) < 120 * size:
            continue
        outcome = qa.judge(bars, "120 g", "uk-2006-659", lot_size=size).outcome
        assert outcome == ("accept" if light == allowed else "reject"), light


def test_under_100_the_plain_mean_decides() -> None:
    """Paragraph 4.7."""
    bars = [120.0] * 49 + [119.9]
    assert qa.judge(bars, "120 g", "uk-2006-659", lot_size=50).outcome == "reject"
    assert qa.judge([120.0] * 50, "120 g", "uk-2006-659", lot_size=50).outcome == "accept"


@pytest.mark.parametrize(
    "declared, tne",
    [("10 kg", 150), ("10.01 kg", 150), ("15 kg", 150), ("15.01 kg", 150.1), ("20 kg", 200),
     ("25 kg", 250)],
)  # fmt: skip
def test_rows_above_ten_kilograms(declared: str, tne: float) -> None:
    """Schedule 3: 10 to 15 kg 150 g, above 1 %, rounded up to 0.1 g; regulation 3(1): to 25 kg."""
    assert qa.rulebook("uk-2006-659").tolerable_deficiency(declared) == tne


def test_the_regulations_cover_5_g_to_25_kg() -> None:
    for outside in ("4.9 g", "25.1 kg"):
        with pytest.raises(ValueError, match="outside uk-2006-659"):
            qa.rulebook("uk-2006-659").tolerable_deficiency(outside)


def test_a_package_beyond_twice_the_tne_may_not_be_sold() -> None:
    """Regulations 4(1)(c) and 14: no part of the reference test, but the package is pulled."""
    bars = [109.1] + [122.0] * 29
    verdict = qa.judge(bars, "120 g", "uk-2006-659", lot_size=200)
    assert (verdict.outcome, verdict.pull, verdict.may_ship) == ("accept", (0,), False)
    assert "Pull 1 first" in str(verdict)


def test_the_second_sample_of_the_single_plan_is_never_asked_for() -> None:
    """One stage: 3 of 50 accept, 4 reject, nothing between (the mean is far above the label)."""
    for light, outcome in ((3, "accept"), (4, "reject")):
        bars = [114.5] * light + [130.0] * (50 - light)
        verdict = qa.judge(bars, "120 g", "uk-2006-659", lot_size=200, test="single")
        assert verdict.outcome == outcome


def test_drying_is_a_defence_not_an_allowance() -> None:
    """Regulation 19(3)."""
    book = qa.rulebook("uk-2006-659")
    assert book.judged_at == "packing"
    assert "19(3)" in book.drying


def test_the_regulations_are_those_of_great_britain() -> None:
    """Northern Ireland has SR 2011/331."""
    book = qa.rulebook("uk-2006-659")
    assert book.jurisdiction == "Great Britain"
    assert "SR 2011/331" in book.authority
    assert {"UK", "GB"} <= set(book.markets)


def test_selling_from_a_batch_known_to_have_failed_is_told_with_a_failure() -> None:
    """Regulation 14(1) and (2)."""
    failed = qa.judge([119.0] * 50, "120 g", "uk-2006-659", lot_size=50)
    assert "known to have failed is an offence unless" in failed.note
    assert f"  {failed.note}\n" in str(failed)
    assert failed.to_dict()["note"] == failed.note
    passed = qa.judge([121.0] * 50, "120 g", "uk-2006-659", lot_size=50)
    assert passed.note == "" and "offence" not in str(passed)


@pytest.mark.parametrize(
    ("book", "percent"),
    [("eu-76-211", 2.5), ("uk-2006-659", 2.5), ("ca-crc-417", 2.5), ("de-fpackv-2020", 2)],
)
def test_share_that_may_be_short_by_more_than_t(book: str, percent: float) -> None:
    """Trading Standards advice (GB); Competition Bureau's bulletin (Canada); FPackV § 9(3)."""
    assert qa.rulebook(book).short_share["percent"] == percent
