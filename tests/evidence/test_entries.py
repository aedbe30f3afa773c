"""Entries that do not fit the rest are asked about."""

from __future__ import annotations

from pathlib import Path

import pytest
from works_folder import around, make_works

import qa_tools as qa

SENT = "batch,customer,market,when,quantity\n"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("B7,shop,EU,2026-10-07,5", "no batch is called B7"),
        ("B1,shop,EU,2026-10-07,550", "550 of batch B1 sent, of 200 packed"),
        ("B1,shop,US,2026-10-07,5", "sent to US, and labels.csv has no label"),
        ("B1,shop,EU,2026-10-01,5", "sent on 1 October 2026, before it was packed on 6 October"),
    ],
)
def test_what_dispatch_says_against_the_rest(tmp_path: Path, line: str, words: str) -> None:
    review = qa.review(make_works(tmp_path, around(121.0), dispatch=f"{SENT}{line}\n"))
    assert [words in finding.text for finding in review.findings] == [True]
    assert review.findings[0].kind == "list to mend"


def test_an_action_nobody_understands_is_asked_about(tmp_path: Path) -> None:
    actions = "id,when,batch,what,reason,by,closes\nA1,2026-10-06,B1,binnd,short,LT,\n"
    (finding,) = qa.review(make_works(tmp_path, around(121.0), actions=actions)).findings
    assert '"binnd" of batch B1 is not understood' in finding.text
    known = actions.replace("binnd", "Correction")
    assert qa.review(make_works(tmp_path / "k", around(121.0), actions=known)).findings == ()


def test_what_fits_says_nothing(tmp_path: Path) -> None:
    dispatch = f"{SENT}B1,shop,EU,2026-10-07,50\n"
    assert qa.review(make_works(tmp_path, around(121.0), dispatch=dispatch)).findings == ()


def test_a_release_must_name_a_person_and_after_a_hold_a_reason(tmp_path: Path) -> None:
    actions = (
        "id,when,batch,what,reason,by,closes\n"
        "A1,2026-10-06,B1,hold,short,LT,\nA2,2026-10-07,B1,release,,,A1\n"
    )
    review = qa.review(make_works(tmp_path, around(121.0), actions=actions))
    told = [one.text for one in review.findings if one.kind == "list to mend"]
    assert told == [
        "actions.csv (A2): B1: it does not say who released it or why it was released after a hold."
    ]
    full = actions.replace("release,,,", "release,weighed again,MH,")
    review = qa.review(make_works(tmp_path, around(121.0), actions=full))
    assert not [one for one in review.findings if one.kind == "list to mend"]


def test_readings_changed_since_they_were_logged_are_told_one_by_one_up_to_six(
    tmp_path: Path,
) -> None:
    make_works(tmp_path, around(121.0)).log_readings()
    review = qa.review(make_works(tmp_path, around(128.3)))
    told = [one.text for one in review.findings if one.kind == "changed since"]
    assert len(told) == 7
    assert told[0].startswith("oct.csv row 2 was ")
    assert told[-1] == "24 more readings changed or gone since they were logged."
