"""What the file of a rule book may hold; every mistake names the file, the line and the key."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from qa_tools.books.figures import GRADES
from qa_tools.readings.quantities import GRAMS, Declaration, parse_quantity

FORMAT: Final = 1
JUDGED_AT: Final = ("packing", "sale")
SAMPLES: Final = ("exactly", "at least", "whole lot")
MEAN_FORMS: Final = ("contents", "weighted", "error")

Path = tuple[str | int, ...]


@dataclass(frozen=True)
class _Keys:
    """A table: the keys it needs and those it may have, each with the rule of its value."""

    needs: Mapping[str, Any]
    may: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class _Each:
    """A list, and the rule of each of its items."""

    rule: Any


class _Mistake(Exception):
    def __init__(self, path: Path, says: str) -> None:
        super().__init__(says)
        self.path, self.says = path, says


# A rule is a type (int and float stand for numbers of zero or more), a tuple of the values
# allowed, _Keys or _Each.
_GRADE: Final = {"clause": str, "grade": GRADES}
_BAND: Final = _Keys(
    {},
    {"up_to": float, "percent": float, "amount": float, "least": float, "round_up": float,
     "nearest": float, "clause": str, "grade": GRADES, "confirmed": _Each(str)},
)  # fmt: skip
_BANDS: Final = {"official": str, "round_up": float}
_TABLES: Final = _Each(
    _Keys({"unit": tuple(GRAMS), **_GRADE, "bands": _Each(_BAND)}, _BANDS),
)
_PLAN: Final = _Keys(
    {"lot": _Each(int), "sample": SAMPLES},
    {
        "test": str, "clause": str, "grade": GRADES, "official": str, "beyond_twice": int,
        "least": _Keys({}, {"n": int, "percent": float, "at_least": int}),
        "count": _Each(
            _Keys({}, {"n": int, "accept": int, "reject": int, "accept_percent": float})
        ),
        "mean": _Keys({"factor": float}, {"n": int, "finite": int, "grade": GRADES}),
    },
)  # fmt: skip
_BY_SIZE: Final = _Keys(
    {"interpolate": float, "factors": _Each(_Each(float)), "fails_at": _Each(_Each(int))}
)
_BOOK: Final = _Keys(
    {"format": (FORMAT,), "name": str, "judged_at": JUDGED_AT},
    {
        **dict.fromkeys(
            ("title", "edition", "jurisdiction", "source", "applies_to", "drying", "authority",
             "least"), str,
        ),
        "markets": _Each(str), "missing": _Each(str), "tested": ("larger", "metric"),
        "scope_g": _Each(float),
        "words": _Keys({}, dict.fromkeys(("short", "long", "count", "mean"), str)),
        "notes": _Keys({}, dict.fromkeys(("accept", "reject", "too few", "unsettled"), str)),
        "deficiency": _TABLES, "excess": _TABLES,
        "pieces": _Keys({**_GRADE, "bands": _Each(_BAND)}, _BANDS),
        "short_share": _Keys({**_GRADE, "percent": float}),
        "beyond_twice": _Keys(_GRADE, {"reject": int, "sale": ("forbidden",), "why": str}),
        "sampling": _Keys(
            {**_GRADE, "plans": _Each(_PLAN)},
            {"official": str, "mean_form": MEAN_FORMS, "mean_clause": str, "count_clause": str,
             "confidence": float, "largest": int, "by_size": _BY_SIZE, "uncovered": str},
        ),
        "moisture": _Keys(_GRADE),
        "label": _Keys(
            _GRADE,
            {"figures": _Each(int), "grams_below": float, "by_volume": _Each(str), "kind": str,
             "needs": str, "needs_clause": str, "both": str},
        ),
    },
)  # fmt: skip


def read_book(text: str, file: str) -> dict[str, Any]:
    """
    The content of a rule book's file, as `qa_tools.rulebook` uses it.

    A book that asks for no more than a least weight is written out in full: a deficiency of what
    the label is above that weight, and no package of the sample below it.

    Raises
    ------
    ValueError
        A mistake, with its file, line and key.

    Examples
    --------
    >>> read_book('format = 1\\nname = "shop"\\njudged_at = "never"', "shop.toml")
    Traceback (most recent call last):
    ValueError: shop.toml, line 3: judged_at is 'never'; it must be 'packing' or 'sale'
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"{file} is not a TOML file: {error}") from None
    try:
        _check(data, _BOOK, ())
        _check_book(data)
    except _Mistake as mistake:
        where = _words(mistake.path, mistake.says)
        raise ValueError(
            f"{file}, line {_line(text, mistake.path)}{where}: {mistake.says}"
        ) from None
    return {**data, **_written_out(data)}


def _check(value: object, rule: Any, path: Path) -> None:
    name = str(path[-1]) if path else "the book"
    if isinstance(rule, _Keys):
        if not isinstance(value, dict):
            raise _Mistake(path, f"{name} is {value!r}; it must hold keys of its own")
        known = {**rule.needs, **rule.may}
        for key in value:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                hint = f"; did you mean {near[0]!r}?" if near else ""
                raise _Mistake((*path, key), f"the key {key!r} is not known{hint}")
        for key in rule.needs:
            if key not in value:
                raise _Mistake(path, f"the key {key!r} is missing")
        for key, held in value.items():
            _check(held, known[key], (*path, key))
    elif isinstance(rule, _Each):
        if not isinstance(value, list):
            raise _Mistake(path, f"{name} is {value!r}; it must be a list, in [ ]")
        for i, item in enumerate(value):
            _check(item, rule.rule, (*path, i))
    elif isinstance(rule, tuple):
        if value not in rule or isinstance(value, bool):
            *most, last = map(repr, rule)
            allowed = f"{', '.join(most)} or {last}" if most else last
            raise _Mistake(path, f"{name} is {value!r}; it must be {allowed}")
    elif rule is str:
        if not isinstance(value, str):
            raise _Mistake(path, f"{name} is {value!r}; it must be words in quotes")
    else:
        kinds = (int,) if rule is int else (int, float)
        if isinstance(value, bool) or not isinstance(value, kinds) or not 0 <= value < math.inf:
            number = "a whole number" if rule is int else "a number"
            raise _Mistake(path, f"{name} is {value!r}; it must be {number} of zero or more")


def _check_book(data: Mapping[str, Any]) -> None:
    """What the keys of a book say together."""
    if "least" in data:
        if "deficiency" in data:
            raise _Mistake(("least",), "give either 'least' or 'deficiency'")
        if "beyond_twice" in data:
            raise _Mistake(("beyond_twice",), "a least weight is no deficiency to be doubled")
        try:
            if not parse_quantity(data["least"]).grams > 0:
                raise ValueError(f"{data['least']!r} is not above zero")
            Declaration.parse(parse_quantity(data["least"]))
        except ValueError as error:
            raise _Mistake(("least",), str(error)) from None
    elif "deficiency" not in data and "sampling" not in data:
        raise _Mistake((), "the book sets no limit: give 'least', 'deficiency' or 'sampling'")
    if not str(data["name"]).strip():
        raise _Mistake(("name",), "the book needs a name")
    if data.get("beyond_twice", {}).get("reject", 1) < 1:
        raise _Mistake(("beyond_twice", "reject"), "reject is 0, so that every lot would fail")
    scope = data.get("scope_g", [0])
    if not 1 <= len(scope) <= 2 or scope[0] > scope[-1]:
        raise _Mistake(
            ("scope_g",),
            "scope_g is the smallest and the largest quantity, in grams, as [5, 10000]; [5] has no "
            "largest",
        )
    for key in ("deficiency", "excess"):
        for i, table in enumerate(data.get(key, [])):
            _check_bands(table["bands"], (key, i, "bands"))
    if "pieces" in data:
        _check_bands(data["pieces"]["bands"], ("pieces", "bands"))
    twice = data.get("beyond_twice")
    if twice is not None:
        for key in ("why",) if "sale" in twice else ("reject",):
            if key not in twice:
                raise _Mistake(("beyond_twice",), f"the key {key!r} is missing")
    if "sampling" in data:
        _check_sampling(data["sampling"], twice)


def _check_bands(bands: Sequence[Mapping[str, Any]], path: Path) -> None:
    last = 0.0
    if not bands:
        raise _Mistake(path, "there is no band")
    for i, band in enumerate(bands):
        if len(band.keys() & {"percent", "amount", "least"}) != 1:
            raise _Mistake((*path, i), "a band needs one of 'percent', 'amount' and 'least'")
        if band.get("percent", 0) > 100:
            raise _Mistake((*path, i, "percent"), "more than all of it cannot be missing")
        if "up_to" in band:
            if band["up_to"] <= last:
                raise _Mistake((*path, i, "up_to"), "the bands are not in order of 'up_to'")
            last = band["up_to"]
        elif i < len(bands) - 1:
            raise _Mistake((*path, i), "the key 'up_to' is missing; only the last band has no end")


def _check_sampling(sampling: Mapping[str, Any], twice: Mapping[str, Any] | None) -> None:
    by_size = "by_size" in sampling
    if not 0 < sampling.get("confidence", 0.5) < 1:
        raise _Mistake(("sampling", "confidence"), "confidence is a share below 1, as 0.995")
    if by_size and "largest" not in sampling:
        raise _Mistake(("sampling",), "the key 'largest' is missing, the last size of 'by_size'")
    if not sampling["plans"]:
        raise _Mistake(("sampling", "plans"), "there is no plan")
    for i, row in enumerate(sampling["plans"]):
        path: Path = ("sampling", "plans", i)
        lot, exactly, count = row["lot"], row["sample"] == "exactly", row.get("count", [])
        if not 1 <= len(lot) <= 2 or not 1 <= lot[0] <= lot[-1]:
            raise _Mistake((*path, "lot"), "lot is the smallest and the largest lot, as [12, 250]")
        if row["sample"] == "at least":
            least = row.get("least", {})
            if least.keys() not in ({"n"}, {"percent", "at_least"}):
                raise _Mistake(path, "the key 'least' is missing, as { n = 12 }")
        if exactly and not ("count" in row or "mean" in row):
            raise _Mistake(path, "the key 'count' or 'mean' is missing")
        if len(count) > (2 if exactly else 1):
            raise _Mistake((*path, "count"), "count has one stage, or two in an exact plan")
        for j, stage in enumerate(count):
            needs = ("accept_percent",) if "accept_percent" in stage else ("accept", "reject")
            for key in (*needs, *(["n"] if exactly else [])):
                if key not in stage:
                    raise _Mistake((*path, "count", j), f"the key {key!r} is missing")
            gap = stage["reject"] - stage["accept"] if len(needs) == 2 else 1
            if j and len(needs) == 2 and stage["accept"] < count[j - 1]["accept"]:
                raise _Mistake(
                    (*path, "count", j), "the numbers of a later stage count all found so far"
                )
            if gap < 1 or (gap > 1 and j == len(count) - 1):
                raise _Mistake(
                    (*path, "count", j), "the last 'reject' is one above 'accept', or nothing ends"
                )
        mean = row.get("mean")
        if mean is not None:
            if exactly and "n" not in mean:
                raise _Mistake((*path, "mean"), "the key 'n' is missing")
            if mean["factor"] and mean.get("n", 2) < 2:
                raise _Mistake((*path, "mean", "n"), "n is 1; a standard deviation needs two")
            if mean["factor"] and "confidence" not in sampling:
                raise _Mistake(
                    ("sampling",), "the key 'confidence' is missing, for the exact factor"
                )
        wanted = max(sum(stage["n"] for stage in count), (mean or {}).get("n", 0)) if exactly else 0
        if wanted > lot[0]:
            raise _Mistake((*path, "lot"), f"lots of {lot[0]} do not hold the {wanted} to weigh")
        if "beyond_twice" in row and twice is None:
            raise _Mistake((*path, "beyond_twice"), "the book has no [beyond_twice]")
    if by_size and "confidence" not in sampling:
        raise _Mistake(("sampling",), "the key 'confidence' is missing, for the exact factor")


def _written_out(data: Mapping[str, Any]) -> dict[str, Any]:
    if "least" not in data:
        return {}
    least = parse_quantity(data["least"])
    said = {"clause": "least", "grade": "read"}
    everyone = {"lot": [1], "sample": "at least", "least": {"n": 1}}
    none_below = {**everyone, "count": [{"accept": 0, "reject": 1}]}
    table = {"unit": least.unit, **said, "bands": [{"least": least.value}]}
    return {
        "words": {"count": f"packages under {data['least']}", **data.get("words", {})},
        "deficiency": [table],
        "sampling": data.get("sampling", {**said, "plans": [none_below]}),
    }


def _words(path: Path, says: str) -> str:
    """Where in the file, without the key that the mistake names: ", deficiency 1, bands 2"."""
    named = path and isinstance(path[-1], str) and path[-1] in says
    words: list[str] = []
    for step in path[:-1] if named else path:
        words += [step] if isinstance(step, str) else [f"{words.pop()} {step + 1}"]
    return "".join(f", {word}" for word in words)


_SILENT: Final = re.compile(
    r'"""[\s\S]*?"""|' r"'''[\s\S]*?'''|" r'"(?:\\.|[^"\\\n])*"|' r"'[^'\n]*'|#[^\n]*"
)


def _line(text: str, path: Path) -> int:
    """The line where a key of the parsed file stands; of what it stands in, when not found."""
    bare = _SILENT.sub(lambda found: re.sub(r"[^\n]", " ", found[0]), text)
    at = 0
    for step in path:
        found = _key(bare, step, at) if isinstance(step, str) else _item(bare, step, at)
        if found is None:
            break
        at = found
    return text.count("\n", 0, at) + 1


def _key(bare: str, key: str, at: int) -> int | None:
    name = re.escape(key)
    header = rf"^[ \t]*\[+[ \t]*(?:[\w.-]+\.)?{name}[ \t]*\]+"
    found = re.compile(rf"{header}|(?<![\w-]){name}[ \t]*=", re.M).search(bare, at)
    return None if found is None else found.start()


def _item(bare: str, wanted: int, at: int) -> int | None:
    """Where an item of a list begins: a [[table]] of its own, or between commas in [ ]."""
    header = re.compile(r"[ \t]*\[\[.*\]\]").match(bare, at)
    if header is not None:
        same = re.finditer(re.escape(header[0].strip()), bare[at:])
        starts = [at + found.start() for found in same]
        return starts[wanted] if wanted < len(starts) else None
    depth, seen = 0, 0
    for i in range(bare.index("[", at) + 1 if "[" in bare[at:] else len(bare), len(bare)):
        if depth == 0 and seen == wanted and not bare[i].isspace():
            return i
        depth += (bare[i] in "[{") - (bare[i] in "]}")
        seen += depth == 0 and bare[i] == ","
    return None
