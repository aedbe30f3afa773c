"""What is told of a cutter: facts, costs, work done, and its line and findings in a review."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from works_folder import around, make_works

import qa_tools as qa


def test_facts_for_machines_are_plain_and_wires_named_in_full(demo_works: qa.Works) -> None:
    facts = json.loads(json.dumps(qa.cutters(demo_works).to_dict(), allow_nan=False))
    (cutter,) = facts["cutters"]
    assert cutter["wires"][1]["advice"] == "move" and cutter["wires"][1]["wire"] == 2
    assert cutter["signals"][0]["what"] == "wanders"
    assert "wire 5 from the stop (between bars 5 and 6)" in cutter["signals_in_words"][0]
    assert facts["format"] == 1 and facts["refused"] == []


def test_plucked_wires_are_named_with_their_bars(demo_works: qa.Works) -> None:
    printed = str(qa.cutters(demo_works).pitches())
    assert "C1 wire 5 from the stop (between bars 5 and 6), 28 September 2026: 1495 Hz" in printed


def test_costs_and_work_done_are_told_of_the_wires_they_are_of(demo_works: qa.Works) -> None:
    one = qa.cutters(demo_works)["C1"]
    assert list(one.costs) == [2]
    assert one.costs[2].effect.loc["offset", "beside_g"] == pytest.approx(
        0.7 * 5.483 * 0.925, rel=0.1
    )
    (cost,) = one.costs_in_words
    assert cost.startswith("wire 2 from the stop (between bars 2 and 3): 0.8 g more spread")
    (work,) = one.serviced
    assert "before loaf 1 of OH-0929: tightened: wander fell from 0.42 to 0.17 mm" in work
    assert one.wears == []


def test_advice_goes_by_the_book_that_allows_least(demo_works: qa.Works) -> None:
    one = qa.cutters(demo_works)["C1"]
    assert one.terms is not None and one.terms.product == "oat-honey"
    assert str(one.terms.label) == "120 g" and one.terms.loss_percent == 7.5
    assert "allows 5.4 g" in one.headline


def test_the_wire_off_its_place_is_a_finding_of_the_last_week(demo_works: qa.Works) -> None:
    review = qa.review(demo_works)
    (finding,) = [one for one in review.findings if one.kind == "wire"]
    assert finding.text.startswith(
        "Cutter C1: move: wire 2 from the stop (between bars 2 and 3) stands 0.70 mm off its place"
    )
    assert finding.text.endswith(
        "; since loaf 1 of OH-0929 (30 September 2026); tie a tag on it before you start."
    )
    assert not [one for one in review.findings if "wire 5 from the stop" in one.text]
    assert review.wires == [finding.text.rstrip(".")]


@pytest.mark.parametrize(
    ("week", "kinds"), [("2026-W36", []), ("2026-W37", []), ("2026-W38", ["retension"])]
)
def test_only_what_is_known_by_the_end_of_the_week_counts(
    demo_works: qa.Works, week: str, kinds: list[str]
) -> None:
    review = qa.review(demo_works, week)
    found = [one.text.split(": ")[1] for one in review.findings if one.kind == "wire"]
    assert found == kinds
    assert len(review.wires) == 1 and review.wires[0].startswith("Cutter C1: ")


def test_a_review_as_of_a_day_knows_no_later_loaf(demo_works: qa.Works) -> None:
    review = qa.review(demo_works, "2026-W40", as_of="2026-09-29")
    assert "23 September 2026" in review.cutters["C1"].cuts


def test_page_text_and_facts_say_the_same(demo_works: qa.Works, tmp_path: Path) -> None:
    review = qa.review(demo_works)
    page = qa.weekly_page(review, tmp_path / "week.html").read_text(encoding="utf-8")
    (line,) = review.wires
    assert f"<li>{line}.</li>" in page and "<h2>Cutter wires</h2>" in page
    assert f"Cutter wires:\n  {line}." in str(review)
    facts = json.loads(json.dumps(review.to_dict(), allow_nan=False))
    assert facts["cutters"][0]["finding"] == line and facts["cutters_not_studied"] == []


def test_a_works_that_cuts_nothing_has_no_line(tmp_path: Path) -> None:
    review = qa.review(make_works(tmp_path, around(121)))
    assert review.wires == [] and "Cutter wires" not in str(review)
    page = qa.weekly_page(review, tmp_path / "week.html").read_text(encoding="utf-8")
    assert "Cutter wires" not in page
