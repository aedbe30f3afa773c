"""How long records are kept: the day each rule gives, and none where it gives none."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from works_folder import around, make_works

import qa_tools as qa
from qa_tools.evidence.retention import _rules, _until, retention

RULES = tomllib.loads(
    files("qa_tools.evidence").joinpath("retention.toml").read_text(encoding="utf-8")
)["rule"]
PACKED = pd.Timestamp("2026-10-06")


def rule(market: str) -> dict[str, object]:
    return dict(next(one for one in _rules() if market in one["markets"]))


def works(folder: Path, dispatch: str = "", shelf: str = "720", **more: str) -> qa.Works:
    products = f"product,name,form,shelf_days\nbar,Test bar,bar,{shelf}\n"
    sent = "batch,market,when,quantity\n" + dispatch
    return make_works(folder, around(122.5), products=products, dispatch=sent, **more)


def until(found: pd.DataFrame, market: str) -> str:
    return str(found.loc[found["market"] == market, "until"].iloc[0])[:10]


@pytest.mark.parametrize(
    ("market", "shelf", "last"),
    [
        # average-quantity-oiml-eu-uk.md, section 11: UK regulation 9(5)
        ("uk", 720.0, "2027-11-01"),  # a year after it left on 1 November
        ("uk", 90.0, "2027-01-04"),  # the durability day, which is first
        ("uk", float("nan"), "2027-11-01"),  # no durability day is known: the later one
        # canada-australia-audit.md, section 6: France, article 5
        ("fr", 720.0, "2028-10-06"),
        # average-quantity-oiml-eu-uk.md, section 5.2: Spain, article 14(4)
        ("es", 90.0, "2027-10-06"),
        ("es", 540.0, "2029-10-06"),
        ("es", 720.0, "2031-10-06"),
        ("es", float("nan"), "NaT"),
        # the same: Switzerland, article 33(7)
        ("ch", 720.0, "2027-10-06"),
        ("ch", 183.0, "2027-10-06"),  # six months or longer
        ("ch", 90.0, "2027-07-04"),  # 4 January and six months
        ("ch", float("nan"), "NaT"),
        # section 11 of the same: OIML G 21, A.5
        ("any", float("nan"), "2028-10-06"),
        # no period: Germany until the next inspection, others none found
        *((market, 720.0, "NaT") for market in ("de", "eu", "ca", "au", "us", "nz", "jp")),
    ],
)
def test_the_day_of_each_rule(market: str, shelf: float, last: str) -> None:
    sent = pd.Timestamp("2026-11-01")
    assert str(_until(rule(market), PACKED, sent, shelf))[:10] == last


def test_a_rule_without_a_period_says_so_and_cites_what_was_read() -> None:
    for one in RULES:
        assert one["grade"] in ("read", "second-hand", "from memory")
        assert one["words"]
        assert all(market == market.casefold() for market in one["markets"])
        if not {"years", "by_shelf"} & set(one):
            assert not {"since", "or_durability", "beyond"} & set(one)


def test_markets_are_those_goods_went_to(tmp_path: Path) -> None:
    found = retention(works(tmp_path, "B1,UK,2026-10-08,9\nB1,France,2026-10-09,9\n"), ["B1"])
    assert found["market"].tolist() == ["France", "UK", "any"]
    assert until(found, "UK") == "2027-10-08"


def test_the_last_to_leave_counts(tmp_path: Path) -> None:
    found = retention(works(tmp_path, "B1,UK,2026-10-08,9\nB1,UK,2026-11-08,9\n"), ["B1"])
    assert until(found, "UK") == "2027-11-08"


def test_not_sent_yet_is_by_the_label_and_has_no_day(tmp_path: Path) -> None:
    labels = "product,declared,unit,market,books\nbar,120,g,UK,uk-2006-659\n"
    found = retention(works(tmp_path, labels=labels), ["B1"])
    assert found["market"].tolist() == ["UK", "any"]
    assert until(found, "UK") == "NaT"


def test_a_batch_not_sent_is_told_beside_one_that_was(tmp_path: Path) -> None:
    batches = (
        "batch,product,made_on,packages,packed_on\n"
        "B1,bar,2026-09-01,200,2026-10-06\nB2,bar,2026-09-02,200,2026-10-07\n"
    )
    found = retention(works(tmp_path, "B1,UK,2026-10-08,9\n", batches=batches), ["B1", "B2"])
    words = found.loc[found["market"] == "UK", "words"].iloc[0]
    assert "of 1 of 2 batches no day is known yet" in words


def test_no_market_and_an_unknown_one_get_no_day(tmp_path: Path) -> None:
    nowhere = "product,declared,unit,books\nbar,120,g,eu-76-211\n"
    found = retention(works(tmp_path / "a", labels=nowhere), ["B1"])
    assert found["market"].tolist() == ["not said", "any"]
    found = retention(works(tmp_path / "b", "B1,Atlantis,2026-10-08,9\n"), ["B1"])
    assert found["rule"].tolist()[0] == "none in hand"
    assert until(found, "Atlantis") == "NaT"


def test_a_batch_nobody_listed_is_not_dropped(tmp_path: Path) -> None:
    found = retention(works(tmp_path), ["B1", "B7"])
    assert found["words"].tolist()[-1] == "not in batches.csv: B7"
    assert retention(works(tmp_path), []).empty


days = st.dates(pd.Timestamp("2020-01-01").date(), pd.Timestamp("2030-12-31").date())


@given(days, st.integers(0, 400), st.one_of(st.none(), st.integers(1, 4000)))
def test_the_uk_day_is_never_past_a_year_after_leaving(
    packed: object, after: int, shelf: int | None
) -> None:
    begins = pd.Timestamp(str(packed))
    sent = begins + pd.Timedelta(days=after)
    keeps = float("nan") if shelf is None else float(shelf)
    last = _until(rule("uk"), begins, sent, keeps)
    year = sent + pd.DateOffset(years=1)
    assert last <= year
    assert last == year or last == begins + pd.Timedelta(days=keeps)


@given(st.integers(1, 4000), st.integers(1, 4000))
def test_goods_that_keep_longer_are_recorded_at_least_as_long_in_spain(a: int, b: int) -> None:
    short, long = sorted((float(a), float(b)))
    es = rule("es")
    assert _until(es, PACKED, None, short) <= _until(es, PACKED, None, long)
