"""Rule books as data: load one TOML file, and answer what it allows and what it asks to weigh."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from qa_tools.books.figures import Figure
from qa_tools.books.plans import SamplingPlan, plan_for
from qa_tools.books.schema import read_book
from qa_tools.readings.quantities import AVOIRDUPOIS, GRAMS, Declaration, Quantity

if TYPE_CHECKING:
    import pandas as pd

Declared = float | int | str | Decimal | Quantity | Declaration

_FIELDS: Final = (
    *("name", "title", "edition", "jurisdiction", "judged_at", "source"),
    *("markets", "applies_to", "missing", "tested", "drying", "authority", "words", "notes"),
)


@dataclass(frozen=True)
class Tolerance:
    """What a book allows one package to be short of a declared quantity, exactly, in grams."""

    grams: Decimal
    figure: Figure


@dataclass(frozen=True)
class RuleBook:
    """
    One rule book, published or your own, read from its data file.

    Attributes
    ----------
    name, title, edition, jurisdiction, source, authority, drying : str
        What it is, where it applies, where to read it, who decides, what it says of drying.
    markets : sequence of str
        The markets, as labels.csv names them, whose goods it judges; empty for a book that judges
        only the labels that name it.
    applies_to : str
        Which goods of its markets, where it is not all: ``"e-marked goods; ..."``.
    missing : sequence of str
        What of the source is not in the book, and where to get it.
    judged_at : str
        When it judges a package: ``"packing"`` or ``"sale"``.
    tested : str
        Which of two declared quantities is tested: ``"larger"`` or ``"metric"``.
    words : dict
        The book's own terms for the tolerable deficiency and its tests.
    notes : dict
        What to know of an outcome, by outcome: ``{"reject": "..."}``.

    Examples
    --------
    >>> book = rulebook("oiml-r87-2004")
    >>> print(book)
    oiml-r87-2004: OIML R 87, Quantity of product in prepackages (2004), international model
    >>> book.tolerable_deficiency("1250 g")  # 18.75 g; above 1 kg up to the next whole gram
    19.0
    >>> book.missing[0]
    'Table 2 for lots under 100 packages: OIML R 87:2016, from www.oiml.org'
    """

    name: str
    title: str
    edition: str
    jurisdiction: str
    judged_at: str
    source: str
    markets: Sequence[str] = ()
    applies_to: str = ""
    missing: Sequence[str] = ()
    tested: str = "metric"
    drying: str = ""
    authority: str = ""
    words: Mapping[str, str] = field(default_factory=dict)
    notes: Mapping[str, str] = field(default_factory=dict)
    data: Mapping[str, Any] = field(default_factory=dict)
    checked: Mapping[str, str] = field(default_factory=dict)
    moisture_percent: float = 0.0

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
        return next((part for part in parts if part.unit not in AVOIRDUPOIS), parts[0])

    def tolerance(self, declared: Declared) -> Tolerance:
        """
        The tolerable deficiency T with the figure it comes from.

        Raises
        ------
        ValueError
            The quantity is outside the book's scope, or the book has no tolerable deficiency.
        """
        return self._looked_up("deficiency", declared)

    def excess(self, declared: Declared) -> Tolerance:
        """What a package may be over, with the figure it comes from; see `tolerable_excess`."""
        return self._looked_up("excess", declared)

    def _looked_up(self, side: str, declared: Declared) -> Tolerance:
        tested = self.resolve(declared)
        low, *high = self.data.get("scope_g", (0,))
        if tested.grams < low or any(tested.grams > most for most in high):
            to = f"{low} g to {high[0]} g" if high else f"{low} g and more"
            raise ValueError(
                f"{tested} is outside {self.name}, which covers {to}; choose a book that covers it"
            )
        tables = self.data.get(side, [])
        if not tables:
            raise ValueError(f"{self.name} sets no tolerable {side}")
        system = [
            (table["unit"] in AVOIRDUPOIS) == (tested.unit in AVOIRDUPOIS) for table in tables
        ]
        table = tables[system.index(True)] if True in system else tables[0]
        unit = table["unit"]
        found = self._band(table, unit, tested.grams / GRAMS[unit], side)
        return Tolerance(found[0] * GRAMS[unit], found[1])

    def _band(
        self, table: Mapping[str, Any], unit: str, amount: Decimal, side: str = "deficiency"
    ) -> tuple[Decimal, Figure]:
        below = Decimal(0)
        for band in table["bands"]:
            upper = _decimal(band["up_to"]) if "up_to" in band else None
            if upper is None or amount <= upper:
                break
            below = upper
        else:
            raise ValueError(f"{self.name} has no row for {amount.normalize():f} {unit}")
        allowed = self._allowed(table, band, amount, unit)
        row = f"{below:f}-{upper:f}" if upper is not None else f"over {below:f}"
        word = self.words.get("short", "T") if side == "deficiency" else side
        confirmed = str(amount.normalize().__format__("f")) in band.get("confirmed", ())
        figure = Figure(
            f"{self.name} {word} {row} {unit}",
            f"{_plain(allowed)} {unit}",
            band.get("clause", table["clause"]),
            "read" if confirmed else band.get("grade", table["grade"]),
            table.get("official", ""),
        )
        return allowed, self.graded(figure)

    def _allowed(
        self, table: Mapping[str, Any], band: Mapping[str, Any], amount: Decimal, unit: str
    ) -> Decimal:
        if "amount" in band:
            return _decimal(band["amount"])
        if "least" in band:
            allowed = amount - _decimal(band["least"])
            if allowed < 0:
                raise ValueError(
                    f"{self.name} asks for at least {band['least']} {unit} in a package, more than "
                    f"the {_plain(amount)} {unit} declared; choose a book for this label"
                )
            return allowed
        allowed = amount * _decimal(band["percent"]) / 100
        nearest, up = band.get("nearest"), band.get("round_up", table.get("round_up"))
        if nearest is None and up is None:
            return allowed
        step = _decimal(up if nearest is None else nearest)
        way = ROUND_CEILING if nearest is None else ROUND_HALF_UP
        return (allowed / step).to_integral_value(way) * step

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

    def tolerable_excess(self, declared: Declared) -> float:
        """
        How much one package may be over, in grams, in a book that limits that side too.

        Raises
        ------
        ValueError
            As `tolerable_deficiency`, or the book does not limit what is over.

        Examples
        --------
        >>> rulebook("jp-guideline").tolerable_excess("120 g")  # 10 %
        12.0
        """
        return float(self.excess(declared).grams)

    def tolerable_pieces(self, declared: int) -> int:
        """
        How many pieces a package labelled by count may be short.

        Raises
        ------
        ValueError
            Not a whole number of pieces, or a book that does not say.

        Examples
        --------
        >>> rulebook("us-hb133").tolerable_pieces(100)
        2
        """
        table = self.data.get("pieces")
        if table is None:
            raise ValueError(f"{self.name} says nothing of packages labelled by count")
        if declared != int(declared) or declared < 1:
            raise ValueError(f"{declared} is not a number of pieces; give a whole number above 0")
        return int(self._band(table, "pieces", Decimal(int(declared)))[0])

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
            ``"destructive"``, ``"single"``, ``"category B"``.
        n : int, optional
            Packages weighed, where the book's figures depend on it; the fewest it asks for when
            not given.

        Raises
        ------
        ValueError
            A lot size that is not a whole number above zero, more weighed than packed, or a lot or
            test that the book has no plan for.

        Examples
        --------
        The printed factor decides; the exact t / sqrt(n) stands beside it:

        >>> plan = rulebook("us-hb133").plan(108)
        >>> plan.mean_n, plan.factor, round(plan.exact_factor, 5), plan.sample
        (12, 0.635, 0.63537, 'exactly')

        A book that asks for "at least" has a factor for every number weighed:

        >>> [round(rulebook("nz-7a").plan(39, n=n).factor, 3) for n in (12, 20, 39)]
        [0.746, 0.447, 0.0]
        """
        return plan_for(self, lot_size, test, n)

    def with_moisture(self, percent: float) -> RuleBook:
        """
        The same book, with an allowance for moisture lost since packing.

        Parameters
        ----------
        percent : float
            Of the declared quantity: set by the book for such goods, or claimed by the packer on
            data from a sound method.

        Raises
        ------
        ValueError
            A book that knows no such allowance, or not a percentage.

        Notes
        -----
        NIST Handbook 133 (2026) 2.3.8. In advance, the allowance A is taken off the label and the
        MAV stays; afterwards, A is added to the sample error limit and to the MAV. Either way the
        average may be A lower, and a package A lighter, than without.

        Examples
        --------
        >>> import qa_tools as qa
        >>> bars = [117.2, 118.1, 116.9, 117.6, 118.4, 117, 117.8, 116.8, 118, 117.4, 117.9, 118]
        >>> book = rulebook("us-hb133")
        >>> qa.judge(bars, "120 g", book, lot_size=108).outcome
        'reject'
        >>> qa.judge(bars, "120 g", book.with_moisture(2), lot_size=108).outcome
        'accept'
        """
        if percent and "moisture" not in self.data:
            raise ValueError(f"{self.name} knows no allowance for moisture: {self.drying}")
        if isinstance(percent, str) or not 0 <= percent < 100:
            raise ValueError(
                f"a moisture allowance of {percent!r} % is none; give a number, 0 to 100"
            )
        return replace(self, moisture_percent=float(percent))

    def moisture_allowance(self, declared: Declared) -> Decimal:
        """What of the declared quantity may be lost, in grams; 0 unless `with_moisture` said."""
        return self.resolve(declared).grams * _decimal(self.moisture_percent) / 100

    @property
    def short_share(self) -> Mapping[str, Any]:
        """The per cent of packages that may be short by more than T; empty where none is said."""
        found: Mapping[str, Any] = self.data.get("short_share", {})
        return found

    @property
    def beyond_twice(self) -> Mapping[str, Any]:
        """What the book says of packages short by more than 2T; empty where it says nothing."""
        found: Mapping[str, Any] = self.data.get("beyond_twice", {})
        return found

    def with_checks(self, checks: Mapping[str, str]) -> RuleBook:
        """The same book, knowing which of its figures somebody compared with the official table."""
        return replace(self, checked={name.casefold(): seen for name, seen in checks.items()})

    def __str__(self) -> str:
        edition = f" ({self.edition})" if self.edition else ""
        place = f", {self.jurisdiction}" if self.jurisdiction else ""
        return f"{self.name}: {self.title}{edition}{place}"

    __repr__ = __str__


def _decimal(number: int | float) -> Decimal:
    return Decimal(str(number))


def _plain(number: Decimal) -> str:
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def rulebook(name: str | Path | RuleBook) -> RuleBook:
    """
    A rule book by its name, or one of your own by its file.

    Parameters
    ----------
    name : str, Path or RuleBook
        A name from :func:`rulebooks`; or the path of a TOML file, with or without ``.toml``; or
        of a folder that holds exactly one. A rule book is handed back as it is.

    Raises
    ------
    ValueError
        No such book (the nearest name is suggested), or a mistake in the file (its line and key
        are named).

    Examples
    --------
    >>> print(rulebook("uk-2006-659").jurisdiction)
    Great Britain

    A shop that takes no bar under 118 g, whatever the label allows, is a book of four lines. It
    judges every bar that is weighed:

    >>> import tempfile, qa_tools as qa
    >>> file = Path(tempfile.mkdtemp(), "corner-shop.toml")
    >>> _ = file.write_text('''format = 1
    ... name = "corner-shop"
    ... judged_at = "sale"
    ... least = "118 g"
    ... ''')
    >>> qa.judge([121.3, 118.0, 119.4], "120 g", rulebook(file), lot_size=96).outcome
    'accept'
    >>> qa.judge([121.3, 117.9, 119.4], "120 g", rulebook(file), lot_size=96).outcome
    'reject'
    """
    if isinstance(name, RuleBook):
        return name
    if not isinstance(name, str | Path):
        raise ValueError(f"{name!r} is not one rule book; give its name, such as 'eu-76-211'")
    known = _names()
    path = Path(name)
    if str(name) in known:
        return _published(str(name))
    if str(name).strip() and path.is_dir():
        books = sorted(path.glob("*.toml"))
        if len(books) != 1:
            held = f"{len(books)}: {', '.join(b.name for b in books)}" if books else "none"
            raise ValueError(f"the folder {path} should hold one rule book and holds {held}")
        return _own(books[0])
    for file in (path, Path(f"{name}.toml")):
        if file.suffix == ".toml" and file.is_file():
            return _own(file)
    if path.suffix == ".toml" or (path.name != str(name) and path.parent.is_dir()):
        raise ValueError(f"there is no rule book file {path}")
    near = difflib.get_close_matches(str(name), known, n=1, cutoff=0.3)
    hint = f"; did you mean {near[0]!r}?" if near else "."
    raise ValueError(f"no rule book is called {str(name)!r}{hint} Known: {', '.join(known)}")


def each_rulebook(books: str | Path | RuleBook | Iterable[str | Path | RuleBook]) -> list[RuleBook]:
    """
    One rule book or several, each named once.

    Raises
    ------
    ValueError
        No book, an unknown one, or two of one name.

    Examples
    --------
    >>> [book.jurisdiction for book in each_rulebook(["uk-2006-659", "nz-7a"])]
    ['Great Britain', 'New Zealand']
    """
    if isinstance(books, str | Path | RuleBook) or not isinstance(books, Iterable):
        rules = [rulebook(books)]
    else:
        rules = [rulebook(book) for book in books]
    if not rules:
        raise ValueError("no rule book was named; qa.rulebooks() lists them")
    for i, book in enumerate(rules):
        if book.name in [other.name for other in rules[:i]]:
            raise ValueError(f"{book.name} is named twice, and nothing would tell the two apart")
    return rules


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
    books = [_published(name) for name in _names()]
    rows = [[getattr(book, column) for column in columns] for book in books]
    return pd.DataFrame(rows, columns=columns).set_index("name")


def published_text(name: str) -> bytes | None:
    """The data file of a book that comes with the toolkit; None where it is none of these."""
    return _folder().joinpath(f"{name}.toml").read_bytes() if name in _names() else None


@cache
def _names() -> tuple[str, ...]:
    found = [file.name for file in _folder().iterdir() if file.name.endswith(".toml")]
    return tuple(sorted(name.removesuffix(".toml") for name in found))


def _folder() -> Traversable:
    return files("qa_tools.books").joinpath("data")


@cache
def _published(name: str) -> RuleBook:
    return _read(_folder().joinpath(f"{name}.toml"))


def _own(file: Path) -> RuleBook:
    """A book of one's own, which may not pass for a published one."""
    book = _read(file)
    if book.name in _names() and book.data != _published(book.name).data:
        raise ValueError(
            f"{file.name}: the name {book.name!r} is that of a published book; choose another"
        )
    return book


def _read(file: Traversable) -> RuleBook:
    try:
        text = file.read_bytes().decode("utf-8-sig")  # some editors put a mark before the text
    except UnicodeDecodeError:
        raise ValueError(f"{file.name} is not saved as UTF-8; save it so in your editor") from None
    data = read_book(text.replace("\r\n", "\n"), file.name)
    about = {"title": data["name"], "edition": "", "jurisdiction": "", "source": file.name}
    about |= {key: data[key] for key in _FIELDS if key in data}
    return RuleBook(**about, data=data)
