"""Operating characteristics as numbers; their published values are read back in tests/published."""

from __future__ import annotations

import numpy as np
import pytest

from qa_tools.books.curve import oc_curve

BOOKS = ["eu-76-211", "uk-2006-659", "us-hb133", "ca-crc-417"]


def test_several_books_stand_side_by_side() -> None:
    found = oc_curve(BOOKS, 200)
    assert list(found.by_mean) == list(found.by_share) == list(found.plans) == BOOKS
    assert found.by_share["eu-76-211"].equals(found.by_share["uk-2006-659"])
    assert not found.by_share["us-hb133"].equals(found.by_share["uk-2006-659"])


@pytest.mark.parametrize("size", [2, 12, 60, 200, 1000, 20_000])
def test_worse_lots_pass_less_often(size: int) -> None:
    found = oc_curve(BOOKS, size)
    for table in (found.by_mean, found.by_share):
        values = table.to_numpy()
        assert ((values >= 0) & (values <= 1)).all()
        assert (np.diff(values, axis=0) <= 1e-12).all()
    assert (found.by_share.loc[0.0] == 1).all()


def test_a_book_without_a_test_has_no_line_for_it() -> None:
    found = oc_curve(["eu-76-211", "uk-2006-659"], 60)  # the Directive counts nothing under 100
    assert list(found.by_share) == ["uk-2006-659"]
    assert list(oc_curve("us-hb133", 1).by_mean) == []


def test_another_test_of_the_book() -> None:
    assert oc_curve("eu-76-211", 200, test="destructive").plans["eu-76-211"].n == 20


def test_bad_questions_are_refused() -> None:
    with pytest.raises(ValueError, match="no rule book was named"):
        oc_curve([], 200)
    with pytest.raises(ValueError, match="did you mean"):
        oc_curve("uk-2006", 200)
    with pytest.raises(ValueError, match="no 'single' test"):
        oc_curve("us-hb133", 200, test="single")
    with pytest.raises(ValueError, match="lot size is 0"):
        oc_curve("us-hb133", 0)
    with pytest.raises(ValueError, match=r"lot size is 200\.5"):
        oc_curve("us-hb133", 200.5)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="is named twice"):
        oc_curve(["us-hb133", "us-hb133"], 200)


def test_a_book_that_judges_each_package_is_asked_of_the_whole_lot() -> None:
    """As in `chance_of_rejection`: a lot of 96 with 1 % short passes when none of the 96 is."""
    assert oc_curve("jp-guideline", 96).by_share.at[0.01, "jp-guideline"] == pytest.approx(0.99**96)


def test_a_curve_prints_what_it_holds() -> None:
    found = oc_curve(["us-hb133"], 200, test="category B")
    assert repr(found) == str(found)
    assert str(found).splitlines() == [
        "How often lots of 200 pass under us-hb133, category B test: tables by_mean and by_share, "
        "picture .figure()",
        "  us-hb133: figures from memory",
    ]
