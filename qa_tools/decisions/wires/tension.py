"""How taut a wire is, by the note it gives when plucked, and how far it bows when it cuts."""

from __future__ import annotations

import csv
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final

import numpy as np

LIMIT: Final = 0.60  # share of the breaking load that no tuning goes over
TUNED: Final = 0.50  # share of the breaking load to tune to, unless told otherwise
LENGTH_DOUBT_MM: Final = 1.0  # a free length read off a rule; ours, no published source
DENSITY_DOUBT: Final = 0.01  # as share; tables of the same steel differ by so much
CAUTION: Final = (
    "A taut wire can whip: eye protection on, slacken before changing, never over the limit."
)
_THINNEST_MM, _THICKEST_MM = 0.10, 1.60
# Stiffness (the length a held end takes off, over the free length) up to which the note tells the
# tension: there the formula is 0.8 % of pitch off the exact one, and the ends leave ±20 % open.
_STIFFEST: Final = 0.08
_MM_PER_INCH: Final = 25.4
_MPA_PER_KSI: Final = 6.894757


@dataclass(frozen=True)
class Wire:
    """
    One wire as it stands in its frame.

    Parameters
    ----------
    material : str
        "music wire" or "stainless"; words around it do not matter ("tinned music wire").
    diameter_mm : float
    length_mm : float
        Free to swing: between the two points that hold it.

    Raises
    ------
    ValueError
        A material not known here, a diameter outside 0.1 to 1.6 mm, a length not above zero.

    Examples
    --------
    >>> wire = Wire("music wire", 0.50, 110)
    >>> wire.tension(1495)
    1495 Hz on music wire, 0.5 mm, 110 mm free: about 160 N (between 145 and 176).
    At most 37 % of its least breaking load of 475 N; the limit is 60 %.
    A taut wire can whip: eye protection on, slacken before changing, never over the limit.
    """

    material: str
    diameter_mm: float
    length_mm: float

    def __post_init__(self) -> None:
        if not known_material(self.material):
            raise ValueError(
                f'the material "{self.material}" is not known here; known are '
                f"{', '.join(sorted(_wire_data()['materials']))}"
            )
        if not _THINNEST_MM <= self.diameter_mm <= _THICKEST_MM:
            raise ValueError(
                f"a diameter of {self.diameter_mm:g} mm is not a cutter wire's; "
                f"give it in mm, between {_THINNEST_MM:g} and {_THICKEST_MM:g}"
            )
        if not (math.isfinite(self.length_mm) and self.length_mm > LENGTH_DOUBT_MM):
            raise ValueError(
                f"a free length of {self.length_mm:g} mm cannot be; "
                "give it in mm, between the points that hold the wire"
            )

    @property
    def g_per_m(self) -> float:
        """Mass of a metre of wire, in grams."""
        return _kg_per_m(self.diameter_mm, self._of["density"]) * 1000

    @property
    def breaking_n(self) -> float | None:
        """
        The least load that breaks music wire of this diameter, in newtons; None for stainless.

        Notes
        -----
        Least tensile strength of ASTM A228, second-hand from a wire maker's table (in the data
        file), between its rows a straight line over the logarithm of the diameter.
        """
        if not self._of["breaking_load"]:
            return None
        inches, ksi = _least_strength()
        mpa = _MPA_PER_KSI * np.interp(math.log(self.diameter_mm / _MM_PER_INCH), inches, ksi)
        return float(mpa) * _area_mm2(self.diameter_mm)

    def tension(self, note_hz: float) -> Tension:
        """
        The tension at which the wire gives a note.

        Parameters
        ----------
        note_hz : float
            The lowest note it gives when plucked in the middle.

        Returns
        -------
        Tension
            In newtons, with the least and the most it may be.

        Raises
        ------
        ValueError
            The note is no number above zero; so low that the wire's own stiffness makes it; so
            high that the wire would have broken.

        Notes
        -----
        The taut string, f = sqrt(T/m) / 2L (Mersenne, Taylor; any text on acoustics), with the
        stiffness of the wire. How its ends are held is not known: hinged ends raise the note by
        sqrt(1 + π²e²), clamped ones by 1 + 2e + (4 + π²/2) e², where e = sqrt(EI/T) / L (text
        books, from memory; the second checked against the exact frequency equation). `newtons`
        takes one end as hinged and one as clamped. `lower` takes both as clamped, the wire as thin
        as its tolerance allows, 1 % lighter, the length 1 mm shorter; `upper` the opposite of each.
        So change, and wire against wire, are told more surely than the newtons themselves.

        Examples
        --------
        >>> found = Wire("music wire", 1.0, 420).tension(392)
        >>> [round(value) for value in (found.lower, found.newtons, found.upper)]
        [621, 656, 692]
        """
        if not (math.isfinite(note_hz) and note_hz > 0):
            raise ValueError(f"a note of {note_hz:g} Hz cannot be; give it in hertz, above zero")
        low, best, high = (_newtons(note_hz, *one) for one in self._ways())
        broken = self.breaking_n
        if broken is not None and low > broken:
            raise ValueError(
                f"a note of {note_hz:g} Hz would take {best:.0f} N, and this wire breaks at "
                f"{broken:.0f} N: an octave was heard, or diameter or length are wrong"
            )
        return Tension(self, note_hz, best, low, high)

    def note(self, newtons: float) -> float:
        """
        The note in hertz to expect at a tension: `tension` turned round.

        Raises
        ------
        ValueError
            The tension is no number above zero, or so low that the wire's stiffness makes the note.

        Examples
        --------
        >>> wire = Wire("music wire", 0.50, 110)
        >>> round(wire.note(wire.tension(1495).newtons))
        1495
        """
        if not (math.isfinite(newtons) and newtons > 0):
            raise ValueError(f"a tension of {newtons:g} N cannot be; give it above zero")
        return _note(newtons, *self._ways()[1])

    def tune(self, share: float = TUNED) -> Tension:
        """
        The highest note to tune music wire to, so that it surely keeps under its limit.

        Parameters
        ----------
        share : float
            Of the least breaking load, above 0 and at most 0.6. The tension is no more than it even
            where the wire is as heavy, as long and held as softly as `tension` allows for.

        Returns
        -------
        Tension
            Its `note_hz` is the note, its `upper` that share of the breaking load.

        Raises
        ------
        ValueError
            A share outside its range; wire other than music wire, whose breaking load is not known.

        Notes
        -----
        Piano makers give 60 % of the breaking load as a rule (J. Delacour, 2011, wire tensile
        limits), 59 % as safe and 70 % of the average as the ceiling (D. Fandrich, 2000). Iron wire
        went on stretching for months at half its breaking load, not at a quarter (Love, Treatise on
        Elasticity, as quoted by Delacour, 2008).

        Examples
        --------
        >>> Wire("music wire", 0.50, 110).tune()
        1735 Hz on music wire, 0.5 mm, 110 mm free: about 217 N (between 198 and 238).
        At most 50 % of its least breaking load of 475 N; the limit is 60 %.
        A taut wire can whip: eye protection on, slacken before changing, never over the limit.
        """
        if not 0 < share <= LIMIT:
            raise ValueError(
                f"a share of {share:g} of the breaking load is not allowed; "
                f"give it above 0 and at most {LIMIT:g}"
            )
        broken = self.breaking_n
        if broken is None:
            raise ValueError(
                f"no note is suggested for {known_material(self.material)} wire: its breaking load "
                "depends on how it was drawn; ask its maker"
            )
        return self.tension(_note(share * broken, *self._ways()[2]))

    def bow(self, newtons: float, cutting_n_per_m: float, loaf_mm: float | None = None) -> Bow:
        """
        How far the wire bows while it cuts, in the plane of the cut.

        Parameters
        ----------
        newtons : float
            Tension before cutting.
        cutting_n_per_m : float
            What the loaf resists, per metre of its width. No figure is published for fresh soap;
            assumed toughness and hardness give some 40 to 250.
        loaf_mm : float, optional
            Width of the loaf, in the middle of the wire; without it the whole free length.

        Returns
        -------
        Bow

        Raises
        ------
        ValueError
            A tension or load not above zero, a loaf wider than the wire is long.

        Notes
        -----
        A load over the middle makes a parabola there and straight lines beside it; under it the
        wire stretches, so the loaded tension H solves H = T + (EA/L) q² w² (3L - 2w) / (24 H²).
        Derived for this project; over the whole length it is the cubic of the stretched parabola.

        Examples
        --------
        >>> bow = Wire("music wire", 0.50, 100).bow(100, 165)
        >>> round(bow.mm, 4), round(bow.loaded_n, 2), round(bow.unstretched_mm, 4)
        (1.6185, 127.43, 2.0625)
        """
        width = self.length_mm if loaf_mm is None else loaf_mm
        if not (newtons > 0 and cutting_n_per_m > 0):
            raise ValueError(
                f"tension {newtons:g} N and load {cutting_n_per_m:g} N/m are to be above zero"
            )
        if not 0 < width <= self.length_mm:
            raise ValueError(
                f"a loaf of {width:g} mm does not fit a wire of {self.length_mm:g} mm free length"
            )
        w, span = width / 1000, self.length_mm / 1000
        load = cutting_n_per_m * w
        longer = load**2 * (3 * span - 2 * w) / 24  # times 1/H²: by how much the path is longer
        stretch = self._stretch_n / span * longer
        # H = T + stretch / H² rises on one side and falls on the other, so it holds once
        most = newtons + stretch ** (1 / 3)
        loaded = _root(lambda h: h - newtons - stretch / h**2, newtons, most)
        sag, drop = load * (2 * span - w) / 8, load * w / 24
        return Bow(
            mm=1000 * sag / loaded,
            mean_mm=1000 * (sag - drop) / loaded,
            loaded_n=loaded,
            unstretched_mm=1000 * sag / newtons,
        )

    def warming(self, kelvin: float, frame: str = "aluminium") -> float:
        """
        By how many newtons the tension changes when frame and wire warm up.

        Parameters
        ----------
        kelvin : float
            Rise of temperature; negative for cooling.
        frame : str
            "aluminium", "steel", "wood along the grain", "acrylic" or "polyethylene".

        Raises
        ------
        ValueError
            A frame not known here.

        Notes
        -----
        EA (a_frame - a_wire) times the rise, for a stiff frame; one that gives changes it less.
        Coefficients are middles of the ranges that tables of materials give (in the data file).

        Examples
        --------
        >>> round(Wire("music wire", 0.50, 110).warming(10), 1)
        4.3
        """
        frames = _wire_data()["frames"]
        if frame not in frames:
            raise ValueError(f'the frame "{frame}" is not known; known are {", ".join(frames)}')
        apart = float(frames[frame]) - float(self._of["expansion"])
        return self._stretch_n * apart * 1e-6 * kelvin

    @property
    def _of(self) -> Mapping[str, Any]:
        properties: Mapping[str, Any] = _wire_data()["materials"][known_material(self.material)]
        return properties

    @property
    def _stretch_n(self) -> float:
        """EA: newtons for a stretch of one, that is to twice the length."""
        return float(self._of["modulus"]) * 1e3 * _area_mm2(self.diameter_mm)

    def _ways(self) -> list[tuple[float, float, float, float, int]]:
        """What the wire may be, for the least tension, the likeliest and the most: diameter,
        length, density, modulus and how many ends are clamped."""
        off = float(self._off_mm)
        return [
            (
                self.diameter_mm + side * off,
                self.length_mm + side * LENGTH_DOUBT_MM,
                self._of["density"] * (1 + side * DENSITY_DOUBT),
                self._of["modulus"],
                1 - side,
            )
            for side in (-1, 0, 1)
        ]

    @property
    def _off_mm(self) -> float:
        """By how much the diameter may be off."""
        rule = _wire_data()["diameter"]
        inches = self.diameter_mm / _MM_PER_INCH
        row = min(int(np.searchsorted(rule["up_to"], inches - 1e-9)), len(rule["up_to"]) - 1)
        return float(rule["tolerance"][row]) * _MM_PER_INCH


@dataclass(frozen=True, repr=False)
class Tension:
    """
    The tension of a wire that gives a note; prints as a short readable summary.

    Attributes
    ----------
    wire : Wire
    note_hz : float
    newtons : float
        With one end hinged and one clamped.
    lower, upper : float
        The least and the most it may be, in newtons.
    """

    wire: Wire
    note_hz: float
    newtons: float
    lower: float
    upper: float

    @property
    def share(self) -> float | None:
        """The most it may be, as share of the least breaking load; None where that is unknown."""
        broken = self.wire.breaking_n
        return None if broken is None else self.upper / broken

    def __str__(self) -> str:
        wire, share = self.wire, self.share
        if share is None:
            of_break = "No share of a breaking load: it depends on how the wire was drawn."
        else:
            of_break = (
                f"At most {share:.0%} of its least breaking load of {wire.breaking_n:.0f} N; "
                f"the limit is {LIMIT:.0%}."
            ).replace("%", " %")
            if share > LIMIT:
                of_break += " Over the limit: slacken it."
        return (
            f"{self.note_hz:.0f} Hz on {known_material(wire.material)}, {wire.diameter_mm:g} mm, "
            f"{wire.length_mm:g} mm free: about {self.newtons:.0f} N "
            f"(between {self.lower:.0f} and {self.upper:.0f}).\n{of_break}\n{CAUTION}"
        )

    __repr__ = __str__


@dataclass(frozen=True, repr=False)
class Bow:
    """
    The bow of a wire while it cuts; prints as a short sentence.

    It lies in the plane of the cut and so leaves the weights of the bars unchanged.

    Attributes
    ----------
    mm : float
        In the middle of the loaf.
    mean_mm : float
        Over the width of the loaf.
    loaded_n : float
        Tension while cutting.
    unstretched_mm : float
        In the middle, had the wire kept its length. Where this is much more than `mm`, the bow
        comes of the wire's stretch, and tightening gains little.
    """

    mm: float
    mean_mm: float
    loaded_n: float
    unstretched_mm: float

    def __str__(self) -> str:
        return (
            f"bows {self.mm:.2f} mm in the middle of the loaf, {self.mean_mm:.2f} mm on average, "
            f"at {self.loaded_n:.0f} N while cutting"
        )

    __repr__ = __str__


def cents(note_hz: float, reference_hz: float) -> float:
    """
    How far a note stands above another, in cents: hundredths of a semitone, 1200 to the octave.

    Raises
    ------
    ValueError
        A note is zero or below.

    Examples
    --------
    >>> cents(880, 440), round(cents(870, 1482))
    (1200.0, -922)
    """
    if note_hz <= 0 or reference_hz <= 0:
        raise ValueError(f"a note is above zero hertz; got {note_hz:g} and {reference_hz:g}")
    return 1200 * math.log2(note_hz / reference_hz)


def tension_change(by_cents: float) -> float:
    """
    A change of note in cents as a change of tension in per cent, for the same wire.

    Notes
    -----
    The taut string without stiffness: the tension goes as the square of the note.

    Examples
    --------
    >>> round(tension_change(1), 4), round(tension_change(-100), 1)
    (0.1156, -10.9)
    """
    return 100 * (2 ** (by_cents / 600) - 1)


def known_material(written: str) -> str:
    """
    The material that words name; "" where none is known.

    Examples
    --------
    >>> [known_material(words) for words in ("Piano wire, tinned", "stainless 0.5", "steel")]
    ['music wire', 'stainless', '']
    """
    materials = _wire_data()["materials"]
    words = written.casefold()
    return next(
        (name for name, of in materials.items() if any(w in words for w in of["names"])), ""
    )


def string_newtons(note_hz: float, g_per_m: float, length_mm: float) -> float:
    """
    The tension of a string without stiffness: T = m (2 L f)².

    Examples
    --------
    >>> round(string_newtons(440, 1.0, 500), 1)
    193.6
    """
    return g_per_m / 1000 * (2 * length_mm / 1000 * note_hz) ** 2


def note_raised(stiffness: float, clamped_ends: int) -> float:
    """
    The note of a stiff wire over that of a string without stiffness.

    Parameters
    ----------
    stiffness : float
        e = sqrt(EI/T) / L.
    clamped_ends : 0, 1 or 2
        The others are hinged.

    Notes
    -----
    Hinged ends exactly; each clamped end takes e off the free length, to the second order.

    Examples
    --------
    >>> [round(note_raised(0.02, ends), 4) for ends in (0, 1, 2)]
    [1.002, 1.0224, 1.0436]
    """
    taken = clamped_ends * stiffness
    return math.sqrt(1 + (math.pi * stiffness) ** 2) + taken + taken**2


def _newtons(
    note_hz: float, diameter_mm: float, length_mm: float, density: float, modulus: float, ends: int
) -> float:
    """The tension of a stiff wire that gives a note."""
    kg_per_m = _kg_per_m(diameter_mm, density)
    string = string_newtons(note_hz, kg_per_m * 1000, length_mm) ** 0.5
    stiff = _stiffness(1.0, diameter_mm, length_mm, modulus)
    slackest = stiff / _STIFFEST
    if slackest * note_raised(_STIFFEST, ends) > string:
        raise ValueError(
            f"at {note_hz:g} Hz the wire is too slack for its note to tell the tension: below "
            f"{slackest**2:.0f} N its own stiffness makes the note, or diameter or length are wrong"
        )
    return _root(lambda x: x * note_raised(stiff / x, ends) - string, slackest, string) ** 2


def _note(
    newtons: float, diameter_mm: float, length_mm: float, density: float, modulus: float, ends: int
) -> float:
    """The note of a stiff wire under a tension."""
    stiffness = _stiffness(newtons, diameter_mm, length_mm, modulus)
    if stiffness > _STIFFEST:
        raise ValueError(
            f"at {newtons:g} N the wire is too slack to give a note that tells its tension"
        )
    string = math.sqrt(newtons / _kg_per_m(diameter_mm, density)) / (2 * length_mm / 1000)
    return string * note_raised(stiffness, ends)


def _stiffness(newtons: float, diameter_mm: float, length_mm: float, modulus: float) -> float:
    """e = sqrt(EI/T) / L, I = π d⁴ / 64."""
    bending = modulus * 1e9 * math.pi * (diameter_mm / 1000) ** 4 / 64
    return math.sqrt(bending / newtons) / (length_mm / 1000)


def _root(wanted: Any, low: float, high: float) -> float:
    from scipy.optimize import brentq

    return float(brentq(wanted, low, high, xtol=1e-12, rtol=1e-14))


def _area_mm2(diameter_mm: float) -> float:
    return math.pi * diameter_mm**2 / 4


def _kg_per_m(diameter_mm: float, density: float) -> float:
    return density * _area_mm2(diameter_mm) * 1e-6


@cache
def _wire_data() -> dict[str, Any]:
    return tomllib.loads(_data("wire.toml"))


@cache
def _least_strength() -> tuple[list[float], list[float]]:
    """Logarithms of the diameters in inches, and the least tensile strengths in ksi."""
    lines = [line for line in _data("music_wire.csv").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return (
        [math.log(float(row["diameter_in"])) for row in rows],
        [float(row["least_ksi"]) for row in rows],
    )


def _data(name: str) -> str:
    return files("qa_tools.decisions.wires").joinpath("data", name).read_text("utf-8")
