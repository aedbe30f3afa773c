"""The picture of operating characteristics: title, lines, words and stable text."""

from __future__ import annotations

import plotly.io as pio

from qa_tools.books.curve import oc_curve

BOOKS = ["eu-76-211", "us-hb133", "ca-crc-417"]


def test_a_line_a_book_in_either_panel_named_once() -> None:
    figure = oc_curve(BOOKS, 200).figure()
    assert [trace.name for trace in figure.data] == BOOKS * 2
    assert [trace.name for trace in figure.data if trace.showlegend] == BOOKS
    for book in BOOKS:
        same = [trace for trace in figure.data if trace.name == book]
        assert len({(trace.line.color, trace.line.dash) for trace in same}) == 1
    assert len({trace.line.color for trace in figure.data}) == len(BOOKS)
    assert len({trace.line.dash for trace in figure.data}) == len(BOOKS)  # colour is not alone


def test_the_title_states_the_finding() -> None:
    title = oc_curve(BOOKS, 200).figure().layout.title.text.replace("<br>", " ")
    assert title == (
        "Of lots of 200 made half a standard deviation short, the mean test passes "
        "46 % (ca-crc-417) to 65 % (us-hb133)"
    )
    alone = oc_curve("us-hb133", 1).figure()
    assert alone.layout.title.text == "How often lots of 1 pass the count test"
    assert len(alone.data) == 1


def test_the_title_names_a_test_that_is_not_the_reference_test() -> None:
    title = oc_curve(["eu-76-211", "de-fpackv-2020"], 200, test="destructive").figure().layout.title
    assert "the mean test (destructive) passes" in title.text.replace("<br>", " ")


def test_axes_say_what_they_count() -> None:
    layout = oc_curve(BOOKS, 200).figure().layout
    assert "standard deviations" in layout.xaxis.title.text
    assert "short by more than" in layout.xaxis2.title.text
    assert layout.yaxis.title.text == "Lots that pass"
    texts = {a.text for a in layout.annotations}
    assert {"The mean test alone", "The count test alone"} <= texts
    assert any("figures from memory" in text for text in texts)


def test_the_picture_is_the_same_text_every_time() -> None:
    one, other = (pio.to_json(oc_curve(BOOKS, 200).figure()) for _ in range(2))
    assert one == other
    assert max(len(str(y)) for y in oc_curve(BOOKS, 200).figure().data[0].y) <= 6
