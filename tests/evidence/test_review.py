"""The weekly review: who is judged by what, and what is said first."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from works_folder import BATCHES, LABELS, around, make_works

import qa_tools as qa
from qa_tools.evidence.findings import RANKS, Finding, rank

HEAD = "batch,stage,when,weight,unit,picked,loaf,slot,fate\n"


def kinds(review: qa.Review) -> list[str]:
    return [finding.kind for finding in review.findings]


def outcomes(review: qa.Review) -> dict[str, str]:
    return {check.book.name: check.outcome for batch in review.checks for check in batch.books}


def test_a_good_batch_asks_for_nothing(tmp_path: Path) -> None:
    review = qa.review(make_works(tmp_path, around(121.0)))
    assert review.findings == ()
    assert outcomes(review) == {"eu-76-211": "accept"}
    assert "Nothing found to do" in str(review)
    # 1.0 g over 200 packages is 0.2 kg, at 10 a kg
    row = review.giveaway.iloc[0]
    assert row["given away, kg"] == pytest.approx(0.2, abs=0.005)
    assert row["given away, money"] == pytest.approx(2.0, abs=0.05)


def test_short_and_on_sale_comes_before_all(tmp_path: Path) -> None:
    batches = BATCHES.replace("2026-11-20", "2026-10-05")
    review = qa.review(make_works(tmp_path, around(118.0), batches=batches))
    assert kinds(review)[0] == "on sale and short"
    assert "averages 2.0 g short" in review.findings[0].text
    assert "on sale since 5 October" in review.findings[0].text


def test_short_before_sale_is_held(tmp_path: Path) -> None:
    review = qa.review(make_works(tmp_path, around(118.0)))
    assert kinds(review)[0] == "not cleared"
    assert "due on sale 20 November 2026" in review.findings[0].text


def test_sent_goods_are_out_though_no_sale_date_is_given(tmp_path: Path) -> None:
    dispatch = "batch,when,quantity\nB1,2026-10-06,40\nB1,2026-10-09,10\n"
    works = make_works(tmp_path, around(118.0), dispatch=dispatch)
    on_the_day = qa.review(works, as_of="2026-10-06")
    assert "40 of 200 sent" in on_the_day.findings[0].text
    assert "50 of 200 sent" in qa.review(works).findings[0].text


def test_a_hold_that_is_open_ranks_last_and_a_closed_one_does_not(tmp_path: Path) -> None:
    actions = "id,when,batch,what,reason,by,closes\nA1,2026-10-06,B1,hold,short,LT,\n"
    review = qa.review(make_works(tmp_path / "a", around(118.0), actions=actions))
    assert kinds(review) == ["held"]
    actions += "A2,2026-10-06,B1,release,weighed again,LT,A1\n"
    review = qa.review(make_works(tmp_path / "b", around(118.0), actions=actions))
    assert kinds(review) == ["not cleared"]


def test_a_pass_is_never_said_without_the_mean(tmp_path: Path) -> None:
    review = qa.review(make_works(tmp_path, around(119.8, spread=2.0)))
    assert outcomes(review) == {"eu-76-211": "accept"}
    assert kinds(review) == ["averages short"]
    assert "would pass inspection, but averages 0.2 g short: raise the fill" in str(review)


def test_a_package_beyond_twice_is_named_by_loaf_and_slot(tmp_path: Path) -> None:
    weights = around(122.0)
    lines = [
        f"B1,packed,2026-10-06,{weight},g,random,{i // 9 + 1},{i % 9 + 1},kept"
        for i, weight in enumerate([*weights[:-1], 109.1])
    ]
    review = qa.review(make_works(tmp_path, HEAD + "\n".join(lines) + "\n"))
    assert review.pull[["loaf", "slot", "net_g"]].to_numpy().tolist() == [["4", 3, 109.1]]
    assert kinds(review)[0] == "to pull"
    assert "loaf 4 slot 3 (109.1 g)" in review.findings[0].text
    facts = review.to_dict()["batches"][0]["books"][0]
    assert facts["outcome"] == "accept" and facts["may_ship"] is False


def test_exactly_twice_allowed_is_not_pulled(tmp_path: Path) -> None:
    review = qa.review(make_works(tmp_path, [*around(122.0)[:-1], 109.2]))
    assert review.pull.empty


def test_pulled_packages_are_not_judged(tmp_path: Path) -> None:
    lines = [f"B1,packed,2026-10-06,{w},g,random,,,kept" for w in around(121.0)]
    lines += ["B1,packed,2026-10-06,100.0,g,random,,,pulled"] * 3
    review = qa.review(make_works(tmp_path, HEAD + "\n".join(lines) + "\n"))
    batch = review.checks[0]
    assert (len(batch.sold), batch.made) == (30, 33)
    assert outcomes(review) == {"eu-76-211": "accept"} and review.pull.empty


def test_a_reading_in_doubt_keeps_a_pass_from_showing(tmp_path: Path) -> None:
    weights = [*around(122.0)[:-1], 48.0]
    review = qa.review(make_works(tmp_path / "open", weights))
    assert outcomes(review) == {"eu-76-211": "unsettled"}
    assert "48" in review.checks[0].books[0].reason and "row 31" in review.checks[0].books[0].reason
    assert kinds(review)[0] == "to answer"
    assert review.pull.empty, "a reading in doubt is not a package to pull"
    head = "name,value,who,when\n"
    slip = make_works(
        tmp_path / "slip", weights, settings=head + "row 31 of oct.csv,slip,LT,2026-10-07\n"
    )
    assert outcomes(qa.review(slip)) == {"eu-76-211": "too few"}  # 29 of 30 are left
    real = make_works(
        tmp_path / "real", weights, settings=head + "row 31 of oct.csv,real,LT,2026-10-07\n"
    )
    answered = qa.review(real)
    assert outcomes(answered) == {"eu-76-211": "accept"} and len(answered.pull) == 1


def test_a_batch_that_fails_with_and_without_the_doubt_fails(tmp_path: Path) -> None:
    review = qa.review(make_works(tmp_path, [*around(115.0, n=40), 48.0]))
    assert outcomes(review) == {"eu-76-211": "reject"}


def test_fresh_bars_get_no_verdict_but_what_they_may_lose(tmp_path: Path) -> None:
    weights = "batch,stage,when,slot1,slot2,slot3,unit\nB1,cut,2026-09-02,131,130,132,g\n"
    batches = BATCHES.replace(",200,", ",3,")
    review = qa.review(make_works(tmp_path, weights, batches=batches))
    assert review.batches.empty and review.giveaway.empty
    row = review.fresh.iloc[0]
    # 1 - 120 / 131 = 8.39 %, rounded down; the lightest may go to 114.6: 1 - 114.6 / 130 = 11.8 %
    assert row["may lose, %"] == 8.3
    assert row["may lose before the lightest is short by more than allowed, %"] == 11.8
    assert kinds(review) == []
    lighter = qa.review(
        make_works(tmp_path / "light", weights.replace("131,130,132", "129,128,130"))
    )
    assert kinds(lighter) == ["drying"]  # may lose 6.9 %, usually loses 7.5 %


def test_the_label_of_the_packing_date_judges(tmp_path: Path) -> None:
    labels = (
        "product,declared,unit,market,books,from,to\n"
        "bar,115,g,EU,eu-76-211,2026-01-01,2026-09-30\nbar,120,g,EU,eu-76-211,2026-10-01,\n"
    )
    old = BATCHES.replace("2026-10-06", "2026-09-29")
    assert (
        qa.review(make_works(tmp_path / "new", around(118.0), labels=labels)).checks[0].declared
        == "120 g"
    )
    review = qa.review(make_works(tmp_path / "old", around(118.0), labels=labels, batches=old))
    assert review.checks[0].declared == "115 g"


def test_books_follow_the_market_where_none_is_named(tmp_path: Path) -> None:
    labels = "product,declared,unit,market\nbar,120,g,CA\nbar,120,g,UK\n"
    review = qa.review(make_works(tmp_path, around(121.0, n=50), labels=labels))
    assert set(outcomes(review)) == {"ca-crc-417", "uk-2006-659"}


def test_books_asked_for_replace_those_of_the_label(tmp_path: Path) -> None:
    works = make_works(tmp_path, around(121.0, n=12))
    assert set(outcomes(qa.review(works, books="us-hb133"))) == {"us-hb133"}
    with pytest.raises(ValueError, match="did you mean 'us-hb133'"):
        qa.review(works, books=["us-hb13"])


def test_what_rests_on_memory_says_so_in_every_place(tmp_path: Path) -> None:
    labels = "product,declared,unit,books\nbar,120,g,us-hb133\n"
    review = qa.review(make_works(tmp_path, around(118.0), labels=labels))
    assert "would fail inspection under us-hb133 (from memory)" in review.findings[0].text
    assert review.batches["us-hb133"].tolist() == ["would fail (from memory)"]
    assert set(review.tests["figures"]) == {"from memory"}
    assert "From memory, compare with" in str(review)
    assert review.to_dict()["batches"][0]["books"][0]["from_memory"] is True


def test_a_figure_recorded_as_checked_is_no_longer_from_memory(tmp_path: Path) -> None:
    labels = "product,declared,unit,books\nbar,120,g,us-hb133\n"
    weights = around(121.0, n=12)
    before = qa.review(make_works(tmp_path / "a", weights, labels=labels))
    names = before.from_memory["figure"].tolist()
    assert names == ["us-hb133 MAV 117-154 g", "us-hb133 plan 12-250"]
    settings = "name,value,who,when\n" + f"checked {names[0]},page A-12,LT,2026-10-01\n"
    after = qa.review(make_works(tmp_path / "b", weights, labels=labels, settings=settings))
    assert after.from_memory["figure"].tolist() == names[1:]
    figure = after.checks[0].books[0].verdict.figures[0]  # type: ignore[union-attr]
    assert figure.grade == "checked" and "page A-12, LT, 2026-10-01" in figure.clause


def test_unknown_lot_size_is_said_and_never_guessed(tmp_path: Path) -> None:
    review = qa.review(make_works(tmp_path, around(121.0), batches=BATCHES.replace(",200,", ",,")))
    assert outcomes(review) == {"eu-76-211": "unsettled"}
    assert "batches.csv does not say" in review.findings[0].text
    assert review.checks[0].own is not None, "our own check needs no lot size"


def test_more_weighed_than_packed_is_a_finding(tmp_path: Path) -> None:
    review = qa.review(
        make_works(tmp_path, around(121.0), batches=BATCHES.replace(",200,", ",25,"))
    )
    assert outcomes(review) == {"eu-76-211": "unsettled"}
    assert "30 weighed of 25 packed" in review.findings[0].text


def test_a_product_without_a_label_is_said(tmp_path: Path) -> None:
    labels = LABELS.replace("bar,", "other,")
    review = qa.review(make_works(tmp_path, around(121.0), labels=labels))
    assert kinds(review) == ["not cleared"] and "Not judged" in review.findings[0].text


def test_the_least_that_works(tmp_path: Path) -> None:
    weights = "batch,weight\n" + "".join(f"B1,{w}\n" for w in around(121.0))
    least = {"labels": "product,declared\nbar,120 g\n", "products": "product\nbar\n"}
    batches = "batch,product,packages\nB1,bar,200\n"
    assert len(qa.review(make_works(tmp_path / "a", weights, batches=batches, **least)).checks) == 1
    dated = "product,weight,when\n" + "".join(f"bar,{w},2026-10-06\n" for w in around(121.0))
    none = "batch,product,packages\n"
    assert len(qa.review(make_works(tmp_path / "b", dated, batches=none, **least)).checks) == 1


def test_a_hold_does_not_hide_what_was_sent_short(tmp_path: Path) -> None:
    actions = "id,when,batch,what,reason,by,closes\nA1,2026-10-06 14:00,B1,Hold,short,LT,\n"
    dispatch = "batch,when,quantity\nB1,2026-10-06,50\n"
    works = make_works(tmp_path, around(117.0), actions=actions, dispatch=dispatch)
    finding = qa.review(works).findings[0]
    assert finding.kind == "on sale and short"
    assert "50 of 200 sent, on hold since today (A1)" in finding.text


def test_few_loaves_speak_for_themselves(tmp_path: Path) -> None:
    lines = [
        f"B1,packed,2026-10-06,{w},g,one loaf,{i // 9 + 1},{i % 9 + 1},kept"
        for i, w in enumerate(around(121.0, n=18))
    ]
    review = qa.review(make_works(tmp_path, HEAD + "\n".join(lines) + "\n"))
    remarks = " ".join(review.checks[0].notes)
    assert "From 2 loaves" in remarks and "not picked at random" in remarks
    assert "it speaks for these" in str(review)


def test_a_week_without_weighings_says_which_have_some(tmp_path: Path) -> None:
    works = make_works(tmp_path, around(121.0))
    with pytest.raises(ValueError, match="they run from 2026-10-06 to 2026-10-06"):
        qa.review(works, "2026-W30")


def test_undated_weighings_take_the_day_of_their_batch(tmp_path: Path) -> None:
    weights = "batch,stage,weight,unit\n" + "".join(f"B1,packed,{w},g\n" for w in around(121.0))
    works = make_works(tmp_path, weights)
    assert len(qa.review(works, "2026-10-06").checks) == 1
    everything = qa.review(works)
    assert everything.week is None and len(everything.checks) == 1
    assert everything.title.endswith("undated weighings")


def test_what_comes_later_does_not_change_an_earlier_week(tmp_path: Path) -> None:
    lines = [f"B1,packed,2026-10-06,{w},g,random,,,kept" for w in around(121.0)]
    later = [f"B1,packed,2026-10-20,{w},g,random,,,kept" for w in around(110.0)]
    works = make_works(tmp_path, HEAD + "\n".join(lines + later) + "\n")
    assert len(qa.review(works, "2026-10-06").checks[0].sold) == 30
    assert len(qa.review(works, "2026-10-20").checks[0].sold) == 60


def test_shelf_weighings_are_judged_where_the_book_judges_at_sale(tmp_path: Path) -> None:
    labels = "product,declared,unit,books\nbar,120,g,uk-2006-659 ca-crc-417\n"
    lines = [f"B1,packed,2026-10-06,{w},g,random,,,kept" for w in around(121.0, n=50)]
    lines += [f"B1,shelf,2026-10-08,{w},g,random,,,kept" for w in around(117.0, n=50)]
    review = qa.review(make_works(tmp_path, HEAD + "\n".join(lines) + "\n", labels=labels))
    assert outcomes(review) == {"uk-2006-659": "accept", "ca-crc-417": "reject"}


def test_files_that_cannot_be_read_lead(tmp_path: Path) -> None:
    (tmp_path / "weights").mkdir()
    (tmp_path / "weights" / "photo.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)))
    review = qa.review(make_works(tmp_path, around(121.0)))
    assert kinds(review)[0] == "files not read"
    assert "photo.csv" in review.findings[0].text


def test_a_bad_cell_does_not_come_before_what_is_sold_short(tmp_path: Path) -> None:
    batches = BATCHES.replace("2026-11-20", "2026-10-05")
    products = "product,name,form,cost_per_kg\nbar,Test bar,bar,ten\n"
    review = qa.review(make_works(tmp_path, around(118.0), batches=batches, products=products))
    assert kinds(review) == ["on sale and short", "list to mend"]
    text = str(review)
    assert "Not read" not in text
    assert "Cells of lists to mend:" in text and "in row 2, column cost_per_kg: 'ten'" in text
    page = qa.weekly_page(review, tmp_path / "p.html").read_text(encoding="utf-8")
    assert "Cells of lists to mend" in page and "Files that could not be read" not in page


def test_a_product_listed_twice_does_not_stop_the_review(tmp_path: Path) -> None:
    products = "product,name,form,cost_per_kg\nbar,Test bar,bar,10\nbar,Test bar,bar,12\n"
    review = qa.review(make_works(tmp_path, around(121.0), products=products))
    assert review.giveaway["given away, money"].tolist() == pytest.approx([2.0], abs=0.05)


def test_a_figure_checked_under_a_name_that_is_none_is_said(tmp_path: Path) -> None:
    labels = "product,declared,unit,books\nbar,120,g,us-hb133\n"
    settings = "name,value,who,when\nchecked us-hb133 MAV 117-145 g,page 3,LT,2026-10-01\n"
    works = make_works(tmp_path, around(121.0), labels=labels, settings=settings)
    text = " ".join(finding.text for finding in qa.review(works).findings)
    assert '"checked us-hb133 MAV 117-145 g"' in text
    assert 'is "us-hb133 MAV 117-154 g" meant?' in text


def test_ranks_cover_every_kind_and_join_by_batch() -> None:
    found = rank([Finding(kind, "A", kind.capitalize() + ".") for kind in reversed(RANKS)])
    assert len(found) == 1 and found[0].kind == RANKS[0]
    assert found[0].text.startswith("A: On sale and short. On hold, yet sent.")
    apart = rank([Finding("drying", "", "One."), Finding("drying", "", "Two.")])
    assert [finding.text for finding in apart] == ["One.", "Two."]


def test_the_facts_for_machines_are_plain_json(demo_works: qa.Works) -> None:
    review = qa.review(demo_works)
    facts = json.loads(json.dumps(review.to_dict(), allow_nan=False))
    assert facts["format"] == 1
    assert facts["week"] == ["2026-10-26", "2026-11-01"]
    assert {batch["batch"] for batch in facts["batches"]} == {b.batch for b in review.checks}
    lost = len(facts["not_used"]) + facts["not_used_before"]
    assert lost == len(demo_works.weighings.not_used)
    assert {"labels.csv", "settings.csv", "tare.csv"} <= {file["file"] for file in facts["files"]}


def test_the_last_week_of_the_demo_is_as_planted(demo_works: qa.Works) -> None:
    review = qa.review(demo_works)
    found = {(batch.batch, c.book.name): c.outcome for batch in review.checks for c in batch.books}
    assert review.findings[0].batch == "RS-1028" and review.findings[0].kind == "on sale and short"
    assert {found["RS-1028", book] for book in ("eu-76-211", "uk-2006-659", "ca-crc-417")} == {
        "reject"
    }
    assert found["RS-1029", "eu-76-211"] == "too few"
    assert found["CB-1030", "us-hb133"] == "accept"
    assert review.pull[["batch", "loaf", "slot"]].to_numpy().tolist() == [["OH-0922", "9", 5]]
    assert set(review.fresh["batch"]) == {"OH-1027"}
    assert len(review.to_do) <= 6


def test_pulling_a_package_leaves_a_batch_weighed_in_full(tmp_path: Path) -> None:
    rng = random.Random(3)
    weights = [round(rng.gauss(121, 1.5), 2) for _ in range(95)]
    lines = [f"B1,packed,2026-10-06,{w},g,all,,,kept" for w in weights]
    lines += ["B1,packed,2026-10-06,105.0,g,all,,,pulled"]
    batches = BATCHES.replace(",200,", ",96,")
    works = make_works(tmp_path, HEAD + "\n".join(lines) + "\n", batches=batches)
    assert outcomes(qa.review(works)) == {"eu-76-211": "accept"}


def test_a_package_is_pulled_though_the_lot_size_is_not_known(tmp_path: Path) -> None:
    batches = BATCHES.replace(",200,", ",,")
    review = qa.review(make_works(tmp_path, [*around(121.0)[:-1], 100.0], batches=batches))
    assert review.pull["net_g"].tolist() == [100.0]


def test_a_mistyped_book_in_a_label_is_said_and_the_rest_goes_on(tmp_path: Path) -> None:
    labels = LABELS + "bar,120,g,UK,uk-2006-65\n"
    review = qa.review(make_works(tmp_path, around(121.0), labels=labels))
    assert outcomes(review) == {"eu-76-211": "accept"}
    assert "did you mean 'uk-2006-659'" in review.findings[0].text


def test_a_review_as_of_a_day_knows_nothing_later(tmp_path: Path) -> None:
    lines = [f"B1,packed,2026-10-0{day},{w},g,random,,,kept"
             for day, mean in ((6, 121.0), (8, 110.0)) for w in around(mean)]  # fmt: skip
    works = make_works(tmp_path, HEAD + "\n".join(lines) + "\n")
    review = qa.review(works, "2026-10-06", as_of="2026-10-06")
    assert len(review.checks[0].sold) == 30
    with pytest.raises(ValueError, match="the first weighing is of 6 October 2026"):
        qa.review(works, as_of="2026-10-01")
    with pytest.raises(ValueError, match="10 June 2026 or 6 October 2026"):
        qa.review(works, as_of="06/10/2026")
    with pytest.raises(ValueError, match="'soon' is no date"):
        qa.review(works, as_of="soon")


def test_newer_weighings_than_the_default_week_are_told(tmp_path: Path) -> None:
    lines = [f"B1,packed,{day},{w},g,random,,,kept"
             for day in ("2026-10-02", "2026-10-07") for w in around(121.0)]  # fmt: skip
    works = make_works(tmp_path, HEAD + "\n".join(lines) + "\n")
    assert "30 weighings from 7 October 2026 on: not in this week" in str(qa.review(works))
    assert qa.review(works, "2026-10-02").later == ""


def test_weekdays_that_are_none_do_not_stop_the_review(tmp_path: Path) -> None:
    settings = "name,value,who,when\nfirst day of the week,Mittwoch,LT,2026-10-01\n"
    review = qa.review(make_works(tmp_path, around(121.0), settings=settings))
    assert any("Mittwoch" in finding.text for finding in review.findings)


def test_columns_nobody_knows_are_named(tmp_path: Path) -> None:
    weights = "batch,stage,when,weight,unit,mood\n"
    weights += "".join(f"B1,packed,2026-10-06,{w},g,fine\n" for w in around(121.0))
    review = qa.review(make_works(tmp_path, weights))
    assert 'no use is made of the columns "mood"' in str(review)
    assert "mood" in review.show("basis").html()


def test_a_week_in_which_no_test_could_run_has_a_table_of_them(tmp_path: Path) -> None:
    review = qa.review(make_works(tmp_path, around(121.0, n=3)))
    assert review.tests[["outcome", "clause"]].to_numpy().tolist() == [["too few", ""]]
