"""How long the records of a batch are kept, by the rule of each market it went to."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import pandas as pd

from qa_tools.readings.works import Works


def retention(works: Works, batches: Sequence[str]) -> pd.DataFrame:
    """
    Until when are the records of these batches kept?

    Parameters
    ----------
    works : Works
        Of use: dispatch.csv (market, when), batches.csv, products.csv (shelf_days).
    batches : sequence of str

    Returns
    -------
    DataFrame
        One row a market and product: product, market, rule, grade, words, and ``until``, the last
        day of the latest of these batches; NaT where the rule gives no day. Markets are those goods
        went to; where none is recorded, those of the labels.

    Notes
    -----
    Each rule with its source is in retention.toml. The tool informs; the authority decides.

    Examples
    --------
    >>> found = retention(getfixture("demo_works"), ["RS-1021"])
    >>> found[["market", "until"]].astype(str).values.tolist()
    [['CA', 'NaT'], ['EU', 'NaT']]
    """
    rows = [
        {"product": product, "market": market, **_of_market(works, str(market), runs)}
        for product, runs in works.batches[works.batches["batch"].isin(batches)].groupby(
            "product", sort=False
        )
        for market in _markets(works, str(product), runs)
    ]
    columns = ["product", "market", "rule", "grade", "words", "until"]
    return pd.DataFrame(rows, columns=columns)


@cache
def _rules() -> tuple[Mapping[str, Any], ...]:
    text = files("qa_tools.evidence").joinpath("retention.toml").read_text(encoding="utf-8")
    return tuple(tomllib.loads(text)["rule"])


def _markets(works: Works, product: str, runs: pd.DataFrame) -> list[str]:
    sent = works.dispatch[works.dispatch["batch"].isin(runs["batch"])]["market"]
    labels = works.labels[works.labels["product"] == product]["market"]
    return sorted(set(sent) - {""}) or sorted(set(labels) - {""})


def _of_market(works: Works, market: str, runs: pd.DataFrame) -> dict[str, Any]:
    word = market.strip().casefold()
    rule = next((one for one in _rules() if word in one["markets"]), None)
    if rule is None:
        told = {"rule": "none in hand", "grade": "", "words": "no period is known here; ask the "
                "authority"}  # fmt: skip
        return told | {"until": pd.NaT}
    days = [_until(works, rule, batch, market, rows) for batch, rows in runs.groupby("batch")]
    known = [day for day in days if pd.notna(day)]
    told = {name: rule[name] for name in ("rule", "grade", "words")}
    return told | {"until": max(known) if known else pd.NaT}


def _until(
    works: Works, rule: Mapping[str, Any], batch: Any, market: str, runs: pd.DataFrame
) -> Any:
    """The last day of one batch under one rule; NaT where it gives none or a day is missing."""
    packed = runs["packed_on"].max()
    sent = works.dispatch[
        (works.dispatch["batch"] == batch) & (works.dispatch["market"] == market)
    ]["when"].max()
    shelf = works.products.loc[works.products["product"] == runs["product"].iloc[0], "shelf_days"]
    days = float(shelf.iloc[0]) if len(shelf) and pd.notna(shelf.iloc[0]) else float("nan")
    durable = packed + pd.Timedelta(days=days) if days == days and pd.notna(packed) else pd.NaT
    begins = sent if rule.get("since") == "sent" else packed
    if "by_shelf" in rule:
        if days != days or pd.isna(packed):
            return pd.NaT
        years = next(span for months, span in rule["by_shelf"] if days <= months * 30.5)
        return packed + pd.DateOffset(years=years)
    if "short_shelf_months" in rule and days <= rule["short_shelf_months"] * 30.5:
        return durable + pd.DateOffset(months=rule["beyond"])
    if "years" not in rule or pd.isna(begins):
        return pd.NaT
    until = begins + pd.DateOffset(years=rule["years"])
    return min(until, durable) if rule.get("or_durability") and pd.notna(durable) else until
