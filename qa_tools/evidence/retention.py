"""How long the records of a batch are kept, by the rule of each market it went to."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import pandas as pd

from qa_tools.readings.works import Works

_MONTH = 30.5  # days
_ANY = "any"  # what is no law of one market
_NOT_SAID = "not said"
_NONE: Mapping[str, Any] = {
    "rule": "none in hand",
    "grade": "",
    "words": "no period is known here; ask the authority",
    "until": pd.NaT,
}


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
        went to; where none is recorded, those of the labels; and ``"any"``, for guidance that is no
        law. Batches that batches.csv does not list stand in a row of their own.

    Notes
    -----
    Each rule with its source is in retention.toml. The tool informs; the authority decides.

    Examples
    --------
    >>> found = retention(getfixture("demo_works"), ["RS-1021"])
    >>> [(row.market, str(row.until)[:10]) for row in found.itertuples()]
    [('CA', 'NaT'), ('EU', 'NaT'), ('any', '2028-10-21')]
    """
    runs = works.batches[works.batches["batch"].isin(batches)]
    sent = works.dispatch[works.dispatch["batch"].isin(batches)]
    last = {key: when for key, when in sent.groupby(["batch", "market"])["when"].max().items()}
    rows = [
        {"product": product, "market": market, **_of_market(works, str(market), mine, last)}
        for product, mine in runs.groupby("product", sort=False)
        for market in _markets(works, str(product), mine)
    ]
    unlisted = [name for name in dict.fromkeys(batches) if name not in set(runs["batch"])]
    if unlisted:
        words = f"not in batches.csv: {', '.join(unlisted)}"
        rows.append({"product": "", "market": "", **_NONE, "words": words})
    columns = ["product", "market", "rule", "grade", "words", "until"]
    return pd.DataFrame(rows, columns=columns)


@cache
def _rules() -> tuple[Mapping[str, Any], ...]:
    text = files("qa_tools.evidence").joinpath("retention.toml").read_text(encoding="utf-8")
    return tuple(tomllib.loads(text)["rule"])


def _markets(works: Works, product: str, runs: pd.DataFrame) -> list[str]:
    """Where goods went, else where the labels are for; and every market, for what is no law."""
    sent = works.dispatch[works.dispatch["batch"].isin(runs["batch"])]["market"]
    labels = works.labels[works.labels["product"] == product]["market"]
    known = sorted(set(sent) - {""}) or sorted(set(labels) - {""}) or [_NOT_SAID]
    return [*known, _ANY]


def _of_market(
    works: Works, market: str, runs: pd.DataFrame, sent: Mapping[Any, Any]
) -> dict[str, Any]:
    """The rule of a market, and the last day under it of these runs of one product."""
    word = " ".join(market.split()).casefold()
    rule = next((one for one in _rules() if word in one["markets"]), None)
    if rule is None:
        return dict(_NONE)
    about = works.products.loc[works.products["product"] == runs["product"].iloc[0], "shelf_days"]
    shelf = float(about.iloc[0]) if len(about) and pd.notna(about.iloc[0]) else float("nan")
    packed = runs.groupby("batch")["packed_on"].max()
    days = [_until(rule, day, sent.get((batch, market)), shelf) for batch, day in packed.items()]
    known = [day for day in days if pd.notna(day)]
    told = {name: rule[name] for name in ("rule", "grade", "words")}
    if known and len(known) < len(days):
        told["words"] += (
            f" (of {len(days) - len(known)} of {len(days)} batches no day is known yet)"
        )
    return told | {"until": max(known) if known else pd.NaT}


def _until(rule: Mapping[str, Any], packed: Any, sent: Any, shelf: float) -> Any:
    """The last day of one batch under one rule; NaT where it gives none or a day is missing."""
    keeps = shelf == shelf and pd.notna(packed)
    if ("by_shelf" in rule or "short_shelf_months" in rule) and not keeps:
        return pd.NaT
    durable = packed + pd.Timedelta(days=shelf) if keeps else pd.NaT
    if "by_shelf" in rule:
        years = next(span for months, span in rule["by_shelf"] if shelf <= months * _MONTH)
        return packed + pd.DateOffset(years=years)
    if "short_shelf_months" in rule and shelf < rule["short_shelf_months"] * _MONTH:
        return durable + pd.DateOffset(months=rule["beyond"])
    begins = sent if rule.get("since") == "sent" else packed
    if "years" not in rule or pd.isna(begins):
        return pd.NaT
    until = begins + pd.DateOffset(years=rule["years"])
    return min(until, durable) if rule.get("or_durability") and keeps else until
