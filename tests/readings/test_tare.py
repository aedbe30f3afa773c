"""Gross to net by the row's tare, or by the mean of the parts present that day."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from qa_tools.readings import read_works
from qa_tools.readings.tare import Tare, Tares, _parts_by_way

Write = Callable[[dict[str, str | bytes]], Path]


def tares(folder: Write, lists: dict[str, str | bytes]) -> Tares:
    works = read_works(folder({**lists, "weights/a.csv": "batch,weight\nOH-1,120\n"}))
    return Tares(works.products, works.tare)


def test_parts_add_up_and_so_do_their_squares(folder: Write, lists: dict[str, str | bytes]) -> None:
    tare = tares(folder, lists).of("scrub", "gross", None)
    assert isinstance(tare, Tare)
    assert tare.grams == pytest.approx(241 + 20.5)
    assert tare.sd == pytest.approx(np.sqrt(2.0 + 0.5))
    assert tare.n == 2


@pytest.mark.parametrize(
    ("day", "grams"),
    [("2026-09-30", 14.2), ("2026-10-01", 16.2), ("2026-11-30", 16.2), ("2026-07-01", 14.2)],
)
def test_a_new_lot_counts_from_its_day(
    folder: Write, lists: dict[str, str | bytes], day: str, grams: float
) -> None:
    """The new lot was weighed over two days: one lot, in use from the first."""
    tare = tares(folder, lists).of("balm", "gross", pd.Timestamp(day))
    assert isinstance(tare, Tare)
    assert tare.grams == pytest.approx(grams)
    assert tare.n == 2
    assert bool(tare.remark) == (day == "2026-07-01")


def test_a_part_weighed_once_has_no_spread(
    folder: Write, lists: dict[str, str | bytes], banded: dict[str, str]
) -> None:
    lists |= {f"{name}.csv": text for name, text in banded.items()}
    tare = tares(folder, lists).of("oat", "wrapped", None)
    assert isinstance(tare, Tare)
    assert (tare.grams, tare.n) == (1.4, 1)
    assert np.isnan(tare.sd)


def test_no_tare_says_why(folder: Write, lists: dict[str, str | bytes]) -> None:
    assert tares(folder, lists).of("soap", "gross", None) == (
        "no empty part of soap is in the tare list"
    )


def test_parts_by_way() -> None:
    assert _parts_by_way("jar and lid") == {"": ["jar", "lid"]}
    assert _parts_by_way("wrapped: band; gross: band + carton") == {
        "wrapped": ["band"],
        "gross": ["band", "carton"],
    }
    assert _parts_by_way("") == {}


def test_every_way_of_weighing(
    folder: Write, lists: dict[str, str | bytes], banded: dict[str, str]
) -> None:
    lists |= {f"{name}.csv": text for name, text in banded.items()}
    text = (
        "batch,when,weight,weighed,tare\n"
        "CB-1,2026-09-14,60.1,bare,\n"
        "CB-1,2026-09-14,74.4,gross,\n"
        "CB-1,2026-10-05,76.4,gross,\n"
        "CB-1,2026-09-14,60.3,tared on the scale,\n"
        "CB-1,2026-09-14,75.0,gross,14.8\n"
        "CB-1,2026-09-14,75.1,,14.8\n"
        "OH-1,2026-09-29,121.4,wrapped,\n"
        "OH-1,2026-09-29,121.5,on a plate,\n"
        "CB-1,2026-09-14,9,gross,\n"
    )
    weighings = read_works(folder({**lists, "weights/a.csv": text})).weighings
    rows = weighings.table
    assert rows["net_g"].tolist() == pytest.approx([60.1, 60.2, 60.2, 60.3, 60.2, 60.3, 120.0])
    assert rows["tare_g"].tolist() == pytest.approx([0, 14.2, 16.2, 0, 14.8, 14.8, 1.4])
    assert rows["tare_n"].tolist() == [0, 2, 2, 0, 0, 0, 1]
    assert weighings.not_used["reason"].tolist() == [
        'how it was weighed is not known: "on a plate"',
        "gross below tare: 9 g gross, 14.2 g tare",
    ]


def test_gross_without_any_tare_is_not_taken_for_net(folder: Write) -> None:
    files = {"weights/a.csv": "batch,gross,net\nQ-1,430,\nQ-1,,250\n"}
    weighings = read_works(folder(files)).weighings
    assert weighings.table["net_g"].tolist() == [250]
    assert "no empty part" in weighings.not_used["reason"][0]
    assert "tare.csv" in weighings.not_used["suggestion"][0]
