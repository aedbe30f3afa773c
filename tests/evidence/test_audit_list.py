"""The auditor's list: never in the pack without the record."""

from __future__ import annotations

import re
import shutil
import tomllib
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import pandas as pd
import pytest
from demo_works import DEMO
from works_folder import BATCHES, around, make_works

import qa_tools as qa
from qa_tools.evidence.audit_list import CONDITIONS, IN, MISSING, NONE_NEEDED, PARTLY, checklist
from qa_tools.evidence.pack.sections import SECTIONS

ITEMS = tomllib.loads(
    files("qa_tools.evidence").joinpath("checklist.toml").read_text(encoding="utf-8")
)["item"]
OPEN = (MISSING, PARTLY)


def row(works: qa.Works, words: str, **about: str) -> pd.Series:
    """The one item whose text has the words."""
    table = checklist(works, **about).table
    found = table[table["item"].str.contains(words, regex=False)]
    assert len(found) == 1, words
    return found.iloc[0]


def full(folder: Path, **more: str) -> qa.Works:
    """A works of one batch that has every record its list asks for, but what is given otherwise."""
    lines = "".join(
        f"B1,packed,2026-10-06,{weight},g,random,S1,MH,{'retained' if n == 0 else 'kept'}\n"
        for n, weight in enumerate(around(122.5, 31))
    )
    lines += "B1,shelf,2026-10-12,121.9,g,random,S1,MH,kept\n"
    records = {
        "batches": BATCHES.replace("sell_from", "sell_from,pack_code").replace(
            "2026-11-20\n", "2026-11-20,P1\n"
        ),
        "plan": "product,stage,how_many,how_often,low,high,revision,approved_by\n"
        "bar,packed,30,every batch,110,140,2,LT\nS1,check,1,every week,,,1,LT\n",
        "scales": "scale,d,e,max,class,asset,certificate,calibrated_on,calibration_due\n"
        "S1,0.1,0.1,600,II,A1,C1,2026-01-01,2027-01-01\n",
        "scale_checks": "when,scale,applied,shown,unit,mass_id,by\n"
        "2026-10-06,S1,200,200.0,g,M1,MH\n2026-10-12,S1,200,200.1,g,M1,MH\n",
        "actions": "id,when,batch,what,reason,by,cause,approved_by,checked_on,closes\n"
        "A1,2026-10-07,B1,release,,LT,,LT,,\n",
        "dispatch": "batch,customer,market,when,quantity\nB1,shop,EU,2026-10-08,100\n",
        "documents": "what,reference,revision,date,kept_where\n"
        "list of revisions,Q1,1,2026-01-01,office\n",
    }
    head = "batch,stage,when,weight,unit,picked,scale,by,fate\n"
    return make_works(folder, more.pop("weights", head + lines), **(records | more))


def without(folder: Path, remove: Callable[[Path], None]) -> qa.Works:
    """The demo works, less something."""
    shutil.copytree(DEMO, folder)
    remove(folder)
    return qa.read_works(folder)


def test_every_item_names_its_source_a_grade_and_how_to_begin() -> None:
    for item in ITEMS:
        assert item["grade"] in ("read", "second-hand", "from memory"), item["item"]
        assert item["source"] and item["begin"]
        assert "shows" in item or "papers" in item
        assert item.get("shows", "coded") in CONDITIONS
    assert {item["shows"] for item in ITEMS if "shows" in item} == set(CONDITIONS)


@pytest.mark.parametrize(
    "clause",
    ["7.2.1", "7.2.2", "7.2.3", "7.2.4.1", "7.3.5", "7.3.6.1", "7.3.8", "8.2.1", "8.3.3", "8.3.6",
     "9.2", "9.5", "9.7", "9.8", "10.1", "13", "16", "17.3.4", "17.4", "17.5", "5.6"],
)  # fmt: skip
def test_every_clause_of_the_reference_sheet_is_on_the_list(clause: str) -> None:
    # canada-australia-audit.md, section 6: the clauses of ISO 22716:2007 an audit asks about
    pattern = rf"(?<![\d.]){re.escape(clause)}(?![\d]|\.\d)"
    assert any("22716" in one["source"] and re.search(pattern, one["source"]) for one in ITEMS)


def test_the_inspectors_own_list_and_the_other_sources_are_on_it() -> None:
    sources = " ".join(one["source"] for one in ITEMS)
    for source in ("7.1.5.2", "8.7", "BRCGS", "SI 2006/659", "New Zealand", "A.9.7"):
        assert source in sources
    assert sum("Australia" in one["source"] for one in ITEMS) == 5  # section 2 of the sheet


def test_an_item_points_to_a_section_the_pack_has(demo_works: qa.Works) -> None:
    keys = {one.__name__.replace("_", "-") for one in SECTIONS}
    assert {one["where"] for one in ITEMS if "where" in one} <= keys


def test_a_works_that_records_everything_has_everything(tmp_path: Path) -> None:
    works = full(tmp_path)
    works.log_readings()
    table = checklist(qa.read_works(tmp_path)).table
    shown = table[[bool("shows" in one) for one in ITEMS]]
    stands = dict(zip(shown["item"], shown["status"], strict=True))
    charts = "Controls on the process"  # of one batch there is no chart
    assert stands.pop(charts) == MISSING
    assert set(stands.values()) <= {IN, NONE_NEEDED}
    assert shown.loc[shown["status"] == IN, "to_do"].eq("").all()


@pytest.mark.parametrize(
    ("record", "items"),
    [
        ("plan", ["Scales checked", "Checks while making", "A plan of sampling"]),
        ("scales", ["Scales calibrated", "A scale found bad", "Equipment that suits"]),
        ("scale_checks", ["Scales checked", "A scale found bad"]),
        ("actions", ["released by a named", "The standing of goods"]),
        ("documents", ["Papers with a revision"]),
        ("labels", ["Quantity controlled", "Results outside the limits", "Corrections and adjust"]),
        ("batches", ["A batch number on everything"]),
    ],
)
def test_a_list_that_is_gone_is_never_in_the_pack(
    tmp_path: Path, record: str, items: list[str]
) -> None:
    works = full(tmp_path)
    before = {words: row(works, words)["status"] for words in items}
    assert set(before.values()) <= {IN, NONE_NEEDED}
    (tmp_path / f"{record}.csv").unlink()
    works = qa.read_works(tmp_path)
    after = {words: row(works, words)["status"] for words in items}
    assert set(after.values()) <= set(OPEN), after
    assert all(row(works, words)["to_do"] for words in items)


@pytest.mark.parametrize("column", ["by", "picked", "scale"])
def test_weighings_that_do_not_say_who_how_or_where(tmp_path: Path, column: str) -> None:
    works = full(tmp_path)
    assert row(works, "Sampling: who")["status"] == IN
    weights = pd.read_csv(tmp_path / "weights" / "oct.csv", dtype=str)
    weights.drop(columns=column).to_csv(tmp_path / "weights" / "oct.csv", index=False)
    found = row(qa.read_works(tmp_path), "Sampling: who")
    assert found["status"] == PARTLY
    assert f"{column} of 0 %" in found["found"]


def test_one_weighing_without_a_scale_is_not_all_of_them(tmp_path: Path) -> None:
    full(tmp_path)
    path = tmp_path / "weights" / "oct.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",S1,", ",,", 1), encoding="utf-8")
    works = qa.read_works(tmp_path)
    for words in ("Scales checked", "Scales calibrated", "Equipment that suits"):
        found = row(works, words)
        assert found["status"] == PARTLY
        assert "1 weighings name no scale" in found["found"]
    assert "scale of 96 %" in row(works, "Sampling: who")["found"]  # 30 of 31, never rounded up


PLAN = "product,stage,how_many,how_often,low,high,revision\n"


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ("bar,packed,30,now and then,110,140,2\n", "could not be followed for bar"),
        ("bar,packed,40,every batch,110,140,2\n", "1 short"),
        ("bar,packed,30,every batch,121.6,,2\n", "outside the limits and nothing said of it: B1"),
    ],
)
def test_limits_alone_are_not_checks_done(tmp_path: Path, plan: str, said: str) -> None:
    found = row(full(tmp_path, plan=PLAN + plan, actions="id,what\n"), "Checks while making")
    assert found["status"] == PARTLY
    assert said in found["found"]


def test_weighings_of_no_known_product_have_no_limits(tmp_path: Path) -> None:
    two = "product,name,form\nbar,Test bar,bar\nsoap,Other bar,bar\n"
    works = full(tmp_path, batches="batch,packed_on\nB1,2026-10-06\n", products=two)
    assert row(works, "Checks while making")["status"] == MISSING


def test_a_scale_check_missed_is_told(tmp_path: Path) -> None:
    checks = "when,scale,applied,shown,unit\n2026-10-12,S1,200,200.0,g\n"
    found = row(full(tmp_path, scale_checks=checks), "Scales checked", start="2026-10-05",
                end="2026-10-16")  # fmt: skip
    assert found["status"] == PARTLY
    assert "1 of the 1 the plan asks for missing" in found["found"]  # the second week is not over


def test_checks_of_other_days_are_not_of_the_period(tmp_path: Path) -> None:
    checks = "when,scale,applied,shown,unit\n2026-09-01,S1,200,200.0,g\n"
    works = full(tmp_path, scale_checks=checks)
    found = row(works, "Scales checked", start="2026-10-05", end="2026-10-16")
    assert found["status"] == MISSING


ACTIONS = "id,when,batch,what,reason,by,cause,approved_by,checked_on,closes\n"


@pytest.mark.parametrize(
    ("actions", "status", "said"),
    [
        ("A1,2026-10-07,B1,release,,,,,,\n", MISSING, "releases of none of 1"),
        ("A1,2026-10-09,B1,release,,LT,,LT,,\n", PARTLY, "sent before it was released: B1"),
        ("A1,2026-10-07,B1,release,,LT,,LT,,\nA2,2026-10-09,B1,hold,light,LT,,LT,,\n", MISSING, ""),
    ],
)
def test_a_release_has_a_name_and_comes_before_the_sale(
    tmp_path: Path, actions: str, status: str, said: str
) -> None:
    found = row(full(tmp_path, actions=ACTIONS + actions), "released by a named")
    assert found["status"] == status
    assert said in found["found"]


def test_a_batch_sent_and_never_weighed_counts_everywhere(tmp_path: Path) -> None:
    batches = (
        "batch,product,made_on,packages,packed_on,pack_code\n"
        "B1,bar,2026-09-01,200,2026-10-06,P1\nB2,bar,2026-09-02,200,2026-10-07,\n"
    )
    sent = "batch,market,when,quantity\nB1,EU,2026-10-08,9\nB2,EU,2026-10-08,9\n"
    works = full(tmp_path, batches=batches, dispatch=sent)
    for words in ("released by a named", "The standing of goods", "A batch number on everything",
                  "Quantity controlled", "Results outside the limits"):  # fmt: skip
        found = row(works, words)
        assert found["status"] == PARTLY, words
        assert "B2" in found["found"]


def test_a_hold_that_is_open_is_not_dealt_with(tmp_path: Path) -> None:
    held = "A1,2026-10-07,B1,hold,looked light,LT,scoop worn,LT,,\n"
    found = row(full(tmp_path, actions=ACTIONS + held), "Goods that do not conform")
    assert found["status"] == MISSING
    assert "still on hold: B1" in found["found"]
    freed = held + "A2,2026-10-08,B1,release,weighed again,LT,,LT,,A1\n"
    found = row(full(tmp_path, actions=ACTIONS + freed), "Goods that do not conform")
    assert found["status"] == IN


def test_the_correction_of_a_reading_is_no_answer_to_a_short_batch(tmp_path: Path) -> None:
    lines = "".join(f"B1,packed,2026-10-06,{weight},g\n" for weight in around(112.0))
    weights = "batch,stage,when,weight,unit\n" + lines
    text = (
        "id,when,batch,what,reason,by,cause,approved_by,reading,old,new\n"
        "A1,2026-10-07,B1,correction,typed wrong,LT,slip,LT,row 2 of oct.csv,"
        f"{around(112.0)[0]},112.3\n"
    )
    found = row(full(tmp_path, weights=weights, actions=text), "Results outside the limits")
    assert found["status"] == MISSING


def test_corrections_without_ids_are_counted_one_by_one(tmp_path: Path) -> None:
    lines = ",2026-10-07,,correction,,LT,worn,LT,2026-10-08,\n,2026-10-07,,correction,,LT,,,,\n"
    found = row(full(tmp_path, actions=ACTIONS + lines), "Departures from the plan")
    assert found["status"] == PARTLY
    assert "1 of 2; not of entry 2" in found["found"]


def test_nothing_went_wrong_is_not_a_missing_correction(tmp_path: Path) -> None:
    assert row(full(tmp_path), "Departures from the plan")["status"] == NONE_NEEDED


SCALE = "scale,d,e,max,class,certificate,calibrated_on,calibration_due\nS1,0.1,0.1,600,II,C1,"


@pytest.mark.parametrize(
    "days",
    [
        "2026-01-01,2026-10-11",  # past due on the last day, 12 October
        "2026-10-08,2027-10-08",  # calibrated after it was used
        ",2027-01-01",
        "2026-01-01,",
    ],
)
def test_a_calibration_covers_what_was_weighed(tmp_path: Path, days: str) -> None:
    assert row(full(tmp_path, scales=f"{SCALE}{days}\n"), "Scales calibrated")["status"] == MISSING


def test_a_calibration_due_on_the_last_day_is_in_time(tmp_path: Path) -> None:
    works = full(tmp_path, scales=f"{SCALE}2026-01-01,2026-10-12\n")
    assert row(works, "Scales calibrated")["status"] == IN


@pytest.mark.parametrize(
    ("action", "status"),
    [
        ("A1,2026-10-13,,scale S1 adjusted,read high,LT,,LT,,\n", IN),
        ("A1,2026-10-13,,correction,scale S10 adjusted,LT,,LT,,\n", MISSING),
        ("A1,2026-10-13,,scale cleaned,,LT,,LT,,\nA2,2026-10-13,,note,S1 paper lost,LT,,,,\n",
         MISSING),
        ("A1,2026-10-01,,scale S1 adjusted,before it was off,LT,,LT,,\n", MISSING),
    ],
)  # fmt: skip
def test_a_scale_that_was_off_needs_an_action_on_that_scale(
    tmp_path: Path, action: str, status: str
) -> None:
    checks = "when,scale,applied,shown,unit\n2026-10-06,S1,200,200.5,g\n"
    works = full(tmp_path, scale_checks=checks, actions=ACTIONS + action)
    assert row(works, "A scale found bad")["status"] == status


def test_checks_in_ounces_are_held_against_grams(tmp_path: Path) -> None:
    # 0.05 oz is 1.4 g, fourteen scale intervals of 0.1 g
    checks = "when,scale,applied,shown,unit\n2026-10-06,S1,7.00,7.05,oz\n"
    assert row(full(tmp_path, scale_checks=checks), "A scale found bad")["status"] == MISSING


def test_checks_of_a_scale_of_no_known_interval_say_nothing(tmp_path: Path) -> None:
    scales = "scale,certificate\nS1,C1\n"
    assert row(full(tmp_path, scales=scales), "A scale found bad")["status"] == MISSING


def test_a_log_counts_where_it_is_whole_and_explains_every_edit(tmp_path: Path) -> None:
    words = "Records by hand"
    works = full(tmp_path)
    log = works.log_readings()
    whole = log.read_bytes()
    assert row(qa.read_works(tmp_path), words)["status"] == IN
    log.write_bytes(b"")
    assert row(qa.read_works(tmp_path), words)["status"] == MISSING
    log.write_bytes(whole.replace(b'"S1"', b'"S2"', 1).replace(b"122", b"123", 1))
    assert row(qa.read_works(tmp_path), words)["status"] == PARTLY
    log.write_bytes(whole)
    sheet = tmp_path / "weights" / "oct.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("121.9", "129.9"), encoding="utf-8")
    found = row(qa.read_works(tmp_path), words)
    assert found["status"] == PARTLY
    assert "nobody explained" in found["found"]


def test_a_paper_is_named_as_listed_and_must_be_findable(tmp_path: Path) -> None:
    words = "Staff trained"
    assert row(full(tmp_path), words)["status"] == MISSING
    head = "what,reference,revision,date,kept_where\n"
    listed = row(full(tmp_path, documents=head + "Training list,T1,3,2026-02-01,office\n"), words)
    assert listed["status"] == "a paper"
    assert listed["found"] == "Training list, T1, revision 3, 2026-02-01, office"
    lost = row(full(tmp_path, documents=head + "Training list,,,,\n"), words)
    assert lost["status"] == PARTLY


WEIGHED = "batch,stage,when,weight,unit,note\nB1,packed,2026-10-06,121.0,g,\n"


@pytest.mark.parametrize(
    ("again", "status"),
    [
        ("B1,shelf,2026-10-13,120.9,g,shelf by the door\n", IN),
        ("B1,shelf,2026-10-13,120.9,g,\n", MISSING),  # how it was stored is not said
        ("B1,shelf,2026-10-14,120.9,g,shelf by the door\n", MISSING),  # the eighth day
        ("", MISSING),
    ],
)
def test_drying_goods_for_new_zealand(tmp_path: Path, again: str, status: str) -> None:
    labels = "product,declared,unit,market,books\nbar,120,g,NZ,nz-7a\n"
    works = full(tmp_path, labels=labels, weights=WEIGHED + again)
    assert row(works, "Goods that dry")["status"] == status


def test_records_without_a_day_show_nothing_that_needs_one(tmp_path: Path) -> None:
    labels = "product,declared,unit,market,books\nbar,120,g,NZ,nz-7a\n"
    works = full(
        tmp_path,
        labels=labels,
        weights="batch,stage,weight,unit,scale\nB1,packed,121.0,g,S1\nB1,shelf,120.9,g,S1\n",
        batches="batch,product,packages\nB1,bar,200\n",
        actions=ACTIONS + "A1,,B1,release,,LT,,LT,,\n",
        dispatch="batch,market,when,quantity\nB1,NZ,,9\n",
        scale_checks="when,scale,applied,shown,unit\n,S1,200,200.0,g\n",
    )
    for words in ("Scales calibrated", "Goods that dry", "Checks while making", "Scales checked"):
        assert row(works, words)["status"] in OPEN, words


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "worse"),
    [
        ("actions.csv", ["Rejected goods", "Departures from the plan", "The standing of goods"]),
        ("scale_checks.csv", ["Scales checked", "A scale found bad"]),
        ("plan.csv", ["Checks while making", "Scales checked"]),
        ("documents.csv", ["A written way of weighing", "Papers with a revision"]),
        ("scales.csv", ["Scales calibrated", "Equipment that suits"]),
        ("labels.csv", ["Quantity controlled"]),
        ("batches.csv", ["A batch number on everything"]),
    ],
)
def test_the_demo_works_less_one_list(tmp_path: Path, name: str, worse: list[str]) -> None:
    works = without(tmp_path / "works", lambda folder: (folder / name).unlink())
    for words in worse:
        found = row(works, words)
        # nothing reworked is on record: there is nothing of it to show, and nothing is claimed
        assert found["status"] in (OPEN if words != "Rejected goods" else (NONE_NEEDED,)), words


def test_the_demo_works_is_told_as_it_is(demo_works: qa.Works) -> None:
    found = checklist(demo_works)
    stands = dict(zip(found.table["source"], found.table["status"], strict=True))
    assert stands["ISO 22716:2007, 7.3.5"] == PARTLY  # checks, and no programme of them
    assert stands["ISO 22716:2007, 9.2, 9.3"] == "a paper"
    assert row(demo_works, "Sampling: who")["status"] == PARTLY
    assert "no programme in plan.csv that could be followed for S1, S2, S3" in str(found)
    first = str(found).splitlines()[0]
    assert first.startswith("missing: ")
