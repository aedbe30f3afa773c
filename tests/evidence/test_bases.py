"""Base periods from settings.csv: in force, set anew, and told where they cannot be."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from works_folder import make_works

import qa_tools as qa
from qa_tools.evidence.bases import Agreed, in_force

LABELS = [f"B-{number:02}" for number in range(1, 21)]
DAY = pd.Timestamp("2026-10-05")


def agreed(value: str, when: pd.Timestamp | None = DAY) -> Agreed:
    return Agreed("chart base of bar, filled", value, pd.NaT if when is None else when)


def folder(path: Path, settings: str) -> qa.Works:
    """Fourteen batches, one a day."""
    days = pd.date_range("2026-09-01", periods=14)
    weights = "batch,stage,when,weight,unit\n" + "".join(
        f"B-{number:02},filled,{day:%Y-%m-%d},{121 + (number * 7) % 5 / 2 + step},g\n"
        for number, day in enumerate(days, 1)
        for step in (-1, 0, 1.5, 0.3)
    )
    batches = "batch,product,packages,packed_on\n" + "".join(
        f"B-{number:02},bar,200,{day:%Y-%m-%d}\n" for number, day in enumerate(days, 1)
    )
    head = "name,value,who,when\n"
    return make_works(path, weights, batches=batches, settings=head + settings)


def test_a_period_is_read_as_people_write_it() -> None:
    bases, faults = in_force([agreed("b 03  to B-12 :  new scoop")], LABELS, LABELS)
    assert faults == []
    assert (bases[0].first, bases[0].last) == ("B-03", "B-12")
    assert (bases[0].agreed, bases[0].reason) == ("2026-10-05", "new scoop")
    assert in_force([agreed("B-01 to B-12", None)], LABELS, LABELS)[0][0].agreed == ""


def test_a_later_row_sets_limits_anew_and_replaces_what_it_overlaps() -> None:
    rows = [agreed("B-01 to B-08"), agreed("B-11 to B-16: new mould")]
    bases, _ = in_force(rows, LABELS, LABELS)
    assert [base.first for base in bases] == ["B-01", "B-11"]
    bases, _ = in_force([*rows, agreed("B-01 to B-18: more batches")], LABELS, LABELS)
    assert [(base.first, base.reason) for base in bases] == [("B-01", "more batches")]


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("the first twelve", "it is no period"),
        ("B-01 to B-21", "no batch charted here is called B-21"),
        ("B-01 to BB-10", "called BB-10 (is B-10 meant?)"),
        ("B-09 to B-02", "B-02 does not come after B-09"),
        ("B-09 to B-09", "B-09 does not come after B-09"),
    ],
)
def test_a_base_that_cannot_be_is_told(value: str, says: str) -> None:
    bases, (fault,) = in_force([agreed(value)], LABELS, LABELS)
    assert bases == []
    assert fault.kind == "to answer"
    assert fault.text.startswith(
        f'settings.csv: the value "{value}" of "chart base of bar, filled"'
    )
    assert says in fault.text
    assert fault.text.endswith('as "B-01 to B-20: new scoop".')


@pytest.mark.parametrize("row", [agreed("B-11 to B-16"), agreed("B-11 to B-16: mould", None)])
def test_new_limits_need_a_reason_and_a_day(row: Agreed) -> None:
    bases, (fault,) = in_force([agreed("B-01 to B-08"), row], LABELS, LABELS)
    assert [base.first for base in bases] == ["B-01"]
    assert "need the reason, and their day" in fault.text


def test_batches_after_the_week_are_not_in_force_yet_and_no_fault() -> None:
    assert in_force([agreed("B-01 to B-20")], LABELS[:9], LABELS) == ([], [])


@pytest.mark.parametrize("name", ["bar, filled", "Test bar, filled", "BAR,  Filled"])
def test_the_chart_shows_day_and_reason(tmp_path: Path, name: str) -> None:
    works = folder(tmp_path, f'"chart base of {name}",B-02 to B-09: new scoop,LT,2026-09-10\n')
    review = qa.review(works)
    chart = review.charts[0].chart
    assert "Limits were set on B-02 to B-09 (8 batches) and held from B-10 on" in chart.note
    assert ", agreed on 2026-09-10: new scoop." in chart.note
    assert chart.points["base"].tolist() == [False, *[True] * 8, *[False] * 4]
    assert review.questions.empty, "the reader knows the setting"
    assert review.to_dict()["charts"][0]["base"] == [
        {"first": "B-02", "last": "B-09", "agreed": "2026-09-10", "reason": "new scoop",
         "without": {}}
    ]  # fmt: skip


def test_new_limits_are_marked_in_the_picture(tmp_path: Path) -> None:
    works = folder(
        tmp_path,
        '"chart base of bar, filled",B-01 to B-05,LT,2026-09-06\n'
        '"chart base of bar, filled",B-07 to B-12: new scoop,LT,2026-09-13\n',
    )
    figure = qa.review(works).charts[0].figure()
    words = " ".join(note.text.replace("<br>", " ") for note in figure.layout.annotations)
    assert "new limits, 2026-09-13: new scoop" in words
    # as of a day before it was agreed on
    early = qa.review(works, "2026-09-11", as_of="2026-09-12").charts[0].chart
    assert len(early.phases) == 1


def test_a_bad_base_does_not_bring_the_review_down(tmp_path: Path) -> None:
    works = folder(
        tmp_path,
        '"chart base of bar, filled",B-01 to B-99,LT,2026-09-10\n'
        '"chart base of soap, filled",B-01 to B-09,LT,2026-09-10\n',
    )
    review = qa.review(works, "2026-09-14")
    texts = [finding.text for finding in review.findings if finding.kind == "to answer"]
    assert any('value "B-01 to B-99"' in text and "is not used" in text for text in texts)
    assert any('"chart base of soap, filled" is of no chart here' in text for text in texts)
    assert any('"bar, filled"' in text for text in texts)
    assert review.charts[0].chart.points["base"].sum() == 13


def test_a_base_with_too_little_left_is_told_and_the_usual_one_taken(tmp_path: Path) -> None:
    actions = "id,when,batch,what\nA1,2026-09-02,B-02,hold\n"
    works = folder(tmp_path, '"chart base of bar, filled",B-02 to B-03: dry,LT,2026-09-10\n')
    assert len(qa.review(works, "2026-09-14").charts[0].chart.phases) == 1
    (tmp_path / "actions.csv").write_text(actions)
    review = qa.review(qa.read_works(tmp_path), "2026-09-14")
    told = [f.text for f in review.findings if "the chart base of Test bar, filled" in f.text]
    assert len(told) == 1 and "limits need two or more points" in told[0]
    assert review.charts[0].chart.points["base"].sum() == 12
