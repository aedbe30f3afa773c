"""The page of the pack: text stays text, in the style sheet too."""

from __future__ import annotations

import datetime as dt
import re

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.evidence.pack.page import css_text, evidence_page
from qa_tools.evidence.pack.section import Section

MADE = dt.datetime(2026, 11, 2, 12, tzinfo=dt.UTC)
EVIL = "\"\\'</style><script>alert(1)</script>\n;} body { display: none"


def page(title: str = "Quillhaven", word: str = "plain") -> str:
    rows = pd.DataFrame([{"batch": "B1", "note": word}])
    section = Section("not-used", "Readings not used", {"many": 1, "rest": 0}, {"readings": rows})
    return evidence_page(
        title, "October 2026", [section], identity="3f2a 91c0 77be", paper="A4", made_at=MADE
    )


def read_css(quoted: str) -> str:
    """What a browser reads in a quoted string of CSS (CSS Syntax Level 3, 4.3.5 and 4.3.7)."""
    assert quoted[0] == quoted[-1] == '"'
    return re.sub(
        r"\\(?:([0-9a-f]{1,6})\s?|(.))",
        lambda found: chr(int(found[1], 16)) if found[1] else found[2],
        quoted[1:-1],
    )


@given(st.text())
def test_a_style_sheet_reads_the_text_and_nothing_ends_it(text: str) -> None:
    quoted = str(css_text(text))
    assert read_css(quoted) == text
    assert not re.search(r"[\"'<>\n\r\f]", quoted[1:-1])
    # each backslash begins an escape that a space ends: none swallows what follows
    assert quoted.count("\\") == len(re.findall(r"\\[0-9a-f]+ ", quoted))


def test_a_hostile_name_of_a_works_stays_text() -> None:
    text = page(EVIL, EVIL)
    assert "<script" not in text
    assert text.count("</style>") == 1
    style = text[text.index("<style>") : text.index("</style>")]
    assert style.count("{") == style.count("}")
    assert "&lt;script&gt;" in text


def test_nothing_is_fetched_and_nothing_runs() -> None:
    text = page()
    assert "default-src 'none'; style-src 'unsafe-inline'; img-src data:" in text
    assert not re.search(r"<(script|link|iframe|object|img)|url\(|@import|https?://", text)


@pytest.mark.parametrize(("word", "broken"), [("w" * 24, False), ("w" * 25, True)])
def test_only_long_words_may_be_broken(word: str, broken: bool) -> None:
    assert page(word=word).count('overflow-wrap: anywhere">') == broken
