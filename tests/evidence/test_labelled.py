"""Which books judge, by which label; and why none does."""

from __future__ import annotations

from pathlib import Path

import pytest
from works_folder import LABELS, around, make_works

import qa_tools as qa

HEAD = "product,declared,unit,market,books,from,to\n"


def faults(folder: Path, labels: str) -> list[str]:
    works = make_works(folder, around(121.0), labels=labels)
    review = qa.review(works)
    assert review.findings[0].kind == "not cleared"
    (fault,) = review.checks[0].faults
    assert fault in str(review)
    return [fault]


@pytest.mark.parametrize(
    ("labels", "words"),
    [
        (HEAD, "there is no labels.csv"),
        (HEAD + "barr,120,g,EU,eu-76-211,,\n", "no label of bar (is its 'barr' meant?)"),
        (
            HEAD + "bar,120,g,EU,eu-76-211,2026-11-01,\n",
            "holds on 6 October 2026, only 120 g from 1 November 2026 to now",
        ),
        (HEAD + "bar,120,g,Atlantis,,,\n", "is for Atlantis, a market no rule book here judges"),
    ],
)
def test_why_a_batch_is_not_judged_is_said(tmp_path: Path, labels: str, words: str) -> None:
    assert words in faults(tmp_path, labels)[0]


def test_two_labels_under_one_book_are_both_judged(tmp_path: Path) -> None:
    labels = LABELS + "bar,125,g,EU,eu-76-211\n"
    review = qa.review(make_works(tmp_path, around(122.0), labels=labels))
    (batch,) = review.checks
    assert [(str(c.label), c.outcome) for c in batch.books] == [
        ("120 g", "accept"),
        ("125 g", "reject"),
    ]
    assert review.batches["eu-76-211"].tolist() == ["would fail"]
    assert "two labels hold under eu-76-211, 120 g and 125 g: both are judged" in batch.remarks


def test_the_average_is_held_against_the_most_and_packages_against_the_highest_limit(
    tmp_path: Path,
) -> None:
    # 4.2 oz is 119.07 g, of which the US allows 7.2 g (from memory); 119 g under Canada 5.355 g:
    # the mean is compared with 119.07 g, packages with 113.6 g, not 111.9 g.
    labels = "product,declared,unit,books\nbar,4.2,oz,us-hb133\nbar,119,g,ca-crc-417\n"
    works = make_works(tmp_path, [*around(121.0), 113.0], labels=labels)
    own = qa.review(works).checks[0].own
    assert own is not None
    assert own.limits.declared_g == pytest.approx(119.068, abs=0.001)
    assert own.limits.book.name == "ca-crc-417" and own.short == 1


def test_a_checked_figure_is_known_however_its_name_is_written(tmp_path: Path) -> None:
    labels = "product,declared,unit,books\nbar,120,g,us-hb133\n"
    settings = "name,value,who,when\nChecked US-HB133 mav 117-154 g,page 3,LT,2026-10-01\n"
    review = qa.review(make_works(tmp_path, around(121.0), labels=labels, settings=settings))
    assert "us-hb133 MAV 117-154 g" not in review.from_memory["figure"].tolist()


def test_a_label_that_does_not_hold_together_is_a_finding(tmp_path: Path) -> None:
    labels = "product,declared,unit,declared_2,unit_2,market\nbar,4.2,oz,125,g,US\n"
    review = qa.review(make_works(tmp_path, around(127.0), labels=labels))
    (finding,) = [found for found in review.findings if "4.2 oz / 125 g" in found.text]
    assert "Label 4.2 oz / 125 g under us-hb133" in finding.text


def test_a_label_without_a_market_says_which_books_judge(tmp_path: Path) -> None:
    labels = "product,declared\nbar,120 g\n"
    batch = qa.review(make_works(tmp_path, around(121.0), labels=labels)).checks[0]
    assert len(batch.books) == 4
    assert any("names no market" in remark for remark in batch.remarks)


def test_a_member_state_is_judged_by_the_directive_and_its_own_law(tmp_path: Path) -> None:
    labels = "product,declared,unit,market,e_mark\nbar,120,g,Germany,no\nbar,120,g,France,{}\n"
    works = make_works(tmp_path / "no", around(121.0), labels=labels.format("no"))
    batch = qa.review(works).checks[0]
    assert [check.book.name for check in batch.books] == ["de-fpackv-2020", "eu-76-211"]
    remarks = [remark for remark in batch.remarks if "no e mark" in remark]
    assert remarks and "without it the member state's own law applies" in remarks[0]
    works = make_works(tmp_path / "yes", around(121.0), labels=labels.format("yes"))
    assert not any("no e mark" in remark for remark in qa.review(works).checks[0].remarks)
