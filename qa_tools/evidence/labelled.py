"""Which rule books judge a product on a day, by which label; in plain words where none does."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path
from typing import Final, NamedTuple

import pandas as pd

from qa_tools.books.label import label_check
from qa_tools.books.limits import limits
from qa_tools.books.rulebook import RuleBook, rulebook, rulebooks
from qa_tools.readings.dates import day_words
from qa_tools.readings.labels import labels_on
from qa_tools.readings.quantities import Declaration
from qa_tools.readings.works import Works

Judges = list[tuple[RuleBook, Declaration]]
# Where a label names neither market nor books; our own choice, and the review says so.
WITHOUT_MARKET: Final = ("ca-crc-417", "eu-76-211", "uk-2006-659", "us-hb133")


class Labelled(NamedTuple):
    """
    What judges a product on a day.

    `judges` are the books, each with its label (two labels under one book judge both), `faults` why
    a label or the product cannot be judged, `mend` what does not hold together on a label, and
    `remarks` what to know of the choice.
    """

    judges: Judges
    faults: list[str]
    mend: list[str]
    remarks: list[str]


def judges_of(
    works: Works,
    product: str,
    day: pd.Timestamp,
    books: Sequence[str] | None = None,
    known: dict[tuple[object, ...], Labelled] | None = None,
) -> Labelled:
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
    known : dict, optional
        What was found before of the same works and books: the same labels are looked at once.

    Returns
    -------
    Labelled

    Raises
    ------
    ValueError
        One of `books` is not known, or does not cover the label.
    """
    valid = labels_on(works.labels, product, day)
    if valid.empty:
        return Labelled([], [_why_no_label(works, product, day)], [], [])
    same = (product, *valid.index)
    if known is None:
        return _judges(works, product, valid, books)
    if same not in known:
        known[same] = _judges(works, product, valid, books)
    return known[same]


def _judges(
    works: Works, product: str, valid: pd.DataFrame, books: Sequence[str] | None
) -> Labelled:  # fmt: skip
    """The books that labels name, or that are asked for, each with the label it judges."""
    faults: list[str] = []
    remarks: list[str] = []
    mend: list[str] = []
    named = _named(valid, product, faults, remarks) if books is None else _asked(valid, books)
    checks, own = checked(works), own_books(works)
    found: Judges = []
    for name, words in dict.fromkeys(named):
        label = Declaration.parse(words)
        try:
            book = rulebook(own.get(name, name)).with_checks(checks)
            limits(label, book)
        except ValueError as fault:
            if books is not None:  # asked for by hand, not written in a file
                raise
            faults.append(f"label {label} of {product} in labels.csv: {fault}")
        else:
            found.append((book, label))
            mend += [f"label {label} under {book.name}: {text}"
                     for text in label_check(label, book).findings]  # fmt: skip
    return Labelled(found, faults, mend, remarks)


def own_books(works: Works) -> dict[str, Path]:
    """
    The files of the rule books of one's own that labels.csv names, by the names used there.

    A name is looked for in the works' folder, then as a path: "corner-shop" is corner-shop.toml.
    """
    home = works.folder.parent if works.folder.is_file() else works.folder
    found = {}
    published = set(rulebooks().index)
    for name in {one for text in works.labels["books"].unique() for one in _split(text)}:
        if name not in published:
            places = (at / f"{name.removesuffix('.toml')}.toml" for at in (home, Path()))
            there = next((path for path in places if path.is_file()), None)
            if there is not None:
                found[name] = there
    return found


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


def _named(
    valid: pd.DataFrame, product: str, faults: list[str], remarks: list[str]
) -> list[tuple[str, str]]:
    """The books that the labels name, or that judge the labels' markets."""
    named = []
    published = [rulebook(name) for name in rulebooks().index]
    for row in valid.to_dict("records"):
        names = _split(row["books"])
        market = " ".join(str(row["market"]).casefold().split())
        if not names and not market:
            names = list(WITHOUT_MARKET)
            remarks.append(
                f"label {row['declared']} names no market: judged as for the EU, the UK, the US "
                "and Canada; name its markets in labels.csv"
            )
        elif not names:
            names = [b.name for b in published if market in map(str.casefold, b.markets)]
            if not names:
                known = ", ".join(book.markets[0] for book in published if book.markets)
                faults.append(
                    f"label {row['declared']} of {product} is for {row['market']}, a market no "
                    f"rule book here judges; known are {known}, or name books in labels.csv"
                )
        if "eu-76-211" in names and not valid["e_mark"].any():
            about = rulebook("eu-76-211").applies_to
            remarks.append(f"no e mark is recorded on label {row['declared']}; eu-76-211: {about}")
        named += [(name, row["declared"]) for name in names]
    return named


def _split(names: str) -> list[str]:
    return names.replace(";", " ").replace(",", " ").split()


def _asked(valid: pd.DataFrame, books: Sequence[str]) -> list[tuple[str, str]]:
    """The books asked for, each with the label that names it, else with the first."""
    pairs = []
    for book in books:
        names_it = [book in _split(text) for text in valid["books"]]
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
