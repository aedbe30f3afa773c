"""Each lot judged: which weighings, by which rule, with what to know beside."""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest
from works_folder import BATCHES, around, make_works

import qa_tools as qa
from qa_tools.evidence.batches import _pointed_out

LABELS = "product,declared,unit,books\nbar,120,g,uk-2006-659 ca-crc-417\n"
HEAD = "batch,stage,when,weight,unit,picked,loaf,slot,fate\n"


def rows(stage: str, day: str, mean: float, n: int) -> str:
    return "".join(f"B1,{stage},{day},{w},g,random,,,kept\n" for w in around(mean, n))


def outcomes(review: qa.Review) -> dict[str, str]:
    return {check.book.name: check.outcome for batch in review.checks for check in batch.books}


def test_days_on_the_shelf_are_not_put_together(tmp_path: Path) -> None:
    weights = HEAD + rows("packed", "2026-10-06", 124.0, 50)
    weights += rows("shelf", "2026-10-07", 122.0, 50) + rows("shelf", "2026-10-08", 117.0, 50)
    review = qa.review(make_works(tmp_path, weights, labels=LABELS))
    assert outcomes(review)["ca-crc-417"] == "reject"
    check = next(c for c in review.checks[0].books if c.book.name == "ca-crc-417")
    assert check.note == "by the 50 weighed on the shelf on 8 October, mean 117.0 g"
    assert check.note in review.findings[0].text


def test_one_bar_from_the_shelf_leaves_the_packing_weights_to_judge(tmp_path: Path) -> None:
    weights = HEAD + rows("packed", "2026-10-06", 122.0, 50)
    weights += "B1,shelf,2026-10-08,119.0,g,random,,,kept\n"
    review = qa.review(make_works(tmp_path, weights, labels=LABELS))
    assert outcomes(review)["ca-crc-417"] == "accept"
    check = next(c for c in review.checks[0].books if c.book.name == "ca-crc-417")
    assert "1 weighed on the shelf on 8 October, mean 119.0 g" in check.note


def test_a_few_light_bars_on_the_shelf_keep_a_pass_from_showing(tmp_path: Path) -> None:
    weights = HEAD + rows("packed", "2026-10-06", 122.0, 50)
    weights += rows("shelf", "2026-10-08", 112.4, 5)
    review = qa.review(make_works(tmp_path, weights, labels=LABELS))
    assert outcomes(review) == {"uk-2006-659": "accept", "ca-crc-417": "unsettled"}
    assert review.findings[0].kind == "on sale and short"
    assert "5 weighed on the shelf average 7.6 g short of 120 g" in review.findings[0].text


def test_loaves_are_counted_only_where_every_bar_was_weighed_at_cutting(tmp_path: Path) -> None:
    # ten of twelve loaves sampled; 84 packages would make ten loaves of nine, were none pulled
    packed = HEAD + "".join(
        f"B1,packed,2026-10-06,{w},g,one loaf,{i // 3 + 1},,kept\n"
        for i, w in enumerate(around(121.0))
    )
    batches = BATCHES.replace(",200,", ",84,")
    products = "product,name,form,bars_per_loaf\nbar,Test bar,bar,9\n"
    works = make_works(tmp_path / "a", packed, batches=batches, products=products)
    own = qa.review(works).checks[0].own
    assert own is not None and own.groups == 10 and own.group_total is None
    cut = "".join(
        f"B1,cut,2026-09-02,{130 + i % 7 / 10:.1f},g,all,{i // 9 + 1},{i % 9 + 1},kept\n"
        for i in range(108)
    )
    works = make_works(tmp_path / "b", packed + cut, batches=batches, products=products)
    own = qa.review(works, "2026-10-06").checks[0].own
    assert own is not None and own.group_total == 12


def test_a_chart_signal_reaches_the_batch_of_several_runs(tmp_path: Path) -> None:
    lines = [
        f"B{k},packed,2026-09-{k + 1:02d},{w + k % 3 / 10:.1f},g,random,,,kept"
        for k in range(1, 13)
        for w in around(121.0, 10)
    ]
    days = ("2026-10-06", "2026-10-07")
    lines += [f"Z1,packed,{day},{w},g,random,,,kept" for day in days for w in around(125.0, 10)]
    batches = "batch,product,packages,packed_on,pack_code\n"
    batches += "".join(f"B{k},bar,99,2026-09-{k + 1:02d},\n" for k in range(1, 13))
    batches += "Z1,bar,50,2026-10-06,P1\nZ1,bar,50,2026-10-07,P2\n"
    works = make_works(tmp_path, HEAD + "\n".join(lines) + "\n", batches=batches)
    found = qa.review(works, "2026-10-06").findings
    assert any(one.kind == "unlike the others" and "Z1" in one.text for one in found)


def test_a_book_that_judges_in_the_shop_says_what_may_be_lost_until_then(tmp_path: Path) -> None:
    works = make_works(tmp_path, around(122.0, 50), labels=LABELS)
    review = qa.review(works)
    notes = {check.book.name: check.note for check in review.checks[0].books}
    # 1 - 120 / 121.84 = 1.51 %, rounded down: nine in ten intervals of the mean begin at 121.84 g
    assert notes == {
        "uk-2006-659": "",
        "ca-crc-417": "as packed: may lose 1.5 % by sale and still average 120 g",
    }
    assert review.batches["ca-crc-417"].tolist() == ["would pass as packed"]
    jars = "product,name,form\nbar,Balm,tin\n"
    tins = qa.review(make_works(tmp_path / "t", around(122.0, 50), labels=LABELS, products=jars))
    assert [check.note for check in tins.checks[0].books] == ["", ""]  # a tin does not dry


def test_one_loaf_left_blank_does_not_undo_the_loaves(tmp_path: Path) -> None:
    weights = around(121.0, 18)
    lines = [f"B1,packed,2026-10-06,{w},g,one loaf,{i // 6 + 1},,kept"
             for i, w in enumerate(weights)]  # fmt: skip
    lines[4] = lines[4].replace(",1,,kept", ",,,kept")
    own = qa.review(make_works(tmp_path, HEAD + "\n".join(lines) + "\n")).checks[0].own
    assert own is not None and own.groups == 4


def test_handling_only_the_sample_is_said(tmp_path: Path) -> None:
    weights = HEAD + rows("packed", "2026-10-06", 121.0, 30)
    weights += "B1,packed,2026-10-06,112.0,g,random,,,pulled\n"
    own = qa.review(make_works(tmp_path / "light", weights)).checks[0].own
    assert own is not None and own.handled == 1 and math.isnan(own.short_upper)
    assert own.cautions[0].startswith("1 of the sample was topped up or taken out for the weight")
    # a second, taken out for its looks, leaves the sample a fair one
    looks = qa.review(make_works(tmp_path / "looks", weights.replace("112.0", "121.0")))
    own = looks.checks[0].own
    assert own is not None and own.handled == 0 and not math.isnan(own.mean_lower)


def test_what_plan_csv_asks_is_compared(tmp_path: Path) -> None:
    # 120.0, 120.1, 120.1, 120.2, 120.3, 120.3, 120.4 g are under 120.5 g
    plan = (
        "product,stage,how_many,how_often,low,high,what_to_do\n"
        "bar,packed,40,every batch,120.5,,tell LT\n"
    )
    review = qa.review(make_works(tmp_path, around(121.0), plan=plan))
    batch = review.checks[0]
    assert batch.planned == "plan.csv asks for 40 a batch, 30 weighed"
    # evenly from 120.0 to 122.0 g: 7 of 30 under 120.5 g
    assert "7 of 30 under the 120.5 g of plan.csv (tell LT)" in batch.remarks
    assert review.findings[0].kind == "too few weighed"


def test_many_readings_with_one_cause_are_one_line(tmp_path: Path) -> None:
    weights = HEAD + rows("packed", "2026-10-06", 121.0, 30)
    weights += "".join(f"B1,packed,2026-10-06,{w},g,random,,,kept\n" for w in (150, 151, 152, 153))
    table = make_works(tmp_path, weights).weighings.table
    far = table.loc[table["remark"] != ""]
    assert len(far) == 4
    one_cause = table.assign(
        remark=table["remark"].where(table["remark"] == "", "far off: so much")
    )
    assert _pointed_out(one_cause) == [
        "4 readings, the first in row 32 of weights/oct.csv: far off"
    ]
    assert len(_pointed_out(one_cause.drop(far.index[0]))) == 3  # three are told one by one


def test_packed_in_the_week_and_never_weighed_is_a_finding(tmp_path: Path) -> None:
    batches = BATCHES + "B2,bar,2026-09-02,96,2026-10-07,2026-11-20\n"
    review = qa.review(make_works(tmp_path, around(121.0), batches=batches))
    assert [(f.kind, f.text) for f in review.findings] == [
        ("not weighed", "B2: Packed on 7 October, 96 packages, and nothing weighed.")
    ]


def test_packed_in_the_week_and_weighed_before_is_judged(tmp_path: Path) -> None:
    weights = HEAD + "".join(f"B1,cured,2026-09-30,{w},g,random,,,kept\n" for w in around(121.0))
    review = qa.review(make_works(tmp_path, weights), "2026-10-06")
    assert outcomes(review) == {"eu-76-211": "accept"}


def test_fresh_bars_under_their_label_are_already_short(tmp_path: Path) -> None:
    weights = "batch,stage,when,slot1,slot2,slot3,unit\nB1,cut,2026-09-02,118,119,117,g\n"
    review = qa.review(make_works(tmp_path, weights))
    assert review.fresh["may lose, %"].tolist() == ["already short"]
    assert "already 2.0 g short of 120 g" in review.findings[0].text
    assert "-" not in review.findings[0].text


def test_the_lightest_fresh_bar_is_an_early_warning(tmp_path: Path) -> None:
    slots = "131,132,130,131,131,132,131,130,122"
    weights = f"batch,stage,when,{','.join(f'slot{i}' for i in range(1, 10))},unit\n"
    batches = BATCHES.replace(",200,", ",9,")
    works = make_works(tmp_path, weights + f"B1,cut,2026-09-02,{slots},g\n", batches=batches)
    review = qa.review(works)
    assert [finding.kind for finding in review.findings] == ["drying"]
    # 1 - 114.6 / 122 = 6.07 %, and it usually loses 7.5 %
    assert "the lightest bar may lose only 6 %" in review.findings[0].text


@pytest.mark.parametrize("where", ["2026-10-06", ""])
def test_readings_of_the_week_not_used_are_a_line(tmp_path: Path, where: str) -> None:
    weights = "batch,stage,when,weight,unit\n"
    weights += "".join(f"B1,packed,2026-10-06,{w},g\n" for w in around(121.0))
    weights += f"B9,packed,{where},121.3,g\n"
    old = "".join(f"B1,packed,2026-09-{day},broken,g\n" for day in (10, 11))
    review = qa.review(make_works(tmp_path, weights + old))
    (finding,) = review.findings
    assert finding.kind == "not used"
    assert finding.text.startswith("1 reading of the week not used") and "oct.csv" in finding.text
    assert review.not_used["value"].tolist() == ["121.3"] and review.not_used_before == 2


def test_a_reading_in_doubt_of_an_earlier_week_stays_open(tmp_path: Path) -> None:
    batches = BATCHES + "B0,bar,2026-08-20,90,2026-09-25,2026-11-20\n"
    weights = "batch,stage,when,weight,unit\nB0,packed,2026-09-25,48.0,g\n"
    weights += "".join(f"B1,packed,2026-10-06,{w},g\n" for w in around(121.0))
    review = qa.review(make_works(tmp_path, weights, batches=batches), "2026-10-06")
    (finding,) = review.findings
    assert (finding.kind, finding.batch) == ("to answer", "B0")
    assert "Open from an earlier week: 48" in finding.text


def test_weighings_without_a_stage_are_judged_with_those_packed(tmp_path: Path) -> None:
    weights = HEAD + rows("packed", "2026-10-06", 121.0, 30) + rows("", "2026-10-06", 117.0, 50)
    batch = qa.review(make_works(tmp_path, weights)).checks[0]
    assert len(batch.sold) == 80 and batch.own is not None and batch.own.finding == "short"
    assert "50 weighings without a stage: taken as packed" in batch.remarks


def test_the_shelf_clears_nothing_that_is_judged_at_packing(tmp_path: Path) -> None:
    weights = HEAD + rows("shelf", "2026-10-08", 117.0, 60)
    review = qa.review(make_works(tmp_path, weights))
    assert outcomes(review) == {"eu-76-211": "too few"}
    assert "nothing was weighed at packing, when this book judges" in str(review)


def test_a_shelf_under_its_label_is_said_where_packing_is_judged(tmp_path: Path) -> None:
    weights = HEAD + rows("packed", "2026-10-06", 122.0, 50)
    weights += rows("shelf", "2026-10-08", 118.0, 50)
    review = qa.review(make_works(tmp_path, weights))
    assert outcomes(review) == {"eu-76-211": "accept"}
    (finding,) = review.findings
    assert finding.kind == "drying" and "mean 118.0 g, 2.0 g short of 120 g" in finding.text


def test_goods_that_are_out_and_not_cleared_come_early(tmp_path: Path) -> None:
    dispatch = "batch,when,quantity\nB1,2026-10-06,40\n"
    review = qa.review(make_works(tmp_path, around(121.0, 6), dispatch=dispatch))
    assert review.findings[0].kind == "out and not cleared"
    assert "40 of 200 sent" in review.findings[0].text and "24 more" in review.findings[0].text


def test_many_short_ones_are_counted_where_an_inspection_may_fail(tmp_path: Path) -> None:
    rng = random.Random(5)
    weights = [round(rng.gauss(122.5, 1.0), 2) for _ in range(72)]
    weights += [112.01, 112.3, 111.9, 112.55, 112.2, 111.75, 112.42, 112.13]
    (finding,) = qa.review(make_works(tmp_path, weights)).findings
    assert finding.kind == "not cleared"
    assert "8 of 80 short by more than allowed" in finding.text and "hold it" in finding.text


def test_a_doubt_is_never_shipped_in_the_facts(tmp_path: Path) -> None:
    facts = qa.review(make_works(tmp_path, [*around(122.0, 30), 48.0])).to_dict()
    assert facts["batches"][0]["books"][0]["outcome"] == "unsettled"
    assert facts["batches"][0]["books"][0]["may_ship"] is False


def test_what_could_not_be_used_was_weighed_all_the_same(tmp_path: Path) -> None:
    batches = BATCHES + "B2,bar,2026-09-02,96,2026-10-07,2026-11-20\n"
    weights = HEAD + rows("packed", "2026-10-06", 121.0, 30)
    weights += "B2,packed,2026-10-07,118 ml,g,random,,,kept\n" * 2
    text = str(qa.review(make_works(tmp_path, weights, batches=batches)))
    assert "none of its 2 weighings could be used" in text


def test_what_a_book_says_of_a_failure_stands_beside_it(tmp_path: Path) -> None:
    """SI 2006/659 regulation 14: one known to have failed may not be sold uncorrected."""
    labels = "product,declared,unit,books\nbar,120,g,uk-2006-659\n"
    failed = qa.review(make_works(tmp_path / "f", around(116.0), labels=labels))
    assert "uk-2006-659: " in failed.checks[0].notes[0] and "offence" in str(failed)
    passed = qa.review(make_works(tmp_path / "p", around(121.0), labels=labels))
    assert "offence" not in str(passed)
