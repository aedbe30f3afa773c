"""From a pack back to all that made it, and from a tool to all it touched; both ways agree."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from works_folder import make_works

import qa_tools as qa
from qa_tools.evidence.traces import Trace, trace

HEAD = "batch,stage,when,loaf,slot,weight,unit,weighed,scale,by,cutter\n"
PRODUCTS = (
    "product,name,form,tare parts,cutter,bars_per_loaf\n"
    "bar,Test bar,bar,,C1,3\ntin,Balm,tin,tin,,\njar,Scrub,jar,jar,,\n"
)
RUNS = (
    "B1,bar,2026-09-01,9,2026-10-06,P1,2026-10-09,",
    "T1,tin,2026-09-03,5,2026-09-03,P2,2026-09-08,",
    "T2,tin,2026-09-13,5,2026-09-13,P3,2026-09-18,",
    "J1,jar,2026-09-05,5,2026-09-05,P4,2026-09-10,",
)
SENT = (
    "B1,P1,shop 1,EU,2026-10-10,4",
    "T1,P2,shop 2,UK,2026-09-09,5",
    "J1,P4,shop 1,EU,2026-09-11,5",
)
EMPTIES = (
    *(f"tin,tin,{14 + place / 10},g,2026-09-01,K-1" for place in range(3)),
    *(f"tin,tin,{16 + place / 10},g,2026-09-12,N-2" for place in range(3)),
    *(f"jar,jar,{250 + place},g,2026-09-01,G-1" for place in range(3)),
)
WIRES = (
    "2026-08-01,C1,1,fitted,MH", "2026-08-01,C1,2,fitted,MH", "2026-09-20,C1,2,tightened,MH",
    "2026-09-01,C1,1,inspected,MH",
)  # fmt: skip


def cut(batch: str, day: str, scale: str = "S1", cutter: str = "") -> list[str]:
    weights = [(loaf, slot) for loaf in (1, 2) for slot in (1, 2, 3)]
    return [f"{batch},cut,{day},{loaf},{slot},{130 + loaf / 10 + slot},g,bare,{scale},MH,{cutter}"
            for loaf, slot in weights]  # fmt: skip


def filled(
    batch: str, day: str, how: str = "gross", scale: str = "S2", by: str = "PR"
) -> list[str]:
    least = {"J": 250, "T": 75, "B": 120}[batch[0]]
    return [f"{batch},,{day},,,{least + place / 10},g,{how},{scale},{by}," for place in range(4)]


ROWS = (*cut("B1", "2026-09-02"), *filled("T1", "2026-09-03"), *filled("T2", "2026-09-13"),
        *filled("J1", "2026-09-05", "tared on the scale", "S3"))  # fmt: skip


def works(
    folder: Path,
    rows: Sequence[str] = ROWS,
    *,
    runs: Sequence[str] = RUNS,
    sent: Sequence[str] = SENT,
    wires: Sequence[str] = WIRES,
    tare: Sequence[str] = EMPTIES,
    checks: Sequence[str] = (),
    products: str = PRODUCTS,
    **more: str,
) -> qa.Works:
    def lines(head: str, body: Sequence[str]) -> str:
        return head + "\n" + "".join(f"{row}\n" for row in body)

    return make_works(
        folder,
        lines(HEAD.strip(), rows),
        products=products,
        batches=lines("batch,product,made_on,packages,packed_on,pack_code,sell_from,note", runs),
        dispatch=lines("batch,pack_code,customer,market,when,quantity", sent),
        wires=lines("when,cutter,wire,what,by", wires),
        tare=lines("product,part,tare,unit,when,supplier_lot", tare),
        scale_checks=lines("when,scale,applied,shown,unit", checks),
        scales="scale,certificate\nS1,CAL-1\nS2,CAL-2\n",
        **more,
    )


def column(found: Trace, table: str, name: str) -> list[object]:
    return found.tables[table][name].tolist()


def test_a_pack_code_leads_to_days_people_scales_wires_and_customers(tmp_path: Path) -> None:
    found = trace(works(tmp_path), pack_code="P1")
    assert found.headline == (
        "B1, Test bar: made 1 September 2026, packed 6 October 2026, on sale from 9 October 2026, "
        "9 packages, 4 sent"
    )
    assert found.tables["people"].drop(columns=["first", "last"]).values.tolist() == [
        ["MH", "at cutting", 6, "1, 2"]
    ]
    assert column(found, "scales", "certificate") == ["CAL-1"]
    assert found.tables["wires"][["wire", "last service"]].values.tolist() == [
        [1, "fitted"], [2, "fitted"],
    ]  # fmt: skip
    assert column(found, "customers", "customer") == ["shop 1"]
    assert found.tables["sources"][["rows", "weighings"]].values.tolist() == [["2 to 7", 6]]
    assert not found.notes


def test_all_checks_of_the_nearest_days_are_told(tmp_path: Path) -> None:
    checks = ["2026-08-30,S1,200,190,g", "2026-09-01,S1,500,498.8,g", "2026-09-01,S1,200,200,g",
              "2026-09-04,S1,200,199.8,g", "2026-09-03,S2,200,200,g"]  # fmt: skip
    scales = trace(works(tmp_path, checks=checks), batch="B1").tables["scales"].iloc[0]
    assert scales["check before"] == "2026-09-01: 500 g showed 498.8, 200 g showed 200"
    assert scales["check after"] == "2026-09-04: 200 g showed 199.8"


def test_the_checks_are_those_of_each_stage(tmp_path: Path) -> None:
    checks = [f"2026-{day},S1,200,200,g" for day in ("09-01", "09-03", "10-05", "10-07")]
    rows = [*cut("B1", "2026-09-02"), *filled("B1", "2026-10-06", "bare", "S1")]
    told = trace(works(tmp_path, rows, checks=checks), batch="B1").tables["scales"]
    assert told["check after"].str[:10].tolist() == ["2026-09-03", "2026-10-07"]


def test_undated_weighings_do_not_make_their_checks_none(tmp_path: Path) -> None:
    found = trace(works(tmp_path, filled("J1", "", "bare", "S1"),
                        checks=["2026-09-01,S1,200,200,g"]), batch="J1")  # fmt: skip
    assert "no weighing is dated" in found.tables["scales"]["check before"].item()
    assert "J1: 4 of 4 weighings are not dated." in found.notes


def test_a_wire_serviced_between_two_days_of_cutting_is_told_twice(tmp_path: Path) -> None:
    rows = [*cut("B1", "2026-09-02")[:3], *cut("B1", "2026-09-21")[3:]]
    wires = trace(works(tmp_path, rows), batch="B1").tables["wires"]
    told = [
        (str(row["cut on"])[:10], row["wire"], row["last service"]) for _, row in wires.iterrows()
    ]
    assert told == [("2026-09-02", 1, "fitted"), ("2026-09-02", 2, "fitted"),
                    ("2026-09-21", 2, "tightened")]  # fmt: skip


def test_a_wire_without_a_service_before_is_said(tmp_path: Path) -> None:
    found = trace(works(tmp_path, wires=["2026-09-20,C1,2,tightened,MH"]), batch="B1")
    assert column(found, "wires", "last service") == ["none before"]


def test_a_batch_of_which_no_bar_was_weighed_as_cut_went_through_the_wires(tmp_path: Path) -> None:
    runs = [*RUNS, "B0,bar,2026-08-20,9,2026-09-20,P0,,"]
    found = works(tmp_path, runs=runs)
    assert column(trace(found, batch="B0"), "wires", "wire") == [1, 2]
    back = trace(found, wire=1)
    assert back.tables["batches"][["batch", "why", "weighings"]].values.tolist() == [
        ["B1", "bars weighed as cut", 6], ["B0", "made of what is cut on it", 0],
    ]  # fmt: skip
    assert column(trace(found, wire=1, end="2026-08-31"), "batches", "batch") == ["B0"]


def test_a_wire_lists_its_services(tmp_path: Path) -> None:
    assert column(trace(works(tmp_path), wire="2"), "services", "what") == ["fitted", "tightened"]


def test_a_batch_cut_on_two_cutters_counts_the_bars_of_each(tmp_path: Path) -> None:
    rows = [*cut("B1", "2026-09-02")[:4], *cut("B1", "2026-09-02", cutter="C2")[4:]]
    found = works(tmp_path, rows, wires=[*WIRES, "2026-08-01,C2,1,fitted,MH"])
    assert column(trace(found, wire=1, cutter="C2"), "batches", "weighings") == [2]
    with pytest.raises(ValueError, match="there are several cutters: C1, C2; give cutter="):
        trace(found, wire=1)
    with pytest.raises(ValueError, match='no cutter is called "c2"; is "C2" meant'):
        trace(found, wire=1, cutter="c2")


def test_a_tare_lot_leads_to_what_it_was_taken_off_and_what_it_may_be_on(tmp_path: Path) -> None:
    named = "T1,tin,2026-09-03,5,2026-09-03,P2,2026-09-08,some of lot N-2"
    found = works(tmp_path, runs=[RUNS[0], named, *RUNS[2:]])
    assert trace(found, tare_lot="N-2").tables["batches"][["batch", "why"]].values.tolist() == [
        ["T2", "its mean was taken off"], ["T1", "batches.csv names it"],
    ]  # fmt: skip
    assert column(trace(found, tare_lot="G-1"), "batches", "why") == ["packed while it was in use"]
    taken = trace(found, batch="T2").tables["tare"]
    assert taken[["supplier lot", "empties", "mean, g"]].values.tolist() == [["N-2", 3, 16.1]]


@pytest.mark.parametrize(("batch", "lot"), [("T1", "K-1"), ("T2", "N-2")])
def test_undated_weighings_have_the_tare_of_the_day_of_packing(
    tmp_path: Path, batch: str, lot: str
) -> None:
    found = works(tmp_path, filled(batch, ""))
    net = found.weighings.table["tare_g"].iloc[0]
    taken = trace(found, batch=batch).tables["tare"]
    assert taken["mean, g"].item() == pytest.approx(net)
    assert taken["supplier lot"].item() == lot
    assert "its mean was taken off" in column(trace(found, tare_lot=lot), "batches", "why")


def test_a_bare_number_in_a_note_is_no_lot(tmp_path: Path) -> None:
    runs = ["T1,tin,2026-09-03,5,2026-09-03,P2,,12 tins dented",
            "T3,tin,2026-09-03,5,2026-09-03,P5,,lot no. 12"]  # fmt: skip
    found = works(tmp_path, filled("T1", "2026-09-03"), runs=runs,
                  tare=[*EMPTIES, "tin,tin,15,g,2026-11-01,12"])  # fmt: skip
    assert column(trace(found, tare_lot="12"), "batches", "batch") == ["T3"]


def test_a_scale_between_two_days_leads_to_batches_and_customers(tmp_path: Path) -> None:
    found = trace(works(tmp_path), scale="S2", end="2026-09-10")
    assert found.headline == (
        "Scale S2, to 10 September 2026: 1 batch, 4 weighings; 5 packages sent to 1 customer"
    )
    assert column(found, "batches", "batch") == ["T1"]
    assert found.tables["batches"][["packed", "sent", "in_stock"]].values.tolist() == [[5, 5, 0]]


def test_what_is_not_dated_or_names_no_scale_is_said(tmp_path: Path) -> None:
    rows = [*filled("T1", ""), *filled("T2", "2026-09-13", scale="")]
    found = trace(works(tmp_path, rows), scale="S2", start="2026-12-01")
    assert column(found, "batches", "batch") == ["T1"]
    assert "4 weighings are not dated, and are counted in." in found.notes
    silent = trace(works(tmp_path, rows), scale="S2", start="2026-09-01")
    assert "4 weighings of these days do not say on which scale: T2." in silent.notes


def test_batches_of_which_no_reading_is_used_are_said(tmp_path: Path) -> None:
    lost = "T2,,2026-09-13,,,?,g,gross,S2,PR,"
    found = trace(works(tmp_path, [*filled("T1", "2026-09-03"), lost]), scale="S2")
    assert any("1 reading of batches without one that is used (T2)" in note for note in found.notes)


def test_a_pack_code_of_two_batches_tells_which_is_which(tmp_path: Path) -> None:
    again = "T2,tin,2026-09-13,5,2026-09-13,P2,2026-09-18,"
    sent = [*SENT, "T2,P2,shop 9,EU,2026-09-20,2"]
    found = trace(works(tmp_path, runs=[*RUNS[:2], again], sent=sent), pack_code="P2")
    assert column(found, "batches", "batch") == ["T1", "T2"]
    assert "The pack code P2 is of 2 batches: T1, T2." in found.notes
    assert found.tables["customers"][["batch", "customer"]].values.tolist() == [
        ["T1", "shop 2"], ["T2", "shop 9"],
    ]  # fmt: skip
    assert column(found, "tare", "batch") == ["T1", "T2"]


def test_a_pack_code_of_one_run_has_its_weighings_and_customers_alone(tmp_path: Path) -> None:
    runs = ["T1,tin,2026-09-03,5,2026-09-03,P2,,", "T1,tin,2026-09-03,7,2026-09-05,P5,,"]
    rows = [*filled("T1", "2026-09-03"), *filled("T1", "2026-09-05", by="MH")]
    sent = [
        "T1,P2,shop 1,EU,2026-09-09,5",
        "T1,P5,shop 2,EU,2026-09-09,3",
        "T1,,shop 3,EU,2026-09-09,1",
    ]
    found = trace(works(tmp_path, rows, runs=runs, sent=sent), pack_code="P5")
    assert "packed 5 September 2026" in found.headline and "7 packages, 4 sent" in found.headline
    assert column(found, "people", "by") == ["MH"]
    assert column(found, "customers", "customer") == ["shop 2", "shop 3"]
    assert "T1 was packed in several runs; the others are P2." in found.notes
    assert "T1: rows of dispatch.csv without a pack code are shown too (1)." in found.notes


def test_a_pack_code_that_only_dispatch_knows(tmp_path: Path) -> None:
    sent = [*SENT, "T1,P9,shop 3,EU,2026-09-12,1", "X7,P7,shop 4,EU,2026-09-12,1"]
    found = works(tmp_path, sent=sent)
    assert (
        "dispatch.csv sends T1 under P9; in batches.csv it is P2."
        in trace(found, pack_code="P9").notes
    )
    stranger = trace(found, pack_code="P7")
    assert "X7 is not in batches.csv." in stranger.notes
    assert stranger.tables["batches"].empty and column(stranger, "customers", "customer") == [
        "shop 4"
    ]
    assert (
        "dispatch.csv sends T1 under P9 too, not in batches.csv."
        in trace(found, pack_code="P2").notes
    )


def test_rows_of_lists_that_could_not_be_read_are_said(tmp_path: Path) -> None:
    found = works(tmp_path, sent=[*SENT, ",P1,shop 3,EU,2026-10-12,1"],
                  checks=["2026-09-01,S1,,200,g"])  # fmt: skip
    for one in (trace(found, pack_code="P1"), trace(found, scale="S1")):
        for where in ("dispatch.csv, row 5", "scale_checks.csv, row 2"):
            assert f"{where}: not read in full, so something may be missing here." in one.notes


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({}, "none was given"),
        ({"batch": "B1", "scale": "S1"}, "batch, scale was given"),
        ({"pack_code": "p1"}, 'no pack code is called "p1"; is "P1" meant'),
        ({"batch": "QQQQ"}, "there are B1, T1, T2, J1"),
        ({"scale": "S9"}, "there are S1, S2, S3"),
        ({"tare_lot": "k1"}, 'is "K-1" meant'),
        ({"wire": 7}, "no wire 7 of cutter C1; it has 1, 2"),
        ({"wire": "two"}, "write its number"),
        ({"wire": 1.5}, "write its number"),
        ({"scale": "S1", "cutter": "C1"}, "give it with wire"),
        ({"batch": "B1", "start": "2026-09-01"}, "leave them out"),
        ({"scale": "S1", "start": "2026-09-02", "end": "2026-09-01"}, "is before the start"),
    ],
)
def test_what_is_not_understood_is_refused(
    tmp_path: Path, asked: dict[str, object], says: str
) -> None:
    with pytest.raises(ValueError) as refused:
        trace(works(tmp_path), **asked)  # type: ignore[arg-type]
    assert says in str(refused.value)


def test_it_prints_and_goes_to_machines_with_hostile_names_escaped(tmp_path: Path) -> None:
    rows = [row.replace(",MH,", ",<script>,") for row in cut("B1", "2026-09-02")]
    rows[0] = rows[0].replace("B1,cut,2026-09-02,1,", "B1,cut,2026-09-02,²,")
    found = trace(works(tmp_path, rows), batch="B1")
    assert "<script>" not in found._repr_html_() and "&lt;script&gt;" in found._repr_html_()
    assert json.loads(json.dumps(found.to_dict()))["people"][0]["loaves or trays"] == "1, 2, ²"
    assert "Customers\n  customer" in str(found)
    with pytest.raises(ValueError, match="'scale' is not a table here; it has batches, people"):
        found.show("scale")


# ---------------------------------------------------------------- both ways


def agree(found: qa.Works, every: int = 1) -> None:
    """Whatever a tool leads to leads back to the tool, and whatever a batch names leads to it."""
    names = found.batches["batch"].unique().tolist()[::every]
    forward = {name: trace(found, batch=name) for name in names}

    def named(batch: str, table: str, key: str) -> set[object]:
        return set(column(forward[batch], table, key))

    for scale in set(found.scales["scale"]) | (set(found.weighings.table["scale"]) - {""}):
        back = column(trace(found, scale=scale), "batches", "batch")
        assert {name for name in names if scale in named(name, "scales", "scale")} == set(
            back
        ) & set(names)
    for lot in set(found.tare["supplier_lot"]) - {""}:
        listed = trace(found, tare_lot=lot).tables["batches"]
        taken = listed.loc[listed["why"] == "its mean was taken off", "batch"]
        assert {name for name in names if lot in named(name, "tare", "supplier lot")} == set(
            taken
        ) & set(names)
    dated = found.wires.dropna(subset=["wire", "when"])
    for cutter, wire in set(zip(dated["cutter"], dated["wire"], strict=True)):
        back = column(trace(found, wire=wire, cutter=cutter), "batches", "batch")
        through = {
            name
            for name in names
            if (
                (forward[name].tables["wires"][["cutter", "wire"]] == [cutter, wire]).all(axis=1)
            ).any()
        }
        assert through == set(back) & set(names)


def test_both_ways_agree_on_the_demo(demo_works: qa.Works) -> None:
    agree(demo_works, every=5)


@st.composite
def weighings(draw: st.DrawFn) -> list[str]:
    """Some sheets of some batches, on some scales, on some days or none."""
    rows = []
    day = st.sampled_from(["", "2026-08-15", "2026-09-02", "2026-09-13", "2026-09-25"])
    scale = st.sampled_from(["", "S1", "S2", "S3"])
    for batch in ("B1", "T1", "T2", "J1"):
        if batch == "B1" and draw(st.booleans()):
            rows += cut("B1", draw(day), draw(scale), draw(st.sampled_from(["", "C1", "C2"])))
        if draw(st.booleans()):
            how = draw(st.sampled_from(["gross", "bare", "tared on the scale"]))
            rows += filled(batch, draw(day), "bare" if batch == "B1" else how, draw(scale))
    return rows or filled("T1", "2026-09-03")


@settings(max_examples=10, deadline=None)
@given(weighings(), st.booleans())
def test_both_ways_agree(rows: list[str], second: bool) -> None:
    wires = [*WIRES, "2026-08-10,C2,1,fitted,MH"] if second else WIRES
    with tempfile.TemporaryDirectory() as folder:
        agree(works(Path(folder), rows, wires=wires))
