"""A week's weighings against their labels: the finding, names, marks, odd batches."""

import ast
import inspect
import math

import pytest

from qa_tools.pictures import batches as module
from qa_tools.pictures import theme
from qa_tools.pictures.batches import BatchLine, against_label

NAN = float("nan")


def line(batch: str = "OH-1", **changed: object) -> BatchLine:
    plain = BatchLine(
        batch=batch,
        about="Oat-and-honey bar, 120 g",
        net_g=[120.4, 114.59, 119.9],
        places=["loaf 1 slot 1", "loaf 1 slot 2", "row 9 of <b>.csv"],
        light=[False, True, False],
        declared_g=120.0,
        short_g=114.6,
        twice_g=109.2,
        mean=120.1,
        lower=119.5,
        upper=120.7,
        short=False,
        headline="averages 0.1 g over the 120 g declared",
    )
    return plain._replace(**changed)


def test_the_picture_knows_nothing_of_the_rooms_to_its_right() -> None:
    tree = ast.parse(inspect.getsource(module))
    names = [node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    assert not [name for name in names if "evidence" in name]


@pytest.mark.parametrize(
    ("batches", "title"),
    [
        ([], "No batch was judged"),
        ([line()], "OH-1 averages at least what its label says"),
        ([line(short=True)], "OH-1 averages short of its label"),
        ([line("A"), line("B")], "All 2 batches average at least what their label says"),
        ([line("A"), line("B", short=True)], "1 of 2 batches averages short of the label: B"),
    ],
)
def test_the_title_states_the_finding(batches: list[BatchLine], title: str) -> None:
    assert against_label(batches).layout.title.text == title


def test_many_short_batches_are_counted_not_listed() -> None:
    figure = against_label([line(f"batch number {i}", short=True) for i in range(60)])
    assert figure.layout.title.text.replace("<br>", " ") == (
        "60 of 60 batches average short of the label: the first is batch number 0"
    )
    assert len(figure.layout.yaxis.ticktext) == 60
    low, high = figure.layout.yaxis.range
    assert all(low < y < high for trace in figure.data for y in trace.y)


def test_two_batches_of_one_name_have_a_line_each() -> None:
    figure = against_label([line(), line()])
    assert figure.layout.yaxis.tickvals == (0, -1)


def test_light_packages_differ_in_shape_and_colour_and_say_why() -> None:
    dots = against_label([line()]).data[0]
    assert dots.marker.symbol == ("circle", "triangle-left", "circle")
    assert dots.marker.color[1] == theme.VERMILLION != dots.marker.color[0]
    assert dots.hovertext[1] == (
        "OH-1, loaf 1 slot 2: 114.59 g<br>short by more than allowed: below 114.6 g"
    )


def test_names_are_text_never_markup_and_long_ones_fit() -> None:
    figure = against_label([line("<b>x</b>", about="a very long product name " * 4)])
    (name,) = figure.layout.yaxis.ticktext
    assert name.startswith("&lt;b&gt;x&lt;/b&gt;<br>a very long")
    assert len(name.rpartition("<br>")[2]) <= 30
    assert "<b>" not in figure.data[0].hovertext[2]


def test_no_interval_is_drawn_where_there_is_none_and_no_limit_where_there_is_none() -> None:
    whole = against_label([line()])
    bare = against_label([line(lower=NAN, upper=NAN, short_g=None, twice_g=None)])
    assert len(whole.data) - len(bare.data) == 2
    assert not any(math.isnan(x) for trace in bare.data for x in trace.x)


def test_equal_weights_at_the_label_are_drawn_on_it() -> None:
    same = line(net_g=[120.0 - 1e-9] * 3, light=[False] * 3, mean=120.0, lower=120.0, upper=120.0)
    same = same._replace(short_g=None, twice_g=None)
    figure = against_label([same])
    assert figure.data[0].x == (0, 0, 0)
    assert not [x for trace in figure.data for x in trace.x if math.copysign(1, x) < 0]
