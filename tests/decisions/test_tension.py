"""One wire: tension and note, share of the breaking load, bow, and what is refused."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from qa_tools.decisions.wires.tension import LIMIT, Bow, Wire, cents, tension_change

cutter_wires = st.builds(
    Wire, st.sampled_from(["music wire", "stainless"]), st.floats(0.2, 0.6), st.floats(80, 400)
)
music_wires = st.builds(Wire, st.just("music wire"), st.floats(0.1, 0.6), st.floats(80, 400))


def pulled(wire: Wire, mpa: float) -> float:
    return mpa * math.pi * wire.diameter_mm**2 / 4


@given(cutter_wires, st.floats(400, 1500))
def test_tension_to_note_and_back(wire: Wire, mpa: float) -> None:
    newtons = pulled(wire, mpa)
    found = wire.tension(wire.note(newtons))
    assert found.newtons == pytest.approx(newtons, rel=1e-9)
    assert wire.note(found.newtons) == pytest.approx(found.note_hz, rel=1e-9)


@given(cutter_wires, st.floats(400, 1100), st.floats(1.001, 1.3))
def test_a_tauter_wire_sounds_higher(wire: Wire, mpa: float, more: float) -> None:
    note_hz = wire.note(pulled(wire, mpa))
    low, high = wire.tension(note_hz), wire.tension(note_hz * more)
    assert low.lower < low.newtons < low.upper
    assert low.newtons < high.newtons
    # a stiff wire's tension changes by more than the square of its note
    assert high.newtons / low.newtons >= more**2 * (1 - 1e-9)


@given(music_wires, st.floats(0.15, LIMIT))
def test_what_is_suggested_never_goes_over_the_share(wire: Wire, share: float) -> None:
    tuned = wire.tune(share)
    assert tuned.share == pytest.approx(share, rel=1e-9)
    assert tuned.newtons < tuned.upper == pytest.approx(share * wire.breaking_n)
    assert wire.note(tuned.newtons) == pytest.approx(tuned.note_hz)


@given(music_wires, st.floats(0.15, LIMIT))
def test_the_true_tension_is_within_the_doubt(wire: Wire, share: float) -> None:
    # A wire as it may be: a little off in every way the doubt allows for, hinged or clamped.
    newtons = share * wire.breaking_n
    found = wire.tension(wire.note(newtons))
    for ends, side in ((0, 1), (2, -1)):
        mass = wire.g_per_m * (1 + 0.009 * side) * (1 + 0.003 * side) ** 2 / 1000
        length = (wire.length_mm + 0.9 * side) / 1000
        stiff = math.sqrt(200e9 * math.pi * (wire.diameter_mm / 1000) ** 4 / 64)
        e = [stiff / math.sqrt(t) / length for t in (found.lower, found.upper)]
        raised = [1 + ends * x + (ends**2 + math.pi**2 / 2) * x * x for x in e]
        notes = [
            math.sqrt(t / mass) / (2 * length) * r
            for t, r in zip((found.lower, found.upper), raised, strict=True)
        ]
        assert notes[0] < found.note_hz < notes[1]


def test_the_doubt_of_a_usual_cutter_wire_is_several_per_cent() -> None:
    found = Wire("music wire", 0.5, 110).tension(1495)
    # ends ±3.6 %, mass ±3 % by the diameter and ±1 % by the steel, length ±1.8 %
    assert found.lower / found.newtons == pytest.approx(1 - 0.093, abs=0.005)
    assert found.upper / found.newtons == pytest.approx(1 + 0.099, abs=0.005)


@given(st.floats(-1200, 1200))
def test_cents_and_tension_change(by: float) -> None:
    assert cents(440 * 2 ** (by / 1200), 440) == pytest.approx(by, abs=1e-9)
    assert tension_change(by) == pytest.approx(100 * ((2 ** (by / 1200)) ** 2 - 1), abs=1e-9)


def test_notes_that_cannot_be_compared() -> None:
    with pytest.raises(ValueError, match="above zero hertz; got 0 and 440"):
        cents(0, 440)


@given(st.floats(20, 300), st.floats(10, 250), st.floats(0.2, 1.0))
def test_the_bowed_wire_is_as_long_as_its_tension_stretches_it(newtons, load, share) -> None:
    length, area = 120.0, math.pi * 0.5**2 / 4
    width = share * length
    bow = Wire("music wire", 0.5, length).bow(newtons, load, width)
    # the path itself: a parabola under the loaf, straight lines beside it
    x = np.linspace(0, length / 2, 20_001)
    slope = load / 1000 * np.minimum(x, width / 2) / bow.loaded_n
    assert trapezoid(slope, x) == pytest.approx(bow.mm, rel=1e-6)
    longer = 2 * trapezoid(slope**2 / 2, x)
    stretched = (bow.loaded_n - newtons) * length / (200e3 * area)
    assert stretched == pytest.approx(longer, rel=1e-6, abs=1e-9)
    sag = bow.mm - np.cumsum(slope) * (x[1] - x[0])
    assert sag[x <= width / 2].mean() == pytest.approx(bow.mean_mm, rel=2e-3)


def test_a_bow_reads_in_words() -> None:
    bow = Wire("music wire", 0.5, 120).bow(100, 165, 80)
    assert isinstance(bow, Bow)
    assert str(bow) == (
        "bows 2.05 mm in the middle of the loaf, 1.71 mm on average, at 129 N while cutting"
    )


def test_stainless_has_a_tension_and_no_share() -> None:
    found = Wire("stainless steel", 0.5, 110).tension(1495)
    assert found.share is None
    assert found.newtons == pytest.approx(160, rel=0.02)
    assert "No share of a breaking load" in str(found)
    with pytest.raises(ValueError, match=r"no note is suggested for stainless.*ask its maker"):
        found.wire.tune()


def test_stainless_music_wire_is_stainless() -> None:
    assert Wire("Stainless music wire", 0.5, 110).breaking_n is None


def test_over_the_limit_is_said() -> None:
    found = Wire("music wire", 0.5, 110).tension(2050)
    assert found.share > LIMIT
    assert "Over the limit: slacken it." in str(found)
    assert "Over the limit" not in str(found.wire.tune(LIMIT - 1e-9))


@pytest.mark.parametrize(
    ("material", "diameter", "length", "said"),
    [
        ("bronze", 0.5, 110, r'the material "bronze" is not known here.*music wire, stainless'),
        ("", 0.5, 110, r'the material "" is not known here'),
        ("music wire", 0.02, 110, r"a diameter of 0.02 mm.*in mm, between 0.1 and 1.6"),
        ("music wire", 20, 110, "a diameter of 20 mm"),
        ("music wire", math.nan, 110, "a diameter of nan mm"),
        ("music wire", 0.5, 0, "a free length of 0 mm cannot be"),
        ("music wire", 0.5, math.inf, "a free length of inf mm cannot be"),
    ],
)
def test_a_wire_that_cannot_be(material, diameter, length, said) -> None:
    with pytest.raises(ValueError, match=said):
        Wire(material, diameter, length)


def test_notes_and_tensions_that_cannot_be() -> None:
    wire = Wire("music wire", 0.5, 110)
    for hz in (0, -3, math.nan, math.inf):
        with pytest.raises(ValueError, match=r"a note of .* Hz cannot be"):
            wire.tension(hz)
    with pytest.raises(ValueError, match=r"2990 Hz would take .* breaks at 475 N: an octave"):
        wire.tension(2990)
    with pytest.raises(ValueError, match=r"at 300 Hz the wire is too slack .* below 8 N"):
        wire.tension(300)
    with pytest.raises(ValueError, match="at 5 N the wire is too slack"):
        wire.note(5)
    for newtons in (0, -1, math.nan, math.inf):
        with pytest.raises(ValueError, match=r"a tension of .* N cannot be"):
            wire.note(newtons)
    for share in (0, 0.61, math.nan):
        with pytest.raises(ValueError, match=r"a share of .* is not allowed"):
            wire.tune(share)


def test_bows_and_frames_that_cannot_be() -> None:
    wire = Wire("music wire", 0.5, 110)
    for newtons, load in ((0, 100), (100, 0), (math.nan, 100)):
        with pytest.raises(ValueError, match="are to be above zero"):
            wire.bow(newtons, load)
    with pytest.raises(ValueError, match="a loaf of 120 mm does not fit a wire of 110 mm"):
        wire.bow(100, 100, 120)
    with pytest.raises(ValueError, match=r'the frame "brass" is not known; known are aluminium'):
        wire.warming(1, "brass")
