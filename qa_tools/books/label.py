"""Whether a label holds together: its two quantities, its figures, and which of them is tested."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal
from typing import Literal

from qa_tools.books.rulebook import Declared, RuleBook, rulebook
from qa_tools.readings.quantities import AVOIRDUPOIS, GRAMS, Declaration, Quantity

Goods = Literal["solid", "viscous", "liquid"]


@dataclass(frozen=True)
class LabelCheck:
    """
    What one book makes of a label's declaration; prints as a short readable summary.

    Attributes
    ----------
    declared : Declaration
    book : RuleBook
    tested : Quantity
        The quantity that the book tests.
    findings : tuple of str
        What does not hold; empty when the label holds together.
    remarks : tuple of str
        What to know of a label that holds.
    """

    declared: Declaration
    book: RuleBook
    tested: Quantity
    findings: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Whether nothing was found against the label."""
        return not self.findings

    def __str__(self) -> str:
        said = "holds together" if self.holds else "does not hold together"
        lines = [f"{self.declared}, {self.book.name}: {said}; {self.tested} is tested."]
        return "\n".join([*lines, *(f"  {text}" for text in (*self.findings, *self.remarks))])

    __repr__ = __str__


def label_check(
    declared: Declared, book: str | RuleBook, *, goods: Goods | None = None
) -> LabelCheck:
    """
    Does a label hold together, and which of its quantities is tested?

    Two quantities hold together when one is the other converted and rounded, down or up, at the
    figures it shows: grams and kilograms at the figures that the book asks for, ounces and pounds
    at two or more. In one and the same unit they have to be equal.

    Parameters
    ----------
    declared : number of grams, or the label's words
        ``"4.2 oz / 120 g"``.
    book : str or RuleBook
        Whose rule of figures and of the tested quantity applies.
    goods : {"solid", "viscous", "liquid"}, optional
        What is in the package, to hear where a book wants it declared by volume.

    Returns
    -------
    LabelCheck

    Raises
    ------
    ValueError
        Not a declaration of weight (a volume is none), or an unknown book.

    Notes
    -----
    Conversion and the larger quantity: NIST Handbook 133 (2026) 2.3.3.1. Figures: 16 CFR
    500.19(b); C.R.C., c. 417, ss. 25 to 27. Rounding down, so as not to overstate: NIST SP 1038
    (2006) 4.4.1.2; Handbook 133 lets packers round up too. At least two figures of an ounce: ours,
    no published source.

    Examples
    --------
    >>> print(label_check("4.2 oz / 120 g", "us-hb133"))
    4.2 oz / 120 g, us-hb133: holds together; 120 g is tested.
      4.2 oz and 120 g are one, rounded; 120 g is the larger, by 0.932 g.
    >>> print(label_check("4.2 oz / 125 g", "us-hb133"))
    4.2 oz / 125 g, us-hb133: does not hold together; 125 g is tested.
      4.2 oz is 119.1 g and 125 g is 4.409 oz, 5 % apart: write 4.2 oz / 119 g or 4.4 oz / 125 g.
    """
    rules = rulebook(book)
    if goods not in (None, "solid", "viscous", "liquid"):
        raise ValueError(f"goods is {goods!r}; it is one of solid, viscous, liquid")
    label = Declaration.parse(declared)
    rule = rules.data.get("label", {})
    figures = tuple(rule.get("figures", (3, 2)))
    findings: list[str] = []
    remarks: list[str] = []
    if len(label.parts) == 2:
        agrees, said = _together(*label.parts, figures)
        (remarks if agrees else findings).append(said)
    clause = f" ({rule.get('clause')})"
    systems = {_system(part) for part in label.parts}
    if "needs" in rule and rule["needs"] not in systems:
        findings.append(f"{label} says nothing in {rule['needs']} units: {rule['needs_clause']}.")
    if "both" in rule and len(systems) < 2:
        remarks.append(f"{label} is in one system of units: {rule['both']}.")
    for part in label.parts:
        if part.unit in AVOIRDUPOIS:
            continue
        shown = _figures(part.value)
        if "figures" in rule and shown > figures[0]:
            fewer = _down(part.value, Decimal(1).scaleb(part.value.adjusted() - figures[0] + 1))
            findings.append(
                f"{part} shows {shown} figures and {figures[0]} are asked for{clause}: "
                f"write {fewer} {part.unit}."
            )
        if "grams_below" in rule and (fault := _unit_fault(part, rule["grams_below"])):
            findings.append(f"{part}: {fault}{clause}.")
    if "figures" not in rule:
        remarks.append(f"How many figures {rules.name} asks for is not known here.")
    if goods in rule.get("by_volume", ()):
        where = "" if "s. " in rule["kind"] else clause
        remarks.append(f"Declared by weight, and {rule['kind']}{where}.")
    return LabelCheck(label, rules, rules.resolve(label), tuple(findings), tuple(remarks))


def _together(first: Quantity, second: Quantity, figures: tuple[int, ...]) -> tuple[bool, str]:
    """Whether two quantities are one, rounded; and how, in a sentence."""
    more, less = sorted((first, second), key=lambda part: part.grams, reverse=True)
    by = _short(more.grams - less.grams)
    for part, other in ((first, second), (second, first)):
        exact = other.grams / GRAMS[part.unit]
        if part.value == exact:
            return True, f"{part} is {other}."
        step = _step(part.value, figures, part.unit)
        if first.unit != second.unit and abs(part.value - exact) < step and part.value % step == 0:
            return True, f"{first} and {second} are one, rounded; {more} is the larger, by {by} g."
    if _system(first) == _system(second):
        return False, (
            f"{first} and {second} contradict each other, both in {_system(first)} units: keep the "
            "one that the package holds."
        )
    away = float(100 * abs(first.grams - second.grams) / min(first.grams, second.grams))
    in_first, in_second = second.grams / GRAMS[first.unit], first.grams / GRAMS[second.unit]
    write_first = _down(in_first, _step(first.value, figures, first.unit))
    write_second = _down(in_second, _step(second.value, figures, second.unit))
    return False, (
        f"{first} is {_short(in_second)} {second.unit} and {second} is {_short(in_first)} "
        f"{first.unit}, {away:.2g} % apart: write {first} / {write_second} {second.unit} or "
        f"{write_first} {first.unit} / {second}."
    )


def _system(part: Quantity) -> str:
    return "avoirdupois" if part.unit in AVOIRDUPOIS else "metric"


def _figures(value: Decimal) -> int:
    """Figures shown: zeros at the end of a whole number only hold its place."""
    text = str(value).replace("-", "")
    digits = text.replace(".", "").lstrip("0")
    return len(digits if "." in text else digits.rstrip("0"))


def _step(value: Decimal, figures: tuple[int, ...], unit: str) -> Decimal:
    """What a quantity is rounded to: the last figure it shows, or a finer one it has to show."""
    least = figures[-1] if unit in AVOIRDUPOIS or value * GRAMS[unit] < 100 else figures[0]
    last = min(int(value.as_tuple().exponent), value.adjusted() - least + 1, 0)
    return Decimal(1).scaleb(last)


def _down(value: Decimal, step: Decimal) -> str:
    return f"{((value / step).to_integral_value(ROUND_FLOOR) * step).normalize():f}"


def _short(value: Decimal) -> str:
    return f"{float(value):.4g}"


def _unit_fault(part: Quantity, below: float) -> str:
    if part.unit == "g" and part.value >= Decimal(str(below)):
        return f"from {below:g} g on, kilograms are written"
    if part.unit == "kg" and part.grams < Decimal(str(below)) and part.value != Decimal("0.5"):
        return f"below {below:g} g, grams are written (only 500 g may be 0.5 kg)"
    return ""
