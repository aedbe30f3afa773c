"""Rule books as data: load one TOML file, and answer what it allows and what it asks to weigh."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import ROUND_CEILING, Decimal
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from qa_tools.books.figures import GRADES, Figure
from qa_tools.books.plans import SamplingPlan, check_sampling, plan_for
from qa_tools.readings.quantities import GRAMS, Declaration, Quantity

if TYPE_CHECKING:
    import pandas as pd

Declared = float | int | str | Decimal | Quantity | Declaration

FORMAT: Final = 1
_AVOIRDUPOIS: Final = ("oz", "lb")
_KEYS: Final = {
    "required": ("format", "name", "title", "edition", "jurisdiction", "judged_at", "source"),
    "optional": ("markets", "tested", "scope_g", "drying", "authority", "words", "deficiency"),
    "more": ("beyond_twice", "sampling"),
}


@dataclass(frozen=True)
class Tolerance:
    """What a book allows one package to be short of a declared quantity, exactly, in grams."""

    grams: Decimal
    figure: Figure


@dataclass(frozen=True)
class RuleBook:
    """
    One published rule book, read from its data file.

    Attributes
    ----------
    name, title, edition, jurisdiction, source, authority, drying : str
        What it is, where it applies, where to read it, who decides, what it says of drying.
    markets : sequence of str
        The markets, as labels.csv names them, whose goods it judges.
    judged_at : str
        When it judges a package: ``"packing"`` or ``"sale"``.
    tested : str
        Which of two declared quantities is tested: ``"larger"`` or ``"metric"``.
    words : dict
        The book's own terms for the tolerable deficiency and its tests.
    """

    name: str
    title: str
    edition: str
    jurisdiction: str
    judged_at: str
    source: str
    markets: Sequence[str] = ()
    tested: str = "metric"
    drying: str = ""
    authority: str = ""
    words: Mapping[str, str] = field(default_factory=dict)
    data: Mapping[str, Any] = field(default_factory=dict, repr=False)
    checked: Mapping[str, str] = field(default_factory=dict, repr=False)

    def resolve(self, declared: Declared) -> Quantity:
        """
        The declared quantity that this book tests.

        Examples
        --------
        >>> str(rulebook("us-hb133").resolve("4 oz / 113 g"))
        '4 oz'
        >>> str(rulebook("ca-crc-417").resolve("4 oz / 113 g"))
        '113 g'
        """
        parts = Declaration.parse(declared).parts
        if self.tested == "larger":
            return max(parts, key=lambda part: part.grams)
        return next((part for part in parts if part.unit not in _AVOIRDUPOIS), parts[0])

    def tolerance(self, declared: Declared) -> Tolerance:
        """
        The tolerable deficiency T with the figure it comes from.

        Raises
        ------
        ValueError
            The quantity is outside the book's scope, or the book has no tolerable deficiency.
        """
        tested = self.resolve(declared)
        low, high = self.data.get("scope_g", (0, None))
        if tested.grams < low or (high is not None and tested.grams > high):
            raise ValueError(
                f"{tested} is outside {self.name}, which covers {low} g to {high} g; "
                "choose a book that covers it"
            )
        tables = self.data.get("deficiency", [])
        if not tables:
            raise ValueError(f"{self.name} sets no tolerable deficiency")
        system = [
            (table["unit"] in _AVOIRDUPOIS) == (tested.unit in _AVOIRDUPOIS) for table in tables
        ]
        table = tables[system.index(True)] if True in system else tables[0]
        unit = table["unit"]
        amount = tested.grams / GRAMS[unit]
        return self._band(table, unit, amount)

    def _band(self, table: Mapping[str, Any], unit: str, amount: Decimal) -> Tolerance:
        below = Decimal(0)
        for band in table["bands"]:
            upper = _decimal(band["up_to"]) if "up_to" in band else None
            if upper is None or amount <= upper:
                break
            below = upper
        else:
            raise ValueError(f"{self.name} has no row for {amount.normalize():f} {unit}")
        if "percent" in band:
            allowed = amount * _decimal(band["percent"]) / 100
            step = band.get("round_up", table.get("round_up"))
            if step is not None:
                allowed = (allowed / _decimal(step)).to_integral_value(ROUND_CEILING) * _decimal(
                    step
                )
        else:
            allowed = _decimal(band["amount"])
        row = f"{below:f}-{upper:f}" if upper is not None else f"over {below:f}"
        name = f"{self.name} {self.words.get('short', 'T')} {row} {unit}"
        confirmed = str(amount.normalize().__format__("f")) in band.get("confirmed", ())
        figure = Figure(
            name,
            f"{_plain(allowed)} {unit}",
            band.get("clause", table["clause"]),
            "read" if confirmed else band.get("grade", table["grade"]),
            table.get("official", ""),
        )
        return Tolerance(allowed * GRAMS[unit], self.graded(figure))

    def graded(self, figure: Figure) -> Figure:
        """The figure with grade ``"checked"`` where the works' settings record that it was."""
        seen = self.checked.get(figure.name.casefold())
        return (
            replace(figure, grade="checked", clause=f"{figure.clause}; {seen}") if seen else figure
        )

    def tolerable_deficiency(self, declared: Declared) -> float:
        """
        How much one package may be short: T, in grams.

        Parameters
        ----------
        declared : number of grams, or the label's words
            ``120``, ``"120 g"``, ``"4.2 oz / 120 g"``.

        Raises
        ------
        ValueError
            Not a declaration, or one outside the book's scope.

        Examples
        --------
        >>> rulebook("eu-76-211").tolerable_deficiency("125 g")  # 4.5 % is 5.625, rounded up
        5.7
        """
        return float(self.tolerance(declared).grams)

    def plan(
        self, lot_size: int, *, test: str = "non-destructive", n: int | None = None
    ) -> SamplingPlan:
        """
        How many packages of a lot to weigh, and what decides.

        Parameters
        ----------
        lot_size : int
            Packages in the inspection lot.
        test : str
            ``"non-destructive"`` (the reference test), or another the book offers:
            ``"destructive"``, ``"single"``.
        n : int, optional
            Packages weighed, where the book's figures depend on it; the fewest it asks for when
            not given.

        Raises
        ------
        ValueError
            The book has no plan for such a lot or test.

        Examples
        --------
        >>> plan = rulebook("us-hb133").plan(108)
        >>> plan.mean_n, plan.factor, plan.sample
        (12, 0.635, 'exactly')
        """
        return plan_for(self, lot_size, test, n)

    @property
    def beyond_twice(self) -> Mapping[str, Any]:
        """What the book says of packages short by more than 2T; empty where it says nothing."""
        found: Mapping[str, Any] = self.data.get("beyond_twice", {})
        return found

    def with_checks(self, checks: Mapping[str, str]) -> RuleBook:
        """The same book, knowing which of its figures somebody compared with the official table."""
        return replace(self, checked={name.casefold(): seen for name, seen in checks.items()})

    def __str__(self) -> str:
        return f"{self.name}: {self.title} ({self.edition}), {self.jurisdiction}"


def _decimal(number: int | float) -> Decimal:
    return Decimal(str(number))


def _plain(number: Decimal) -> str:
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def rulebook(name: str | Path) -> RuleBook:
    """
    A rule book by its name, or by the path of its TOML file.

    Parameters
    ----------
    name : str or Path
        A name from :func:`rulebooks`, or the path of a book of your own.

    Raises
    ------
    ValueError
        No such book (the nearest name is suggested), or a mistake in the file (the key is named).

    Examples
    --------
    >>> print(rulebook("uk-2006-659").jurisdiction)
    Great Britain
    """
    if str(name).endswith(".toml"):
        path = Path(name)
        if not path.is_file():
            raise ValueError(f"there is no rule book file {path}")
        return _read(path.read_text(encoding="utf-8"), path.name)
    known = _published()
    if str(name) not in known:
        near = difflib.get_close_matches(str(name), known, n=1, cutoff=0.3)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise ValueError(f"no rule book is called {str(name)!r}{hint} Known: {', '.join(known)}")
    return known[str(name)]


def rulebooks() -> pd.DataFrame:
    """
    The rule books that come with the toolkit, one a row.

    Returns
    -------
    DataFrame
        Index ``name``; columns ``title, edition, jurisdiction, judged_at, source``.

    Examples
    --------
    >>> rulebooks().loc["ca-crc-417", "judged_at"]
    'sale'
    """
    import pandas as pd

    columns = ["name", "title", "edition", "jurisdiction", "judged_at", "source"]
    rows = [[getattr(book, column) for column in columns] for book in _published().values()]
    return pd.DataFrame(rows, columns=columns).set_index("name")


@cache
def _published() -> dict[str, RuleBook]:
    folder = files("qa_tools.books").joinpath("data")
    texts = {entry.name: entry.read_text(encoding="utf-8") for entry in folder.iterdir()}
    books = [_read(texts[name], name) for name in sorted(texts) if name.endswith(".toml")]
    return {book.name: book for book in books}


def _read(text: str, file: str) -> RuleBook:
    """A book from its text; every mistake names the file and the key."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"{file} is not a TOML file: {error}") from None
    for key in _KEYS["required"]:
        if key not in data:
            raise ValueError(f"{file}: the key {key!r} is missing")
    for key in data:
        if not any(key in keys for keys in _KEYS.values()):
            raise ValueError(f"{file}: the key {key!r} is not known")
    _allowed(file, "format", data["format"], (FORMAT,))
    _allowed(file, "judged_at", data["judged_at"], ("packing", "sale"))
    _allowed(file, "tested", data.get("tested", "metric"), ("larger", "metric"))
    for i, table in enumerate(data.get("deficiency", [])):
        where = f"deficiency table {i + 1}"
        for key in ("unit", "clause", "grade", "bands"):
            if key not in table:
                raise ValueError(f"{file}: the key {key!r} is missing in {where}")
        _allowed(file, f"unit of {where}", table["unit"], tuple(GRAMS))
        _allowed(file, f"grade of {where}", table["grade"], GRADES)
        uppers = [band["up_to"] for band in table["bands"] if "up_to" in band]
        if uppers != sorted(set(uppers)) or any("up_to" not in b for b in table["bands"][:-1]):
            raise ValueError(f"{file}: the bands of {where} are not in order of 'up_to'")
        for j, band in enumerate(table["bands"]):
            if ("percent" in band) == ("amount" in band):
                raise ValueError(
                    f"{file}: band {j + 1} of {where} needs either 'percent' or 'amount'"
                )
    twice = data.get("beyond_twice")
    if twice is not None:
        for key in ("clause", "grade", *(["why"] if "sale" in twice else ["reject"])):
            if key not in twice:
                raise ValueError(f"{file}: the key {key!r} is missing in 'beyond_twice'")
        _allowed(file, "sale of 'beyond_twice'", twice.get("sale", "forbidden"), ("forbidden",))
    if "sampling" in data:
        check_sampling(file, data["sampling"])
    fields = {key: data[key] for key in (*_KEYS["required"], *_KEYS["optional"]) if key in data}
    for key in ("format", "scope_g", "deficiency"):
        fields.pop(key, None)
    return RuleBook(**fields, data=data)


def _allowed(file: str, key: str, value: object, choices: tuple[object, ...]) -> None:
    if value not in choices:
        raise ValueError(
            f"{file}: {key} is {value!r}; it must be one of {', '.join(map(str, choices))}"
        )
