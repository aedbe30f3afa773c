"""The cutters in a review: a line each, findings only where a wire is to be touched."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from works_folder import around, make_works

import qa_tools as qa


def test_the_wire_off_its_place_is_a_finding_of_the_last_week(demo_works: qa.Works) -> None:
    review = qa.review(demo_works)
    (finding,) = [one for one in review.findings if one.kind == "wire"]
    assert finding.text.startswith(
        "Cutter C1: move: wire 2 from the stop (between bars 2 and 3) stands 0.69 mm off its place"
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
