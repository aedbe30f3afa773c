"""What is judged together, what went out, what is held or settled."""

from __future__ import annotations

from pathlib import Path

import pytest
from works_folder import BATCHES, around, make_works

import qa_tools as qa
from qa_tools.evidence.lots import lots_of

RUNS = (
    "batch,product,made_on,packages,packed_on,pack_code,sell_from\n"
    "B1,bar,2026-09-01,60,2026-10-06,P1,2026-10-07\nB1,bar,2026-09-01,140,2026-10-08,P2,2026-11-20\n"
)
HEAD = "batch,stage,when,weight,unit,picked\n"


def lines(day: str, mean: float, n: int = 30) -> str:
    return "".join(f"B1,packed,{day},{w},g,random\n" for w in around(mean, n))


def test_packing_runs_are_judged_each_by_its_own_weighings(tmp_path: Path) -> None:
    weights = HEAD + lines("2026-10-06", 117.0, 60) + lines("2026-10-08", 121.0)
    dispatch = "batch,pack_code,when,quantity\nB1,P1,2026-10-07,10\n"
    works = make_works(tmp_path, weights, batches=RUNS, dispatch=dispatch)
    first, second = qa.review(works).checks
    assert [(b.batch, b.packages, b.lot.sent) for b in (first, second)] == [
        ("B1 P1", 60, 10),
        ("B1 P2", 140, 0),
    ]
    assert [b.books[0].outcome for b in (first, second)] == ["reject", "accept"]


def test_a_run_that_was_not_weighed_is_said(tmp_path: Path) -> None:
    works = make_works(tmp_path, HEAD + lines("2026-10-06", 121.0), batches=RUNS)
    (only,) = qa.review(works).checks
    assert only.batch == "B1 P1" and only.unweighed == "nothing was weighed of P2"
    assert "Nothing was weighed of P2." in str(qa.review(works))


def test_runs_that_cannot_be_told_apart_are_one_lot_and_say_so(tmp_path: Path) -> None:
    weights = "batch,stage,weight,unit\n" + "".join(f"B1,packed,{w},g\n" for w in around(121.0))
    (only,) = qa.review(make_works(tmp_path, weights, batches=RUNS)).checks
    assert only.packages == 200 and only.batch == "B1"
    assert any("2 packing runs cannot be told apart" in remark for remark in only.remarks)


@pytest.mark.parametrize(
    ("what", "settled", "away"),
    [
        ("Release", "Release on 8 October (A2)", False),
        ("reworked", "reworked on 8 October (A2)", True),
        ("scrapped", "scrapped on 8 October (A2)", True),
    ],
)
def test_what_closes_a_hold_settles_it(tmp_path: Path, what: str, settled: str, away: bool) -> None:
    actions = (
        "id,when,batch,what,reason,by,closes\nA1,2026-10-07,B1,hold,short,LT,\n"
        f"A2,2026-10-08,B1,{what},done,LT,A1\n"
    )
    works = make_works(tmp_path, around(118.0), actions=actions)
    rows = works.weighings.table
    lot = next(lots_of(works, "B1", rows, qa.review(works).as_of))[0]
    assert (lot.held, lot.settled, lot.away) == ("", settled, away)
    before = next(lots_of(works, "B1", rows, rows["when"].max()))[0]
    assert (before.held, before.settled) == ("", "")  # the hold came a day later


def test_what_was_reworked_is_not_held_again_nor_given_away(tmp_path: Path) -> None:
    actions = (
        "id,when,batch,what,reason,by,closes\nA1,2026-10-06,B1,hold,short,LT,\n"
        "A2,2026-10-06,B1,rework,rebatched,LT,A1\n"
    )
    batches = BATCHES.replace("2026-11-20", "2026-10-05")
    review = qa.review(make_works(tmp_path, around(118.0), batches=batches, actions=actions))
    assert [finding.kind for finding in review.findings] == ["held"]
    assert "Rework on 6 October (A2)" in review.findings[0].text
    assert "Hold it" not in str(review)
    assert review.giveaway.empty


def test_a_hold_of_an_earlier_week_is_carried_forward(tmp_path: Path) -> None:
    batches = BATCHES + "B0,bar,2026-08-20,90,2026-09-25,2026-11-20\n"
    actions = "id,when,batch,what,reason,by,closes\nA1,2026-09-25,B0,hold,short,LT,\n"
    review = qa.review(make_works(tmp_path, around(121.0), batches=batches, actions=actions))
    assert [(f.kind, f.text) for f in review.findings] == [
        ("held", "B0: Still on hold for 11 days (A1).")
    ]


@pytest.mark.parametrize("what", ["on hold", "HELD", "quarantine", "Blocked"])
def test_a_hold_in_other_words_is_a_hold(tmp_path: Path, what: str) -> None:
    actions = f"id,when,batch,what,reason,by,closes\nA1,2026-10-06,B1,{what},looks,LT,\n"
    review = qa.review(make_works(tmp_path, around(121.0), actions=actions))
    assert [finding.kind for finding in review.findings] == ["held"]
    released = actions + "A2,2026-10-06,B1,release,fine,LT,\n"
    review = qa.review(make_works(tmp_path / "r", around(121.0), actions=released))
    assert review.findings == ()


def test_held_goods_that_went_out_come_early(tmp_path: Path) -> None:
    actions = "id,when,batch,what,reason,by,closes\nA1,2026-10-06,B1,hold,looks,LT,\n"
    dispatch = "batch,when,quantity\nB1,2026-10-07,50\n"
    works = make_works(tmp_path, around(121.0), actions=actions, dispatch=dispatch)
    (finding,) = qa.review(works).findings
    assert finding.kind == "on hold, yet sent" and "50 of 200 sent" in finding.text


def test_what_was_destroyed_is_not_looked_for(tmp_path: Path) -> None:
    actions = (
        "id,when,batch,what,reason,by,closes\nA1,2026-10-06,B1,hold,short,LT,\n"
        "A2,2026-10-06,B1,destroyed,short,LT,A1\n"
    )
    weights = [*around(122.0)[:-1], 100.0]
    dispatch = "batch,when,quantity\nB1,2026-10-06,50\n"
    works = make_works(tmp_path, weights, actions=actions, dispatch=dispatch)
    assert not any("find and pull" in finding.text for finding in qa.review(works).findings)
