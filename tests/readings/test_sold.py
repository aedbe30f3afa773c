"""What is judged: packages sold, each by the weighing that stands."""

from collections.abc import Callable

from qa_tools.readings import Weighings

Read = Callable[..., Weighings]
HEAD = "batch,stage,when,loaf,slot,weight,unit,id,fate,replaces\n"


def test_what_is_sold_is_judged(read: Read) -> None:
    fates = ["kept", "", "topped up", "pulled", "Rework", "retained", "given to Anna"]
    table = read(HEAD + "".join(f"OH-1,packed,,,,12{n},g,,{fate},\n"
                                for n, fate in enumerate(fates))).table  # fmt: skip
    assert table["judged"].tolist() == [True, True, True, False, False, False, True]
    assert table["doubt"].ne("").tolist() == [False] * 6 + [True]


def test_a_topped_up_jar_is_judged_by_its_last_weighing(read: Read) -> None:
    table = read(
        HEAD + "RS-1,filled,,,,243,g,j1,topped up,\nRS-1,filled,,,,249,g,j2,topped up,j1\n"
        "RS-1,filled,,,,251,g,j3,,j2\nRS-1,filled,,,,252,g,j4,,j9\n"
    ).table
    assert table["judged"].tolist() == [False, False, True, True]
    assert 'replaces what is not found: "j9"' in table["remark"].iloc[3]


def test_a_reading_that_is_not_used_replaces_nothing(read: Read) -> None:
    table = read(HEAD + "RS-1,filled,,,,243,g,j1,,\nRS-1,filled,,,,2510,g,j2,,j1\n").table
    assert table["judged"].tolist() == [True]


def test_what_is_weighed_again_is_not_asked_about(read: Read) -> None:
    table = read(
        HEAD + "OH-1,packed,,1,1,48,g,a,,\nOH-1,packed,,1,1,121,g,b,,a\nOH-1,packed,,1,2,48,g,c,,\n"
        "OH-1,packed,,1,2,122,g,c,,c\n"
    ).table
    assert (table["doubt"] == "").all()
    assert table["judged"].tolist() == [False, True, False, True]


def test_a_replacement_that_is_a_slip_leaves_the_first_weighing_judged(read: Read) -> None:
    table = read(
        HEAD + "RS-1,filled,,,,249,g,j1,,\nRS-1,filled,,,,24,g,j2,,j1\n",
        settings="name,value\nrow 3 of oct.csv,slip\n",
    ).table
    assert table[["net_g", "judged", "doubt"]].values.tolist() == [[249.0, True, ""]]


def test_weighings_that_replace_each_other_are_in_doubt(read: Read) -> None:
    text = HEAD + "RS-1,filled,,,,249,g,j1,,j2\nRS-1,filled,,,,251,g,j2,,j1\n"
    table = read(text).table
    assert table["judged"].tolist() == [True, True]
    assert table["doubt"].unique().tolist() == [
        "row 2 of oct.csv and row 3 of oct.csv replace each other: which weighing holds? Correct "
        'the column replaces; or in settings.csv: name "row 2 of oct.csv" or "row 3 of oct.csv", '
        'value "slip" or "real".'
    ]
    settled = read(text, settings="name,value\nrow 2 of oct.csv,slip\n").table
    assert settled[["net_g", "judged", "doubt"]].values.tolist() == [[251.0, True, ""]]
