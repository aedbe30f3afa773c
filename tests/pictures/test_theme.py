"""The house style: titles that wrap, text that stays text, numbers that stay short."""

import math

import pytest

from qa_tools.pictures import theme


def test_a_long_title_is_wrapped_and_the_plot_makes_way() -> None:
    short, long = theme.canvas("All is well"), theme.canvas("All is well and more so " * 8)
    lines = long.layout.title.text.split("<br>")
    assert len(lines) > 1
    assert max(map(len, lines)) <= 72
    assert long.layout.margin.t > short.layout.margin.t


def test_a_new_line_in_a_title_begins_one() -> None:
    assert theme.canvas("Balm, filled\nAll is well").layout.title.text == (
        "Balm, filled<br>All is well"
    )


@pytest.mark.parametrize("title", ["", "\n"])
def test_no_title_is_no_error(title: str) -> None:
    assert theme.canvas(title).layout.margin.t > 0


def test_marks_in_a_title_are_shown_letter_by_letter() -> None:
    assert theme.canvas("<b>a</b> & b").layout.title.text == "&lt;b&gt;a&lt;/b&gt; &amp; b"


def test_a_rounded_number_is_never_minus_zero() -> None:
    (zero,) = theme.rounded([-0.0004], 2)
    assert math.copysign(1, zero) == 1


def _luminance(colour: str) -> float:
    """WCAG 2.1, relative luminance of an sRGB colour."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [x / 12.92 if x <= 0.04045 else ((x + 0.055) / 1.055) ** 2.4 for x in parts]
    return sum(weight * x for weight, x in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize(("colour", "contrast"), [(theme.INK, 4.5), (theme.GREY, 4.5)])
def test_text_stands_out_from_white(colour: str, contrast: float) -> None:
    # WCAG 2.1, success criterion 1.4.3.
    assert 1.05 / (_luminance(colour) + 0.05) >= contrast
