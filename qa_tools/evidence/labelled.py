"""Which rule books judge a product on a day, by which label; in plain words where none does."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

import pandas as pd

from qa_tools.books.limits import limits
from qa_tools.books.rulebook import RuleBook, rulebook, rulebooks
from qa_tools.readings.dates import day_words
from qa_tools.readings.labels import labels_on
from qa_tools.readings.quantities import Declaration
from qa_tools.readings.works import Works

Judges = list[tuple[RuleBook, Declaration]]


def judges_of(
    works: Works, product: str, day: pd.Timestamp, books: Sequence[str] | None = None
) -> tuple[Judges, list[str]]:
    """
    The books that judge a product packed on a day, each with its label.

    Parameters
    ----------
    works : Works
    product : str
    day : Timestamp
        Of packing; NaT where not known.
    books : sequence of names, optional
        Instead of the books that the labels name.

    Returns
    -------
    judges : list of (RuleBook, Declaration)
        A book that two labels of the day name judges both.
    faults : list of str
        Why a label, or the product, cannot be judged.

    Raises
    ------
    ValueError
        One of `books` is not known, or does not cover the label.
    """
    valid = labels_on(works.labels, product, day)
    if valid.empty:
        return [], [_why_no_label(works, product, day)]
    named, faults = _named(valid, product) if books is None else (_asked(valid, books), [])
    checks = checked(works)
    found: Judges = []
    for name, words in dict.fromkeys(named):
        label = Declaration.parse(words)
        try:
            book = rulebook(name).with_checks(checks)
            limits(label, book)
        except ValueError as fault:
            if books is not None:  # asked for by hand, not written in a file
                raise
            faults.append(f"label {label} of {product} in labels.csv: {fault}")
        else:
            found.append((book, label))
    return found, faults


def _why_no_label(works: Works, product: str, day: pd.Timestamp) -> str:
    labels = works.labels
    own = labels[labels["product"] == product]
    if labels.empty:
        return "there is no labels.csv, so nothing says what a package must hold"
    if own.empty:
        near = difflib.get_close_matches(product, labels["product"].unique(), n=1)
        hint = f" (is its {near[0]!r} meant?)" if near else ""
        return f"labels.csv has no label of {product}{hint}"
    spans = ", ".join(
        f"{row['declared']} from {_or(row['from'], 'the start')} to {_or(row['to'], 'now')}"
        for row in own.to_dict("records")
    )
    return f"no label of {product} in labels.csv holds on {day_words(day)}, only {spans}"


def _or(day: pd.Timestamp, word: str) -> str:
    return word if pd.isna(day) else day_words(day)


def _named(valid: pd.DataFrame, product: str) -> tuple[list[tuple[str, str]], list[str]]:
    """The books that the labels name, or that judge the labels' markets."""
    named, faults = [], []
    published = [rulebook(name) for name in rulebooks().index]
    for row in valid.to_dict("records"):
        names = row["books"].replace(";", " ").replace(",", " ").split()
        market = " ".join(str(row["market"]).casefold().split())
        if not names:
            names = [
                book.name
                for book in published
                if not market or market in (known.casefold() for known in book.markets)
            ]
        if not names:
            known = ", ".join(book.markets[0] for book in published if book.markets)
            faults.append(
                f"label {row['declared']} of {product} is for {row['market']}, a market no rule "
                f"book here judges; known are {known}, or name books in labels.csv"
            )
        named += [(name, row["declared"]) for name in names]
    return named, faults


def _asked(valid: pd.DataFrame, books: Sequence[str]) -> list[tuple[str, str]]:
    """The books asked for, each with the label that names it, else with the first."""
    pairs = []
    for book in books:
        names_it = [book in text.replace(";", " ").replace(",", " ").split()
                    for text in valid["books"]]  # fmt: skip
        rows = valid[names_it] if any(names_it) else valid.head(1)
        pairs += [(book, words) for words in rows["declared"]]
    return pairs


def checked(works: Works) -> dict[str, str]:
    """The remembered figures that settings.csv records as compared with the official table."""
    found = {}
    for row in works.settings.to_dict("records"):
        name = str(row["name"])
        if name.casefold().startswith("checked "):
            when = f", {row['when']:%Y-%m-%d}" if pd.notna(row["when"]) else ""
            found[name[8:].strip()] = f"checked, {row['value']}, {row['who']}{when}"
    return found
