"""The balance of a batch: what was made is somewhere, and so is what was packed."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from works_folder import make_works

import qa_tools as qa
from qa_tools.evidence.balances import balance

HEAD = "batch,stage,when,loaf,slot,weight,unit,id,replaces,fate\n"
PRODUCTS = "product,name,form,cutter,bars_per_loaf\nbar,Test bar,bar,C1,3\njar,Scrub,jar,,\n"
OUT = ["packed", "pulled", "rework", "retained"]


def works(
    folder: Path,
    rows: Sequence[str] = (),
    runs: Sequence[str] = ("B1,bar,2026-09-01,6,,2026-10-06,P1",),
    sent: Sequence[str] = (),
    actions: Sequence[str] = (),
    **more: str,
) -> qa.Works:
    """A works of a few rows; weights differ, as two that are alike in a row are questioned."""
    runs_head = "batch,product,made_on,packages,number_made,packed_on,pack_code\n"
    return make_works(
        folder,
        HEAD + "".join(f"{row}\n" for row in rows),
        products=PRODUCTS,
        batches=runs_head + "".join(f"{row}\n" for row in runs),
        dispatch="batch,pack_code,customer,when,quantity\n" + "".join(f"{row}\n" for row in sent),
        actions="id,when,batch,what\n" + "".join(f"{row}\n" for row in actions),
        **more,
    )


def loaves(many: int, fates: Mapping[tuple[int, int], str] | None = None) -> list[str]:
    """Loaves of three bars weighed as cut."""
    return [
        f"B1,cut,2026-09-02,{loaf},{slot},{130 + loaf / 10 + slot},g,,,"
        f"{(fates or {}).get((loaf, slot), '')}"
        for loaf in range(1, many + 1)
        for slot in (1, 2, 3)
    ]


def packed(place: int, fate: str = "", name: str = "", replaces: str = "", loaf: str = ",") -> str:
    return f"B1,packed,2026-10-06,{loaf},{120 + place / 10},g,{name},{replaces},{fate}"


def only(found: qa.Works) -> dict[str, Any]:
    return balance(found).iloc[0].to_dict()


def adds_up(row: Mapping[str, Any]) -> bool:
    """Both sums, wherever their parts are known."""
    if pd.notna(row["made"]) and pd.notna(row["packed"]):
        assert row["made"] == sum(row[name] for name in OUT) + row["unexplained"]
    if pd.notna(row["in_stock"]):
        assert row["packed"] == row["sent"] + row["in_stock"]
    return True


def test_loaves_weighed_as_cut_say_what_was_made(tmp_path: Path) -> None:
    row = only(works(tmp_path, [*loaves(3), packed(1, "pulled")], sent=["B1,P1,shop,2026-10-09,4"]))
    assert [row[name] for name in ("made", *OUT, "unexplained")] == [9, 6, 1, 0, 0, 2]
    assert (row["sent"], row["in_stock"]) == (4, 2)
    assert "2 more made than packed or taken out" in row["note"]


def test_a_whole_loaf_short_is_a_loaf_not_weighed_and_less_is_a_wrong_count(tmp_path: Path) -> None:
    some = only(works(tmp_path / "a", loaves(2), runs=["B1,bar,2026-09-01,9,,2026-10-06,P1"]))
    assert pd.isna(some["made"]) and pd.isna(some["unexplained"])
    assert "not all loaves were weighed as cut (2)" in some["note"]
    wrong = only(works(tmp_path / "b", loaves(2), runs=["B1,bar,2026-09-01,8,,2026-10-06,P1"]))
    assert (wrong["made"], wrong["unexplained"]) == (6, -2)
    assert "2 more packed or taken out than made" in wrong["note"]


def test_a_package_counts_once_however_often_it_was_weighed(tmp_path: Path) -> None:
    rows = [
        *loaves(3, {(1, 1): "pulled"}),
        packed(1, "pulled", loaf="1,1"),  # the same bar again
        packed(2, "", "W1"),
        packed(3, "retained", "W2", "W1"),  # the same package again
        packed(4, "rework", "W3"),
        packed(5, "kept", "W4", "W3"),  # mended
    ]
    row = only(works(tmp_path, rows, runs=["B1,bar,2026-09-01,7,,2026-10-06,P1"]))
    assert [row[name] for name in ("made", *OUT, "unexplained")] == [9, 7, 1, 0, 1, 0]


def test_where_every_package_was_weighed_they_are_what_was_made(tmp_path: Path) -> None:
    rows = [packed(place, "pulled" if place == 3 else "") for place in range(7)]
    row = only(works(tmp_path / "a", rows, runs=["B1,jar,2026-09-01,6,,2026-10-06,P1"]))
    assert (row["made"], row["unexplained"]) == (7, 0)
    few = only(works(tmp_path / "b", rows[:6], runs=["B1,jar,2026-09-01,6,,2026-10-06,P1"]))
    assert pd.isna(few["made"]) and "give number_made in batches.csv" in few["note"]


def test_a_number_made_written_beside_each_run_is_taken_once(tmp_path: Path) -> None:
    each = ["B1,bar,2026-09-01,4,9,2026-10-06,P1", "B1,bar,2026-09-01,5,9,2026-10-07,P2"]
    assert only(works(tmp_path / "a", [packed(1)], runs=each))["made"] == 9
    apart = ["B1,bar,2026-09-01,4,4,2026-10-06,P1", "B1,bar,2026-09-01,4,4,2026-10-07,P2"]
    assert only(works(tmp_path / "b", [packed(1)], runs=apart))["made"] == 8


def test_fewer_made_than_weighed_is_said(tmp_path: Path) -> None:
    row = only(works(tmp_path, loaves(3), runs=["B1,bar,2026-09-01,6,6,2026-10-06,P1"]))
    assert row["made"] == 6 and "9 were weighed, which is more than were made" in row["note"]


REWORKED = "A1,2026-10-10,B1,rework"


def test_a_batch_reworked_as_a_whole_has_no_stock(tmp_path: Path) -> None:
    row = only(works(tmp_path, loaves(3), actions=[REWORKED]))
    assert [row[name] for name in ("made", *OUT, "unexplained")] == [9, 0, 0, 6, 0, 3]
    assert row["in_stock"] == 0 and "rework (A1)" in row["note"]


def test_what_was_sent_before_is_not_reworked(tmp_path: Path) -> None:
    gone = ["B1,P1,shop,2026-10-09,4"]
    row = only(works(tmp_path, loaves(2), sent=gone, actions=["A1,2026-10-10,B1,scrapped"]))
    assert [row[name] for name in (*OUT, "unexplained")] == [4, 2, 0, 0, 0]
    assert (row["sent"], row["in_stock"]) == (4, 0)


def test_packages_marked_rework_are_not_counted_again_with_the_whole_batch(tmp_path: Path) -> None:
    rows = [*loaves(2), *(packed(place, "rework", loaf=f"1,{place}") for place in (1, 2, 3))]
    row = only(works(tmp_path, rows, actions=[REWORKED]))
    assert (row["made"], row["rework"], row["unexplained"]) == (6, 6, 0)


def test_a_batch_released_after_its_rework_is_packed(tmp_path: Path) -> None:
    freed = [REWORKED, "A2,2026-10-12,B1,release"]
    row = only(works(tmp_path, loaves(2), sent=["B1,P1,shop,2026-10-13,6"], actions=freed))
    assert (row["packed"], row["rework"], row["sent"], row["in_stock"]) == (6, 0, 6, 0)


def test_a_batch_taken_back_says_that_nobody_counted_what_came(tmp_path: Path) -> None:
    row = only(works(tmp_path, loaves(2), actions=["A1,2026-10-10,B1,withdraw"]))
    assert row["packed"] == 6 and "withdraw (A1): whether packages came back" in row["note"]


def test_more_sent_than_packed_is_said(tmp_path: Path) -> None:
    row = only(works(tmp_path, loaves(2), sent=["B1,P1,shop,2026-10-09,8"]))
    assert row["in_stock"] == -2 and "2 more sent than packed" in row["note"]


def test_a_row_sent_without_a_quantity_leaves_the_stock_open(tmp_path: Path) -> None:
    gone = ["B1,P1,shop,2026-10-09,2", "B1,P1,shop,2026-10-09,"]
    row = only(works(tmp_path, loaves(2), sent=gone))
    assert row["sent"] == 2 and pd.isna(row["in_stock"])
    assert "1 row gives no quantity in dispatch.csv" in row["note"]


def test_not_packed_yet_and_not_said(tmp_path: Path) -> None:
    fresh = only(works(tmp_path / "a", loaves(2), runs=["B1,bar,2026-09-01,,,,"]))
    assert fresh["made"] == 6 and pd.isna(fresh["packed"]) and "not packed yet" in fresh["note"]
    silent = only(works(tmp_path / "b", [packed(1)], runs=["B1,bar,2026-09-01,,,2026-10-06,"]))
    assert "batches.csv does not say how many packages" in silent["note"]


def test_bars_followed_as_they_dried_are_named_where_some_are_missing(tmp_path: Path) -> None:
    cure = "bar,batch,when,net,unit\na,B1,2026-09-03,128,g\na,B1,2026-09-09,125,g\n"
    row = only(works(tmp_path, loaves(2), runs=["B1,bar,2026-09-01,5,,2026-10-06,P1"], cure=cure))
    assert row["unexplained"] == 1 and "1 bar was followed in cure.csv" in row["note"]


def test_an_unknown_batch_is_refused_with_the_nearest(demo_works: qa.Works) -> None:
    with pytest.raises(ValueError, match='"oh-0922"; is "OH-0922" meant'):
        balance(demo_works, "oh-0922")


def test_the_demo_adds_up_and_explains_itself(demo_works: qa.Works) -> None:
    rows = balance(demo_works).to_dict("records")
    assert len(rows) == len(set(demo_works.batches["batch"])) and all(map(adds_up, rows))
    assert all(
        "followed in cure.csv" in row["note"] for row in rows if (row["unexplained"] or 0) > 0
    )


@st.composite
def histories(draw: st.DrawFn) -> dict[str, list[str]]:
    """A batch with any fates, weighings, runs, sendings and actions."""
    fates = st.sampled_from(["", "kept", "pulled", "rework", "retained", "topped up"])
    places = [(loaf, slot) for loaf in (1, 2, 3) for slot in (1, 2, 3)]
    rows = [packed(9), *loaves(draw(st.integers(0, 3)), {place: draw(fates) for place in places})]
    for number in range(draw(st.integers(0, 8))):
        replaces = f"W{draw(st.integers(0, 8))}" if draw(st.booleans()) else ""
        rows.append(packed(number, draw(fates), f"W{number}", replaces))
    count = st.sampled_from(["", "0", "3", "6", "9", "12"])
    runs = [
        f"B1,bar,2026-09-01,{draw(count)},{draw(count)},2026-10-0{6 + run},P{run}"
        for run in range(draw(st.integers(1, 2)))
    ]
    sent = [f"B1,P0,shop,2026-10-09,{draw(count)}" for _ in range(draw(st.integers(0, 2)))]
    word = st.sampled_from(["hold", "release", "rework", "scrap", "withdraw", "note"])
    actions = [f"A{n},2026-10-1{n},B1,{draw(word)}" for n in range(draw(st.integers(0, 3)))]
    return {"rows": rows, "runs": runs, "sent": sent, "actions": actions}


@settings(max_examples=40, deadline=None)
@given(histories())
def test_both_sums_always_add_up(history: dict[str, list[str]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        row = only(works(Path(folder), **history))  # type: ignore[arg-type]
    assert adds_up(row)
    assert min(row["pulled"], row["rework"], row["retained"]) >= 0
    assert pd.isna(row["packed"]) or row["packed"] >= 0
    assert pd.isna(row["unexplained"]) or row["unexplained"] == 0 or "more" in row["note"]
