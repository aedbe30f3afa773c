"""Quantities as people write them: exact units, single values, and a label's declaration."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

# Grams in one unit, exactly. Pound: NIST Handbook 44 (2014) Appendix C and the Canadian Weights
# and Measures Act, Schedule II; the ounce is a sixteenth of it.
GRAMS: Final[dict[str, Decimal]] = {
    "g": Decimal(1),
    "kg": Decimal(1000),
    "mg": Decimal("0.001"),
    "oz": Decimal("28.349523125"),
    "lb": Decimal("453.59237"),
}

AVOIRDUPOIS: Final = ("oz", "lb")

_NAMES: Final[dict[str, str]] = {
    **{name: "g" for name in ("g", "gr", "gm", "gms", "gram", "grams", "gramme", "grammes")},
    **{name: "kg" for name in ("kg", "kgs", "kilo", "kilos", "kilogram", "kilograms")},
    **{name: "mg" for name in ("mg", "milligram", "milligrams")},
    **{name: "oz" for name in ("oz", "ozs", "ounce", "ounces")},
    **{name: "lb" for name in ("lb", "lbs", "pound", "pounds")},
}
_VOLUMES: Final = {
    *("ml", "cl", "dl", "l", "litre", "litres", "liter", "liters", "millilitre", "millilitres"),
    *("milliliter", "milliliters", "floz", "fluidounce", "fluidounces"),
}
# More than any package here holds: the widest scope of a published book that ends is 50 kg (OIML
# R 87 and Australia).
_MOST_G: Final = 50_000
_GAP: Final = r"[\s\u00a0\u202f']"
_PIECE = re.compile(
    r"([-+]?\d[\d.,'\u00a0\u202f ]*|[-+]?[.,]\d+)\s*([^\W\d_]+(?:\s?[^\W\d_]+)?)?\.?\s*"
)


class TwoWays(ValueError):
    """A number whose mark may part decimals or thousands."""


def unit_of(text: str) -> str:
    """
    The unit a word stands for: ``"g"``, ``"kg"``, ``"mg"``, ``"oz"`` or ``"lb"``.

    Parameters
    ----------
    text : str
        A unit as written: ``"grams"``, ``"OZ."``, ``"lbs"``.

    Raises
    ------
    ValueError
        The word is a unit of volume (refused until a density is given), or not a unit we know.

    Examples
    --------
    >>> unit_of("Grams"), unit_of("lbs.")
    ('g', 'lb')
    """
    word = re.sub(r"[\s.]", "", text).casefold()
    if word in _NAMES:
        return _NAMES[word]
    if word in _VOLUMES:
        raise ValueError(
            f"{text.strip()!r} is a volume; weights are in g, kg, mg, oz or lb "
            "(a volume needs a density before it can be judged by weight)"
        )
    raise ValueError(f"{text.strip()!r} is not a unit of weight; use g, kg, mg, oz or lb")


def number_of(text: str, decimal_mark: str | None = None) -> Decimal:
    """
    The number a text stands for, exactly, under a decimal mark.

    Without ``decimal_mark`` only texts that can be read one way are read: ``"4,2"`` and
    ``"1,234.5"`` are plain, ``"1,234"`` is not.

    Parameters
    ----------
    text : str
        Digits, with an optional decimal mark and thousands marks.
    decimal_mark : {".", ","}, optional
        What separates the decimals, where it is known.

    Raises
    ------
    ValueError
        Not a number, or one that can be read two ways.

    Examples
    --------
    >>> number_of("4,2"), number_of("1 234.50"), number_of("1.234", ",")
    (Decimal('4.2'), Decimal('1234.50'), Decimal('1234'))
    """
    compact = re.sub(_GAP, "", text)
    gapped = "'" in text or re.search(rf"\d{_GAP}+\d", text)
    if gapped and not re.fullmatch(rf"[-+]?\d{{1,3}}({_GAP}\d{{3}})+([.,]\d*)?", text.strip()):
        raise ValueError(f"{text.strip()!r} is not a number")  # "1'2" is no thousands
    if not re.fullmatch(r"[-+]?(\d[\d.,]*|[.,]\d+)", compact):
        raise ValueError(f"{text.strip()!r} is not a number")
    if decimal_mark is None:
        decimal_mark = _mark_shown(compact)
        if decimal_mark is None:
            raise TwoWays(f"{text.strip()!r} can be read two ways: say which mark is decimal")
    thousands = "," if decimal_mark == "." else "."
    whole, _, fraction = compact.partition(decimal_mark)
    grouped = thousands in whole
    if (
        thousands in fraction
        or decimal_mark in fraction
        or (grouped and not re.fullmatch(rf"[-+]?[1-9]\d{{0,2}}(\{thousands}\d{{3}})+", whole))
    ):
        raise ValueError(f"{text.strip()!r} is not a number with decimal mark {decimal_mark!r}")
    return Decimal(
        f"{whole.replace(thousands, '')}.{fraction}" if fraction else whole.replace(thousands, "")
    )


def _mark_shown(compact: str) -> str | None:
    """Which mark is decimal, judging by this one number; None where it can be read both ways."""
    if "," in compact and "." in compact:
        return max(",", ".", key=compact.rfind)
    for mark, other in ((".", ","), (",", ".")):
        if mark in compact:
            if compact.count(mark) > 1:
                return other
            before, after = compact.lstrip("+-").split(mark)
            could_group = len(after) == 3 and 1 <= len(before) <= 3 and before != "0"
            return None if could_group else mark
    return "."


@dataclass(frozen=True)
class Quantity:
    """
    An amount in the unit it was written in.

    Attributes
    ----------
    value : Decimal
        The amount in `unit`, exactly as written.
    unit : str
        ``"g"``, ``"kg"``, ``"mg"``, ``"oz"`` or ``"lb"``.

    Examples
    --------
    >>> Quantity(Decimal("4.2"), "oz").grams
    Decimal('119.0679971250')
    """

    value: Decimal
    unit: str

    @property
    def grams(self) -> Decimal:
        """The amount in grams, exactly."""
        return self.value * GRAMS[self.unit]

    def __str__(self) -> str:
        written = f"{self.value:f}"
        grouped = re.fullmatch(r"-?[1-9]\d{0,2}\.\d{3}", written)
        if grouped and 1000 * self.grams <= _MOST_G:
            # "1.250" can be read as a thousand and more; with two decimals, or four, it cannot
            written = written.rstrip("0").rstrip(".") if written.endswith("0") else f"{written}0"
        return f"{written} {self.unit}"


def parse_quantity(text: str, unit: str | None = None, decimal_mark: str | None = None) -> Quantity:
    """
    One weight as written: ``"4.2 oz"``, ``"4,2 oz"``, ``"1 lb 2 oz"``, ``"118.4"`` with a unit.

    Parameters
    ----------
    text : str
        The value, with or without its unit.
    unit : str, optional
        The unit of a value that carries none.
    decimal_mark : {".", ","}, optional
        As in :func:`number_of`.

    Raises
    ------
    ValueError
        No number, no unit, a unit of volume, or a number that can be read two ways.

    Examples
    --------
    >>> str(parse_quantity("1 lb 2 oz")), str(parse_quantity("118.4", "g"))
    ('18 oz', '118.4 g')
    """
    stripped = text.strip()
    pieces = _PIECE.findall(stripped)
    if not pieces or _PIECE.sub("", stripped):
        raise ValueError(f"{stripped!r} is not a weight" if stripped else "no weight was written")
    parts = [
        Quantity(
            number_of(number, decimal_mark),
            unit_of(word) if word else _given_unit(stripped, unit if len(pieces) == 1 else None),
        )
        for number, word in pieces
    ]
    if len(parts) == 1:
        return parts[0]
    if [part.unit for part in parts] != ["lb", "oz"]:
        raise ValueError(f"{stripped!r} is not one weight; write pounds and ounces, or one unit")
    return Quantity(parts[0].value * 16 + parts[1].value, "oz")


def _given_unit(text: str, unit: str | None) -> str:
    if unit is None:
        raise ValueError(f"{text!r} has no unit; write g, kg, mg, oz or lb")
    return unit_of(unit)


@dataclass(frozen=True)
class Declaration:
    """
    What a label declares, in its own words: one quantity, or the same one in two units.

    Attributes
    ----------
    parts : tuple of Quantity
        The quantities in the order the label gives them. Which of two is tested is for a rule
        book to say (`qa_tools.rulebook`).

    Examples
    --------
    >>> declared = Declaration.parse("4.2 oz / 120 g")
    >>> [str(part) for part in declared.parts]
    ['4.2 oz', '120 g']
    """

    parts: tuple[Quantity, ...]

    @classmethod
    def parse(
        cls,
        declared: float | int | str | Decimal | Quantity | Declaration,
        decimal_mark: str | None = None,
    ) -> Declaration:
        """
        Read a declaration: a number of grams, or the label's own words.

        Parameters
        ----------
        declared : number of grams, text, Quantity or Declaration
            In words, ``"113.398 g"`` is no 113 kg: where a number can be read two ways and one is
            more than 50 kg, it is the other.
        decimal_mark : {".", ","}, optional
            Of words, where it is known; as in :func:`number_of`.

        Raises
        ------
        ValueError
            No quantity, more than two, one that is not a positive weight, or one that can still be
            read two ways, as ``"1.250 g"``.

        Examples
        --------
        >>> str(Declaration.parse("4.2 oz / 120 g")), str(Declaration.parse(250))
        ('4.2 oz / 120 g', '250 g')
        """
        if isinstance(declared, Declaration):
            return declared
        if isinstance(declared, Quantity):
            parts = [declared]
        elif isinstance(declared, str):
            marked = re.sub(
                r"[()\[\]/|;·•]|\bnet\b|\bwt\b\.?|℮", " / ", declared, flags=re.IGNORECASE
            )
            pieces = [piece for piece in marked.split(" / ") if piece.strip()]
            parts = [_declared(piece, decimal_mark) for piece in pieces]
        else:
            # A float's text is the shortest that reads back as it, 62.5; a number shows no figures
            # of its own, so 120.0 is 120.
            given = parse_quantity(str(declared), "g", ".")
            parts = [Quantity(Decimal(f"{given.value.normalize():f}"), "g")]
        if not 1 <= len(parts) <= 2:
            raise ValueError(
                f"{declared!r} is not a declaration; write '120 g' or '4.2 oz / 120 g'"
            )
        for part in parts:
            if part.value <= 0:
                raise ValueError(f"{declared!r} declares {part}; a declared quantity is above zero")
        return cls(tuple(parts))

    def __str__(self) -> str:
        return " / ".join(map(str, self.parts))


def _declared(text: str, decimal_mark: str | None) -> Quantity:
    """One quantity of a declaration, decimals taken for decimals where thousands cannot be."""
    try:
        return parse_quantity(text, "g", decimal_mark)
    except TwoWays:
        readings = [parse_quantity(text, "g", mark) for mark in ".,"]
        less, more = sorted(readings, key=lambda quantity: quantity.grams)
        if more.grams <= _MOST_G:
            raise TwoWays(
                f"{text.strip()!r} can be read two ways; write {less} or {more}"
            ) from None
        return less
