"""The cutters of a works: from its files to what to do, and what its files must say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from wire_cuts import FloatArray, cut
from works_folder import make_works

import qa_tools as qa

PRODUCTS = (
    "product,name,form,cutter,spacing_mm,bars_per_loaf\n"
    "bar,Test bar,bar,C1,25,6\nslab,Test slab,bar,C1,25,6\n"
)
BATCHES = "batch,product\nB1,bar\nB2,slab\n"
STEADY = 0.15 * np.ones(5)


def rows(weights: FloatArray, batch: str = "B1", day: str = "2026-09-01") -> str:
    """A loaf a line, as on a sheet of the cutter."""
    lines = [
        f"{batch},cut,{day},{loaf}," + ",".join("" if np.isnan(g) else f"{g:.1f}" for g in one)
        for loaf, one in enumerate(weights, start=1)
    ]
    return "\n".join(lines) + "\n"


def sheet(*parts: str, bars: int = 6) -> str:
    return (
        "batch,stage,when,loaf,"
        + ",".join(f"slot{slot}" for slot in range(1, bars + 1))
        + "\n"
        + "".join(parts)
    )


def works(folder: Path, weights: str, **more: str) -> qa.Works:
    return make_works(folder, weights, **{"products": PRODUCTS, "batches": BATCHES} | more)


def slack(loaves: int = 40, wire: int = 3) -> FloatArray:
    wander = STEADY.copy()
    wander[wire - 1] = 0.6
    return cut(np.random.default_rng(5), loaves, wander)


def test_the_works_says_spacing_and_bars_and_the_study_is_as_by_hand(tmp_path: Path) -> None:
    weights = slack()
    found = qa.cutters(works(tmp_path, sheet(rows(weights))))
    assert list(found.studied) == ["C1"] and not found.refused
    loaf, slot = np.indices(weights.shape) + 1
    table = pd.DataFrame({"loaf": loaf.ravel(), "slot": slot.ravel(), "net": weights.ravel()})
    by_hand = qa.wires.study(table.round({"net": 1}), spacing_mm=25)
    np.testing.assert_allclose(
        found["C1"].watched.wires["wander_mm"], by_hand.wires["wander_mm"], rtol=1e-6
    )
    assert found["C1"].to_do[["advice", "wire"]].values.tolist()[0] == ["retension", 3]
    assert "ends both trimmed (else" in found["C1"].assumed


def test_products_of_one_spacing_are_studied_together(tmp_path: Path) -> None:
    heavy = 1.1 * slack(20)
    found = qa.cutters(works(tmp_path, sheet(rows(slack(20)), rows(heavy, "B2", "2026-09-02"))))
    assert "bar, slab, 6 bars of 25 mm, 40 loaves from 1 September" in found["C1"].cuts


def test_two_spacings_on_one_cutter_are_two_sets_of_wires(tmp_path: Path) -> None:
    products = PRODUCTS.replace("slab,Test slab,bar,C1,25", "slab,Test slab,bar,C1,30")
    found = qa.cutters(
        works(
            tmp_path,
            sheet(rows(slack(20)), rows(slack(20), "B2", "2026-09-02")),
            products=products,
        )
    )
    assert not found.studied
    assert "25 mm for bar; 30 mm for slab" in found.refused["C1"]
    assert "a name of its own" in str(found)


def test_rough_cuts_on_all_wires_are_said_first_and_no_wire_is_blamed(tmp_path: Path) -> None:
    sds = np.full((60, 5), 0.15)
    sds[40:] = 0.4
    found = qa.cutters(works(tmp_path, sheet(rows(cut(np.random.default_rng(7), 60, sds)))))["C1"]
    assert found.to_do["advice"].tolist() == ["look first"]
    assert found.headline.startswith("Cutter C1: look first: rough cuts on all wires: ")
    assert "All wires: leave; " in str(found)


# Bars of 25 mm with 146 g, 90 mm wide: 65 mm high they are of 1 g/cm³.
@pytest.mark.parametrize(("spacing", "fits"), [(25, True), (30, False), (20, False)])
def test_a_spacing_that_makes_no_soap_of_the_bars_is_named_first(
    tmp_path: Path, spacing: float, fits: bool
) -> None:
    products = (
        "product,name,form,cutter,spacing_mm,bars_per_loaf,loaf_width_mm,loaf_height_mm\n"
        f"bar,Test bar,bar,C1,{spacing},6,90,65\nslab,Test slab,bar,C1,{spacing},6,,\n"
    )
    both = sheet(rows(slack(20)), rows(slack(20), "B2", "2026-09-02"))
    found = qa.cutters(works(tmp_path, both, products=products))["C1"]
    assert found.to_do["advice"].tolist() == (["look first"] if not fits else []) + ["retension"]
    if not fits:
        density = 1000 * 146.2 / (90 * 65 * spacing)
        said = f"bars of bar, 90 x 65 x {spacing} mm and 146 g as cut, would be {density:.2f} g/cm³"
        assert found.headline.startswith(
            f"Cutter C1: look first: spacing_mm in products.csv does not fit: {said}"
        )
        assert found.to_dict()["causes"][0]["size_mm"] is None


def test_a_cutter_each_is_studied_or_refused_by_itself(tmp_path: Path) -> None:
    products = PRODUCTS.replace("slab,Test slab,bar,C1,25", "slab,Test slab,bar,C2,")
    given = works(
        tmp_path, sheet(rows(slack(20)), rows(slack(20), "B2", "2026-09-02")), products=products
    )
    found = qa.cutters(given)
    assert list(found.studied) == ["C1"]
    assert found.refused == {
        "C2": "products.csv gives no spacing_mm for slab: write how far apart the wires stand"
    }
    assert list(qa.cutters(given, "C1").studied) == ["C1"]
    with pytest.raises(ValueError, match="there are C1, C2"):
        qa.cutters(given, "C3")


def test_settings_say_ends_and_numbering(tmp_path: Path) -> None:
    weights = cut(
        np.random.default_rng(6), 60, np.where(np.arange(8) == 3, 0.6, 0.15), ends="from a stop"
    )
    settings = "name,value\nends of cutter C1,From a stop\nend wires of cutter C1,counted\nunit,g\n"
    given = works(
        tmp_path,
        sheet(rows(weights), bars=9),
        products=PRODUCTS.replace(",25,6", ",25,9"),
        settings=settings,
    )
    assert given.questions.empty
    found = qa.cutters(given)["C1"]
    assert found.study.cutter.ends == "from a stop"
    assert found.headline.startswith(
        "Cutter C1: retension: wire 5 from the stop (between bars 4 and 5)"
    )
    assert found.assumed == (
        "Taken: ends from a stop (as settings.csv says), end wires counted (as settings.csv says)"
    )


def test_a_setting_that_is_not_understood_is_refused_with_what_to_write(tmp_path: Path) -> None:
    found = qa.cutters(
        works(tmp_path, sheet(rows(slack())), settings="name,value\nends of cutter C1,sawn\n")
    )
    assert 'the value "sawn" of "ends of cutter C1"' in found.refused["C1"]
    assert "both trimmed or from a stop" in found.refused["C1"]


def test_services_of_the_cutter_begin_its_history_anew_and_others_are_told(tmp_path: Path) -> None:
    wander = np.tile(STEADY, (60, 1))
    wander[:30, 2] = 0.6
    weights = cut(np.random.default_rng(8), 60, wander)
    wires = (
        "when,cutter,wire,what\n2026-09-02,C1,3,tightened\n2026-09-02,C9,2,tightened\n"
        ",C1,1,tightened\n"
    )
    parts = (rows(weights[:30]), rows(weights[30:], "B2", "2026-09-02"))
    all_found = qa.cutters(works(tmp_path, sheet(*parts), wires=wires))
    found = all_found["C1"]
    (words,) = found.serviced
    assert words.startswith("wire 3 from the stop (between bars 3 and 4), before loaf 1 of B2: ")
    assert "tightened: wander fell from 0.6" in words and "no reason to look further" in words
    assert found.to_do.empty
    assert found.headline.startswith("Cutter C1: no wire stands out: the weights show nothing")
    assert found.left_out == (
        "wires.csv, wire 1 tightened without a day: give both the wire and the day",
    )
    (other,) = all_found.not_used
    assert other == 'Not used: wires.csv, cutter "C9": no bar was weighed as cut on it'
    assert other in str(all_found) and all_found.to_dict()["not_used"] == [other]


def test_a_service_of_a_wire_the_cutter_has_not_is_named_as_it_was_written(tmp_path: Path) -> None:
    wires = "when,cutter,wire,what\n2026-09-02,C1,3,tightened\n2026-09-02,C1,12,fitted\n"
    found = qa.cutters(works(tmp_path, sheet(rows(slack())), wires=wires))
    assert found.refused["C1"].startswith(
        "wires.csv, wire 12 fitted on 2 September 2026: there is no wire 12; the wires between "
        "bars are 1 to 5"
    )


def test_a_service_of_no_known_kind_counts_as_work_and_says_so(tmp_path: Path) -> None:
    wires = "when,cutter,wire,what\n2026-09-02,C1,3,polished\n2026-09-02,C1,4,Inspected\n"
    given = works(
        tmp_path, sheet(rows(slack(20)), rows(slack(20), "B2", "2026-09-02")), wires=wires
    )
    found = qa.cutters(given)["C1"]
    assert found.assumed.endswith(
        "; wires.csv, wire 3 polished on 2 September 2026: as work that changed the wire (known "
        "are fitted, tightened, moved, broke, inspected; the last changes nothing)"
    )
    assert "wire 4" not in found.assumed
    assert [words.split(",")[0] for words in found.serviced] == [
        "wire 3 from the stop (between bars 3 and 4)"
    ]


def test_settings_of_another_cutter_and_services_of_none_are_told(tmp_path: Path) -> None:
    given = works(
        tmp_path,
        sheet(rows(slack(20)), rows(slack(20), "B2", "2026-09-02")),
        products=PRODUCTS.replace("slab,Test slab,bar,C1", "slab,Test slab,bar,C2"),
        settings="name,value\nends of cutter C1,both trimmed\nEnds of cutter C7,from a stop\n",
        wires="when,cutter,wire,what\n2026-09-02,,3,tightened\n",
    )
    assert qa.cutters(given).not_used == (
        "Not used: rows of wires.csv without a cutter: there are C1, C2",
        'Not used: settings.csv, "Ends of cutter C7": no bar was weighed as cut on it',
    )


def test_cells_and_files_that_cannot_be_read_are_told(tmp_path: Path) -> None:
    products = PRODUCTS.replace("bar,Test bar,bar,C1,25", "bar,Test bar,bar,C1,wide")
    found = qa.cutters(works(tmp_path, sheet(rows(slack(20))), products=products))
    assert "products.csv gives no spacing_mm for bar" in str(found)
    assert "Not read: products.csv: expected a number; found in row 2, column spacing_mm" in str(
        found
    )
    (tmp_path / "weights" / "cut.csv").write_text("batch,B1\nloaf,slot1\n1,120\n")
    (tmp_path / "weights" / "oct.csv").write_text("batch,stage,weight\nB1,packed,120.1\n")
    with pytest.raises(ValueError, match=r"(?s)weighed as cut .*\nNot read: weights/cut.csv: "):
        qa.cutters(qa.read_works(tmp_path))


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("-25,6", "products.csv gives a spacing_mm of -25 for bar: write millimetres"),
        ("25,4", "products.csv gives 4 bars_per_loaf for bar, but row 2 of weights/oct.c"),
    ],
)
def test_what_products_csv_cannot_mean_is_said_of_products_csv(
    tmp_path: Path, written: str, words: str
) -> None:
    products = PRODUCTS.replace("bar,Test bar,bar,C1,25,6", f"bar,Test bar,bar,C1,{written}")
    found = qa.cutters(works(tmp_path, sheet(rows(slack(20))), products=products))
    assert found.refused["C1"].startswith(words)


def test_one_bar_a_loaf_is_refused_kindly(tmp_path: Path) -> None:
    lines = [f"B1,cut,2026-09-01,{loaf},3,120.{loaf % 10}" for loaf in range(1, 31)]
    weights = "batch,stage,when,loaf,slot,weight\n" + "\n".join(lines) + "\n"
    found = qa.cutters(works(tmp_path, weights))
    assert "none of 30 loaves has two bars weighed" in found.refused["C1"]


def test_bars_without_a_day_are_left_out_where_others_have_one(tmp_path: Path) -> None:
    parts = (rows(slack(20)), rows(slack(20), "B2", day=""))
    found = qa.cutters(works(tmp_path, sheet(*parts)))["C1"]
    assert found.left_out == ("120 bars without a day, as others have one",)
    assert "20 loaves of 1 September 2026" in found.cuts


def test_bars_in_doubt_are_left_out_until_answered_for(tmp_path: Path) -> None:
    weights = slack()
    weights[4, 1] = 55.0  # below half its label
    labels = "product,declared,unit\nbar,120,g\n"
    found = qa.cutters(works(tmp_path, sheet(rows(weights)), labels=labels))["C1"]
    assert found.left_out == ("1 bar in doubt, to be answered for first",)
    assert found.study.set_aside.empty
    assert found.to_do["advice"].tolist()[0] == "retension"


def test_nothing_weighed_as_cut_says_what_to_write(tmp_path: Path) -> None:
    given = works(tmp_path, "batch,stage,weight\nB1,packed,120.1\nB1,packed,121\n")
    with pytest.raises(ValueError, match=r'slot1, slot2, \.\.\.\) .* the stage "cut"'):
        qa.cutters(given)


def test_a_cutter_with_few_loaves_is_refused_kindly(tmp_path: Path) -> None:
    found = qa.cutters(works(tmp_path, sheet(rows(slack(3)))))
    assert "3 loaves with two or more bars weighed" in found.refused["C1"]


@pytest.mark.parametrize(
    ("until", "to_do"),
    [
        ("2026-09-06", []),
        ("2026-09-13", [["watch", 5]]),
        ("2026-09-20", [["retension", 5]]),
        ("2026-10-04", [["move", 2]]),
        ("2026-11-01", [["move", 2]]),
    ],
)
def test_the_planted_faults_are_named_in_their_weeks_and_no_other(
    demo_works: qa.Works, until: str, to_do: list[list[object]]
) -> None:
    found = qa.cutters(demo_works, until=pd.Timestamp(until))["C1"]
    assert found.to_do[["advice", "wire"]].values.tolist() == to_do
    assert until != "2026-09-20" or "since about loaf 7 of OH-0908" in found.headline


def test_a_change_is_judged_by_the_loaves_after_its_signal(demo_works: qa.Works) -> None:
    """The mean of the move, not a mixture of before and after; planted: +0.7 mm, 0.15 mm."""
    one = qa.cutters(demo_works)["C1"]
    wire = one.study.wires.set_index("wire").loc[2]
    assert wire["offset_lower"] < 0.7 < wire["offset_upper"]
    assert wire["wander_lower"] < 0.15 < wire["wander_upper"]


def test_what_cannot_be_reckoned_is_told_and_nothing_breaks(tmp_path: Path) -> None:
    """Lots under 100 have no plan at one of the books: the advice stands, its cost says why not."""
    batches = "batch,product,packages\nB1,bar,20\n"
    given = works(
        tmp_path,
        sheet(rows(slack())),
        batches=batches,
        labels="product,declared,unit,books\nbar,120,g,oiml-r87-2004\n",
    )
    one = qa.cutters(given)["C1"]
    assert one.to_do["advice"].tolist()[0] == "retension"
    (words,) = one.costs_in_words
    assert words.startswith("wire 3 from the stop (between bars 3 and 4): not told: ")
    assert words in str(one)


def test_a_cutter_that_was_not_studied_is_refused_with_those_that_were(tmp_path: Path) -> None:
    found = qa.cutters(works(tmp_path, sheet(rows(slack()))))
    with pytest.raises(ValueError, match="no cutter 'C7' was studied; studied are C1"):
        found["C7"]
