"""Published figures: each with its clause and how sure we are of it."""

from __future__ import annotations

import dataclasses

import pytest

import qa_tools as qa
from qa_tools.books.figures import GRADES, Figure
from qa_tools.books.plans import NoPlan

NAMES = sorted(qa.rulebooks().index)
LABELS = ["6 g", "45 g", "60 g", "90 g", "120 g", "250 g", "4.2 oz", "1 lb", "2 kg", "9 kg"]
LOTS = [1, 2, 8, 11, 12, 60, 99, 100, 250, 251, 600, 3200, 3201, 9000, 20_000]


def figures(name: str) -> list[Figure]:
    book = qa.rulebook(name)
    found = [book.tolerance(label).figure for label in LABELS]
    for lot in LOTS:
        try:
            found += book.plan(lot).figures
        except NoPlan:
            continue
    return found


@pytest.mark.parametrize("name", NAMES)
def test_every_figure_has_a_name_a_value_a_clause_and_a_grade(name: str) -> None:
    for figure in figures(name):
        assert figure.name.startswith(f"{name} ") and figure.value and figure.clause
        assert figure.grade in GRADES


@pytest.mark.parametrize("name", NAMES)
def test_a_remembered_figure_names_the_official_table(name: str) -> None:
    remembered = [figure for figure in figures(name) if figure.grade == "from memory"]
    assert all(figure.official for figure in remembered)
    assert bool(remembered) == (name in ("us-hb133", "au-aqs", "nz-7a"))


@pytest.mark.parametrize("name", NAMES)
def test_a_name_stands_for_one_clause_and_grade(name: str) -> None:
    """settings.csv names a figure that was compared; two figures of one name would mix."""
    of: dict[str, set[tuple[str, str]]] = {}
    for figure in figures(name):
        of.setdefault(figure.name, set()).add((figure.clause, figure.official))
    assert all(len(kinds) == 1 for kinds in of.values())


def test_a_figure_cannot_be_changed_in_place() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        Figure("a", "1 g", "1.1", "read").grade = "checked"  # type: ignore[misc]
