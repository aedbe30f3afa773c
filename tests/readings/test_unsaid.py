"""Weights that do not say whether they are gross: told from the label, answered, or asked."""

from collections.abc import Callable

import pytest

from qa_tools.readings import Weighings

Read = Callable[..., Weighings]
GROSS, NET = [74.1, 74.6, 74.9], [60.1, 60.4, 60.9]


def balm(weights: list[float], head: str = "weight") -> str:
    return f"batch,when,{head}\n" + "".join(f"CB-1,2026-09-14,{one}\n" for one in weights)


def test_plainly_gross_weights_are_taken_as_gross_and_it_is_said_once(read: Read) -> None:
    table = read(balm(GROSS)).table
    assert table["net_g"].tolist() == pytest.approx([59.9, 60.4, 60.7])
    assert table["weighed"].unique().tolist() == ["gross"]
    assert (table["doubt"] == "").all()
    assert table["remark"].tolist() == [
        "taken as gross: the 3 weights of balm in oct.csv do not say it, but are near what is "
        "declared with the packaging", "", "",
    ]  # fmt: skip


def test_plainly_net_weights_are_net_and_it_is_said_once(read: Read) -> None:
    table = read(balm(NET)).table
    assert table["net_g"].tolist() == NET
    assert (table["doubt"] == "").all()
    assert [one.split(":")[0] for one in table["remark"]] == ["taken as net", "", ""]


def test_a_slip_among_plain_weights_changes_nothing(read: Read) -> None:
    table = read(balm([*GROSS, 7.46])).table
    assert table["net_g"].tolist() == pytest.approx([59.9, 60.4, 60.7])
    light = read(balm([60.4, 6.04])).table
    assert light["net_g"].tolist() == [60.4, 6.04]
    assert light["doubt"].ne("").tolist() == [False, True]


@pytest.mark.parametrize(
    "weights", [[67.0, 67.1, 67.2], [60.1, 60.4, 74.2, 74.6], [53.0, 54.0, 54.5]]
)
def test_weights_that_may_be_either_are_in_doubt_together(read: Read, weights: list[float]) -> None:
    (doubt,) = read(balm(weights)).table["doubt"].unique()
    assert doubt == (
        f"Nothing says whether the {len(weights)} weights of balm in oct.csv are gross or net: say "
        "how they were weighed in a column weighed, or once over the table; or in settings.csv: "
        'name "weighed of oct.csv", or "weighed of balm" for all its files, value "bare", '
        '"wrapped", "gross" or "tared on the scale".'
    )


@pytest.mark.parametrize("name", ["weighed of oct.csv", "weighed of balm", "weighed"])
@pytest.mark.parametrize(("value", "net"), [("gross", 52.8), ("tared on the scale", 67.0)])
def test_an_answer_settles_it(read: Read, name: str, value: str, net: float) -> None:
    weighings = read(balm([67.0]), settings=f"name,value\n{name},{value}\n")
    assert weighings.table["net_g"].tolist() == pytest.approx([net])
    assert weighings.table["weighed"].tolist() == [value]
    assert (weighings.table["doubt"] == "").all() and not len(weighings.questions)


def test_an_answer_for_a_file_holds_before_one_for_all(read: Read) -> None:
    settings = "name,value\nweighed of oct.csv,bare\nweighed,gross\n"
    table = read(balm([67.0]), settings=settings, weights__nov=balm([67.1])).table
    assert dict(zip(table["file"], table["net_g"].round(2), strict=True)) == {
        "weights/nov.csv": 52.9, "weights/oct.csv": 67.0,
    }  # fmt: skip


def test_packaging_too_light_to_tell_is_asked_about(read: Read, banded: dict[str, str]) -> None:
    text = "batch,stage,weight\nOH-1,packed,120\nOH-1,cut,128\n"
    assert read(text, **banded).table["doubt"].ne("").tolist() == [True, False]
    said = "batch,stage,weight,weighed\nOH-1,packed,120,bare\n"
    assert (read(said, **banded).table["doubt"] == "").all()


def test_packaging_never_weighed_is_asked_about(read: Read) -> None:
    tare = "product,part,tare,unit\nscrub,jar,240,g\n"
    assert read(balm(NET), tare=tare).table["doubt"].str.startswith("Nothing says").all()


def test_what_is_headed_net_or_has_no_packaging_is_not_asked_about(read: Read) -> None:
    table = read(balm([67.0], "net"), weights__nov="batch,stage,weight\nOH-1,packed,119\n").table
    assert (table[["doubt", "remark"]] == "").all(axis=None)
