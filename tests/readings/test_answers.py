"""What settings.csv says is looked up exactly, and what says nothing we know is asked about."""

import io
from collections.abc import Callable
from pathlib import Path

import pytest
import xlsxwriter

from qa_tools.readings import Weighings, read_works
from qa_tools.readings.answers import Answers

Read = Callable[..., Weighings]
Write = Callable[[dict[str, str | bytes]], Path]
TEXT = "batch,stage,weight\nOH-1,packed,48\nOH-1,packed,120\n"


def asked(weighings: Weighings) -> list[str]:
    assert set(weighings.questions["file"]) <= {"settings.csv"}
    return weighings.questions["question"].tolist()


@pytest.mark.parametrize(
    "name",
    ["row 2 of oct.csv", "Row 2 of weights/oct.csv", "row 2 of oct", "row 2 weight of oct.csv"],
)
def test_ways_to_name_a_row(read: Read, name: str) -> None:
    weighings = read(TEXT, settings=f"name,value,who,when\n{name},real,LT,2026-10-03\n")
    assert (weighings.table["doubt"] == "").all() and not asked(weighings)


def test_the_answer_may_stand_in_the_name(read: Read) -> None:
    settings = 'name,value,who,when\n"row 2 of oct.csv is real, not a slip",yes,LT,2026-10-03\n'
    weighings = read(TEXT, settings=settings)
    assert "answered real by LT on 2026-10-03: 48 g" in weighings.table["remark"][0] and not asked(
        weighings
    )


@pytest.mark.parametrize(
    ("name", "value", "question"),
    [
        ("row 999 of oct.csv", "slip", '"row 999 of oct.csv": no weighing stands there.'),
        ("row 2 of otc.csv", "slip", '"row 2 of otc.csv": no weighing stands there.'),
        (
            "row 2 of oct.csv",
            "mistake",
            'The value "mistake" of "row 2 of oct.csv" is not understood.',
        ),
        (
            "unit of otc.csv",
            "oz",
            '"unit of otc.csv": no file of that name was read, is "oct.csv" meant?',
        ),
        ("unit", "stone", 'The value "stone" of "unit" is not understood.'),
        ("date order", "day", 'The value "day" of "date order" is not understood.'),
        ("decimal mark", "colon", 'The value "colon" of "decimal mark" is not understood.'),
        (
            "first day of the week",
            "Mo-Tu",
            'The value "Mo-Tu" of "first day of the week" is not understood.',
        ),
        ("working days", "weekdays", 'The value "weekdays" of "working days" is not understood.'),
    ],
)  # fmt: skip
def test_an_answer_that_says_nothing_is_asked_about(
    read: Read, name: str, value: str, question: str
) -> None:
    text = TEXT.replace("weight", "weight (g)")
    assert asked(read(text, settings=f"name,value\n{name},{value}\n")) == [question]


def test_names_we_do_not_know_are_one_line(read: Read) -> None:
    settings = "name,value\ncolour,red\nshift lead,MH\nchecked us-hb133 MAV 117-154 g,page 3\n"
    assert asked(read(TEXT, settings=settings)) == ['No use is made of "colour", "shift lead".']


def test_what_is_understood_is_not_asked_about(read: Read) -> None:
    settings = (
        "name,value\ncurrency,EUR\nworks,Quillhaven\nfirst day of the week,Mon\n"
        'working days,Mon-Sat\n"working days","Mon, Tue and Thu"\nunit of oct,g\n'
        "date order of batches.csv,year first\ndecimal mark,point\nweighed,bare\n"
        "weighed of oct.csv,bare\nweighed of oat,bare\nstage packt,packed\n"
    )
    assert not asked(read(TEXT, settings=settings))


def test_a_row_of_several_packages_needs_its_column(read: Read) -> None:
    weighings = read("batch,w1,w2\nOH-1,48,120\n", settings="name,value\nrow 2 of oct.csv,slip\n")
    assert len(weighings.table) == 2
    assert weighings.questions.values.tolist() == [
        [
            "settings.csv",
            '"row 2 of oct.csv" is 2 weighings: which is meant?',
            'settings.csv: name "row 2 w1 of oct.csv" or "row 2 w2 of oct.csv", '
            'value "slip" or "real"',
        ]
    ]


def test_a_sheet_of_a_workbook_is_answered_as_it_is_asked(
    folder: Write, lists: dict[str, str | bytes]
) -> None:
    memory = io.BytesIO()
    book = xlsxwriter.Workbook(memory, {"in_memory": True})
    for name in ("Jars", "Bars"):
        sheet = book.add_worksheet(name)
        for number, row in enumerate([["batch", "weight"], ["OH-1", 48.0], ["OH-1", 120.0]]):
            sheet.write_row(number, 0, row)
    book.close()
    files = {**lists, "weights/book.xlsx": memory.getvalue()}
    doubts = [one for one in read_works(folder(files)).weighings.table["doubt"] if one]
    assert [one.split('name "')[1].split('"')[0] for one in doubts] == [
        "row 2 of book.xlsx sheet Jars",
        "row 2 of book.xlsx sheet Bars",
    ]
    settings = (
        "name,value,who,when\nrow 2 of book.xlsx sheet Jars,slip,LT,2026-10-03\n"
        "row 2 of book.xlsx sheet Bars,real,LT,2026-10-03\n"
    )
    weighings = read_works(folder(files | {"settings.csv": settings})).weighings
    assert weighings.table["sheet"].tolist() == ["Jars", "Bars", "Bars"]
    assert (weighings.table["doubt"] == "").all() and not asked(weighings)
    both = read_works(
        folder(files | {"settings.csv": "name,value\nrow 2 of book.xlsx,slip\n"})
    ).weighings
    assert asked(both) == ['"row 2 of book.xlsx" is 2 weighings: which is meant?']


def test_an_answer_without_who_and_when_counts_and_is_asked_about_once(read: Read) -> None:
    settings = "name,value,who\nrow 2 of oct.csv,slip,\nrow 3 of oct.csv,real,LT\n"
    weighings = read(TEXT, settings=settings)
    assert weighings.table["net_g"].tolist() == [120]
    assert asked(weighings) == [
        'settings.csv: "row 2 of oct.csv" says slip, "row 3 of oct.csv" says real, but not who '
        "answered and when."
    ]


@pytest.mark.parametrize("name", ["weighed", "weighed of oct.csv", 'fate "binned"'])
def test_an_answer_that_is_no_word_of_ours_is_asked_about(read: Read, name: str) -> None:
    (question,) = asked(read(TEXT, settings=f"name,value\n{name},somehow\n"))
    assert question == f'The value "somehow" of "{name}" is not understood.'


def test_a_later_answer_replaces_an_earlier_one() -> None:
    given = Answers.of([("unit of a.csv", "g", "LT", ""), ("Unit of A.csv", "oz", "LT", "")])
    assert given.of_file("unit", "weights/a.csv") == "oz"
    assert given.general("unit") == ""
