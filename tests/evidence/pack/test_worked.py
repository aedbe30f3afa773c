"""Published examples rerun: all agree here, and what does not agree shows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

import qa_tools as qa
from qa_tools.evidence.pack import worked
from qa_tools.evidence.pack.worked import agreeing, cases, summary, worked_examples

# What each call of worked.toml runs.
ROOMS = {
    "books": {
        *("tolerance", "in_pounds", "in_ounces", "excess", "pieces", "plan", "to_weigh"),
        *("factor_used", "factor_from_t", "verdict", "passes_by_share", "passes_by_mean"),
        "grams_tested",
    },
    "readings": {"grams"},
    "statistics": {"mean_interval", "at_most", "accepted_at", "tolerance_factors", "index"},
    "charts": {
        *("constants", "individuals", "mean_range", "ewma", "cusum", "run_lengths"),
        *("mean_and_sd", "neighbours", "between_groups"),
    },
    "wires": {
        *("wires", "advised", "watched", "watch_lengths", "string_pounds", "wire_pounds"),
        *("breaking", "bow", "warming", "flat"),
    },
}


def rerun(monkeypatch: pytest.MonkeyPatch, *changed: Mapping[str, Any]) -> dict[str, Any]:
    monkeypatch.setattr(worked, "cases", lambda: changed)
    found = worked_examples()
    assert len(found) == len(changed)
    return found.iloc[-1].to_dict()


def test_all_agree_on_this_machine() -> None:
    found = worked_examples()
    assert found.loc[~found["agrees"], ["what", "expected", "found"]].values.tolist() == []
    assert len(found) == len(cases())


@pytest.mark.parametrize("case", cases(), ids=lambda case: case["what"])
def test_another_figure_than_the_one_printed_does_not_agree(
    case: Mapping[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One unit of the last printed digit off, at each place of each case."""
    printed = case["expect"].split()
    for at, text in enumerate(printed):
        digits = len(text.partition(".")[2])
        try:
            wrong = f"{float(text) + 10.0**-digits * 1.01:.{digits}f}"
        except ValueError:
            wrong = "reject" if text == "accept" else "accept"
        changed = {**case, "expect": " ".join([*printed[:at], wrong, *printed[at + 1 :]])}
        row = rerun(monkeypatch, case, changed)
        assert not row["agrees"], wrong
        assert row["expected"] == changed["expect"] != row["found"]


def test_a_wrong_figure_is_counted_and_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """And what a source prints is counted apart from what it does not."""
    first = cases()[0]
    wrong, own = {**first, "expect": "7.3"}, {**first, "grade": "computed"}
    monkeypatch.setattr(worked, "cases", lambda: (first, wrong, own))
    found = worked_examples()
    assert found["agrees"].tolist() == [True, False, True]
    assert found["found"].tolist() == ["7.2", "7.2", "7.2"]
    assert summary(found) == (
        "1 of 2 published examples rerun here agree to the printed digits, "
        "and 1 of 1 worked out apart from this program"
    )


@pytest.mark.parametrize(
    "change, said",
    [
        ({"call": "nothing"}, "KeyError: 'nothing'"),
        ({"call": "__import__", "give": ["os"]}, "KeyError: '__import__'"),
        ({"give": ["us-hb134", "113 g"]}, "ValueError: "),
        ({"give": []}, "TypeError: "),
        ({"expect": "about seven"}, ""),
    ],
)
def test_a_case_that_fails_is_a_row_with_its_reason(
    change: dict[str, Any], said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = rerun(monkeypatch, {**cases()[0], **change})
    assert row["agrees"] is False
    assert row["found"].startswith(said)
    assert row["what"] == cases()[0]["what"]


@pytest.mark.parametrize(
    "found, printed, alike",
    [
        (0.5035, "0.503", True), (0.50351, "0.503", False), (0.5025, "0.503", True),
        (0.50249, "0.503", False), (370.45, "370.4", True), (30, "30", True), (31, "30", False),
        (-0.0249, "-0.0249", True), (0.0249, "-0.0249", False), (float("nan"), "0.0", False),
        ("accept", "accept", True), ("accept", "reject", False), ("7", "7", True),
        ([1, 2], "1 2", True), ([1, 2], "1 2 3", False), ([1, 2, 3], "1 2", False),
        ([], "", True), (["none", 3], "none 3", True),
    ],
)  # fmt: skip
def test_half_a_unit_of_the_last_printed_digit(found: Any, printed: str, alike: bool) -> None:
    assert agreeing(found, printed) is alike


def test_found_shows_two_digits_more_than_are_printed(monkeypatch: pytest.MonkeyPatch) -> None:
    case = {"call": "factor_from_t", "give": ["eu-76-211", "200"], "expect": "0.503"}
    row = rerun(monkeypatch, {**case, "what": "k", "source": "EU", "grade": "read"})
    assert (row["found"], row["agrees"]) == ("0.50324", True)


def test_every_row_says_what_it_is_and_how_it_is_known() -> None:
    found = worked_examples()
    assert found[found.duplicated(["what", "source"])].empty
    told = found[["what", "source", "expected", "found"]]
    assert told.apply(lambda column: column.str.strip().str.len() > 0).all(axis=None)
    assert set(found["grade"]) == {"read", "second-hand", "computed", "from memory"}


def test_every_book_and_every_room_is_run() -> None:
    given = {part for case in cases() for part in case["give"] if isinstance(part, str)}
    assert set(qa.rulebooks().index) <= given
    assert set().union(*ROOMS.values()) == set(worked.CALLS)
    called = {case["call"] for case in cases()}
    assert called == set(worked.CALLS)
    verdicts = {case["expect"] for case in cases() if case["call"] == "verdict"}
    assert verdicts == {"accept", "reject"}
