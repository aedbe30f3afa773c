"""Gross to net, by how each was weighed."""

from collections.abc import Callable

import numpy as np

from qa_tools.readings import Weighings

Read = Callable[..., Weighings]


def test_one_empty_part_has_a_spread_that_is_not_known(read: Read, banded: dict[str, str]) -> None:
    text = "batch,weight,weighed,tare\nOH-1,121.4,wrapped,\nOH-1,121.4,gross,1.5\n"
    table = read(text, **banded).table
    assert np.isnan(table["tare_sd_g"][0]) and table["tare_n"].tolist() == [1, 0]
    assert table["net_g"].tolist() == [120.0, 119.9]


def test_the_tare_is_of_the_weighing_day_and_the_label_of_the_packing_day(read: Read) -> None:
    """CB-1 was packed in September; weighed in October, its tins are those of the new lot."""
    table = read("batch,when,weight,weighed\nCB-1,2026-10-05,76.4,gross\n").table
    assert table["tare_g"].round(3).tolist() == [16.2]
    assert table["packed_on"].astype(str).tolist() == ["2026-09-14"]


def test_a_net_column_stays_net(read: Read) -> None:
    table = read("batch,net,weighed\nRS-1,250,gross\n").table
    assert table[["net_g", "tare_g"]].values.tolist() == [[250.0, 0.0]]
