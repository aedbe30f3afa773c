"""A table for people: every word, nothing of the machine."""

from __future__ import annotations

import pandas as pd
import pytest

import qa_tools as qa
from qa_tools.evidence.shown import Shown, plain_cell
from qa_tools.evidence.tables import signed


def test_text_is_escaped_and_what_is_bad_stands_out() -> None:
    table = pd.DataFrame({"batch": ["<B1>"], "book": ["would fail"], "n": [3], "empty": [""]})
    html = Shown(table, "None.", {"book": "EU & UK"}).html("batches")
    assert "&lt;B1&gt;" in html and "<B1>" not in html
    assert "EU &amp; UK" in html and "empty" not in html
    assert '<b style="color: #A44700">would fail</b>' in html
    assert 'id="batches"' in html and "right" in html


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, ""), (pd.NaT, ""), (2.50, "2.5"), (3, "3"), (-0.0, "0"), (-0.0004, "0"), ("a", "a")],
)
def test_cells_have_no_needless_digits(value: object, text: str) -> None:
    assert plain_cell(value) == text


def test_nothing_is_never_minus_nothing() -> None:
    assert [signed(x, 1) for x in (-0.04, 0.0, 0.06, -1.25)] == ["0.0", "0.0", "+0.1", "-1.2"]


def test_every_table_of_a_review_can_be_shown(demo_works: qa.Works) -> None:
    review = qa.review(demo_works)
    for name in ("to_do", "batches", "tests", "unread", "questions", "basis", "not_used"):
        shown = review.show(name)
        assert shown.html() and repr(shown)
    assert "European Union (eu-76-211)" in review.show("batches").html()
    with pytest.raises(ValueError, match="'tets' is not a table"):
        review.show("tets")
