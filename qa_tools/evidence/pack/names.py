"""Names of people and customers left out: copies of the files that say "person 1" instead."""

from __future__ import annotations

import calendar
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cache
from typing import Any, Final

from qa_tools.evidence.pack.rewritten import rewritten
from qa_tools.readings.blocks import block_start
from qa_tools.readings.folder import contents
from qa_tools.readings.headings import SUMMARY_WORDS, TABLES, Heading, heading, words_of
from qa_tools.readings.lists import LISTS, raw_list
from qa_tools.readings.tables import Sheet, cell_text, codec_of
from qa_tools.readings.tops import heading_rows
from qa_tools.readings.works import Works

PERSON, CUSTOMER = "person", "customer"
# Where names stand, list by list.
COLUMNS: Final[Mapping[str, Mapping[str, str]]] = {
    "weights": {"by": PERSON},
    "settings": {"who": PERSON},
    "scale_checks": {"by": PERSON},
    "wires": {"by": PERSON},
    "plan": {"approved_by": PERSON},
    "actions": {"by": PERSON, "approved_by": PERSON},
    "dispatch": {"customer": CUSTOMER},
}
_KINDS: Final = ("stage", "weighed", "fate", "picked")
_ALIAS: Final = re.compile(rf"({PERSON}|{CUSTOMER}) \d+")
_SEVERAL: Final = re.compile(r"\s*[/,;&+]\s*|\s+and\s+")  # "MH/LT", "MH and LT": two people
_LETTER: Final = re.compile(r"[^\W\d_]")
# Words that a first or last name by itself is left in the files for.
_MORE_WORDS: Final = frozenset(
    word.casefold()
    for word in [
        *calendar.month_name, *calendar.month_abbr, *calendar.day_name, *calendar.day_abbr,
        *(also for kind in _KINDS for words in TABLES["words"][kind].values() for also in words),
    ]
)  # fmt: skip
_WORKBOOKS: Final = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
_TOLD: Final = ("doubt", "remark", "reason", "suggestion")  # our words about the readings
# What decides how weighings are read and judged: a name in it is another word.
_STAYS: Final = frozenset(
    {"market", "unit", "unit_2", "stage", "weighed", "picked", "fate", "books", "form", "what",
     "part", "tare parts", "declared", "declared_2"}
    | {name for table in ("weights", *LISTS) for name, about in TABLES[table]["columns"].items()
       if about["kind"] == "key"}
)  # fmt: skip

# Letters, digits, underlines and marks over letters go on with a word; a hyphen does between two.
_BEFORE: Final = r"(?<![\w\u0300-\u036f])(?<!\w-)"
_AFTER: Final = r"(?![\w\u0300-\u036f]|-\w)"


def aliases(works: Works) -> dict[str, str]:
    """
    Every name of a person or a customer, and what stands for it.

    Parameters
    ----------
    works : Works

    Returns
    -------
    dict
        "person 1", "person 2", ... and "customer 1", ... in the order of the names: of all rows of
        the files, used or not. A cell with several people ("MH/LT") holds several names, and who
        is "Ann Lee" goes as "Ann" and "Lee" too, where these are no other words of the files.

    Raises
    ------
    ValueError
        A name that cannot be told from other words: one that is a heading or a word of ours, or
        a word in the name of a batch, a product or a scale, or has no letter; or one that stands in
        the name of a file.

    Examples
    --------
    >>> found = aliases(getfixture("demo_works"))
    >>> found["MH"], found["shop 2"]
    ('person 2', 'customer 2')
    """
    names: dict[str, set[str]] = {PERSON: set(), CUSTOMER: set()}
    for kind, cell in _cells(works):
        names[kind] |= _names_in(cell) if kind == PERSON else {cell}
    names[CUSTOMER] -= names[PERSON]
    found = {}
    for kind, some in names.items():
        free = (alias for n in range(1, len(some) + 1_000) if (alias := f"{kind} {n}") not in some)
        for name in sorted(some):
            if any(map(str.isalnum, name)) and not _ALIAS.fullmatch(name):
                found[name] = next(free)
    kept = _kept(works)
    _can_be_told(found, kept, works)
    return found | _parts(found, kept)


def _cells(works: Works) -> Iterator[tuple[str, str]]:
    """Every cell of a column of people or customers, whatever became of its row."""
    files = contents(works.folder)
    for table, sheet in files.lists:
        raw = raw_list(table, sheet)
        if raw.rows and table in COLUMNS:
            rows = ([heading(cell_text(cell), table) for cell in sheet.row(n)]
                    for n in range(sheet.rows))  # fmt: skip
            heads = next(row for row in rows if set(raw.heads.values()) <= set(row))
            yield from _under(sheet, heads, table, raw.rows[0] - 1, sheet.rows)
    for sheet in files.weights:
        tops = heading_rows(sheet)
        for number, (_, heads, first) in enumerate(tops):
            last = number + 1 == len(tops)
            end = sheet.rows if last else block_start(sheet, first, tops[number + 1][0])
            yield from _under(sheet, heads, "weights", first, end)
    # what was said once over a table
    yield from ((PERSON, str(one)) for one in set(works.weighings.table["by"]) - {""})


def _under(
    sheet: Sheet, heads: Iterable[Heading], table: str, first: int, end: int
) -> Iterator[tuple[str, str]]:
    for place, head in enumerate(heads):
        if kind := COLUMNS[table].get(head.column):
            cells = sheet.columns[place].take(slice(first, end))
            for code in set(cells.codes.tolist()):
                text = cell_text(cells.values[code]).strip()
                if text and text.casefold() not in SUMMARY_WORDS:
                    yield kind, text


def _names_in(cell: str) -> set[str]:
    """The people named in one cell: several where each part could be a name ("n/a" is one)."""
    parts = _SEVERAL.split(cell)
    return set(parts) if all(len(part) > 1 and _LETTER.search(part) for part in parts) else {cell}


def _kept(works: Works) -> set[str]:
    """Names of things, which stay."""
    return {
        str(one)
        for column in (works.products["product"], works.products["name"], works.batches["batch"],
                       works.scales["scale"], works.tare["supplier_lot"],
                       works.batches["product"], works.weighings.table["batch"],
                       works.weighings.table["product"])
        for one in set(column)
    }  # fmt: skip


def _parts(alias: Mapping[str, str], kept: set[str]) -> dict[str, str]:
    """First and last names by themselves: "person 1", or "person 1 or person 2"."""
    found: dict[str, list[str]] = {}
    for name, other in alias.items():
        words = name.split() if other.startswith(PERSON) else []
        for word in {word.strip(".,()") for word in words if len(words) > 1} - {*alias}:
            if (
                len(word) > 1
                and word[0].isupper()
                and word.casefold() not in _words() | _MORE_WORDS
                and not any(re.search(_word(word), one) for one in kept)
            ):
                found.setdefault(word, []).append(other)
    return {word: " or ".join(others) for word, others in found.items()}


def _can_be_told(alias: Mapping[str, str], kept: set[str], works: Works) -> None:
    """Refuse names that are also something else."""
    of = {name: re.compile(_word(name)) for name in alias}
    for name, pattern in of.items():
        other = next((one for one in sorted(kept) if pattern.search(one)), "")
        if other or name.casefold() in _words() or not _LETTER.search(name):
            why = f'it stands in "{other}" too' if other and other != name else (
                "it is also a word of the files (a heading, a batch, a product, a scale), or has "
                "no letter")  # fmt: skip
            raise ValueError(
                f"the name \"{name}\" cannot be left out: {why}; write the person's or customer's "
                "name otherwise in the files"
            )
    for file in works.files["file"].map(str):
        # in the name of a file, hyphens and underlines part words; but "RS" is no name in "RS-1028"
        plain = file
        for one in sorted(kept - {""}, key=len, reverse=True):
            plain = plain.replace(one, "")
        for name in alias:
            if re.search(rf"(?<![^\W_]){re.escape(name)}(?![^\W_])", plain):
                raise ValueError(_in_file_name(file, name))


def _in_file_name(file: str, name: str) -> str:
    return f'{file}: the name "{name}" stands in the name of the file; rename it'


@cache
def _words() -> frozenset[str]:
    """Headings and words of ours, which a copy must keep."""
    heads = {
        one.casefold()
        for table in ("weights", *LISTS)
        for name, column in TABLES[table]["columns"].items()
        for one in (name, *column["also"])
    }
    ours = {one.casefold() for kind in _KINDS for one in words_of(kind)}
    return frozenset(heads | ours | {PERSON, CUSTOMER})


def redacted(data: bytes, path: str, alias: Mapping[str, str]) -> bytes:
    """
    A copy of one file in which names are replaced wherever they stand as words of their own.

    Parameters
    ----------
    data : bytes
    path : str
        Its name, for messages.
    alias : mapping
        From `aliases`.

    Returns
    -------
    bytes
        A text file in its own encoding, as it was but for the names. A workbook (XLSX, XLSM, ODS)
        written anew from its cells: no formulas, comments, pictures, macros or properties, for
        names may hide in them.

    Raises
    ------
    ValueError
        A kind of file whose names cannot be replaced (save it as XLSX or CSV), a name in the name
        of the file, or one that is still there afterwards.

    Notes
    -----
    "MH" goes out of "MH", "tell MH", "-MH" and "MH-LT" (where LT is a name too), and stays in
    "MH-12" and "RMH": a letter, a digit, an underline, or a hyphen with one of these behind it go
    on with the word. Letters count as they are written, upper and lower case; an accent counts
    however it is encoded, and any white space between two names as a space.

    Examples
    --------
    >>> redacted(b"by,note\\nMH,told MH of MH-12\\n", "oct.csv", {"MH": "person 2"})
    b'by,note\\nperson 2,told person 2 of MH-12\\n'
    """
    if not alias:
        return data
    change = changed_by(alias)
    if change(path) != path:
        name = next(one for one in alias if re.search(_word(one), path))
        raise ValueError(_in_file_name(path, name))

    def checked(text: str) -> str:
        new = change(text)
        if change(new) != new:
            raise ValueError(f'{path}: a name could not be left out of "{text[:60]}"')
        return new

    if data.startswith(_WORKBOOKS):
        return rewritten(data, path, cache(checked))
    # bytes that are no letter in this encoding stay as they are
    codec = codec_of(data)
    wrong = "surrogatepass" if codec.startswith("utf-16") else "surrogateescape"
    text = data.decode(codec, wrong)
    return checked(text).encode(codec, wrong)


def changed_by(alias: Mapping[str, str]) -> Callable[[str], str]:
    """From a text to the same with names replaced."""
    names = sorted(alias, key=lambda name: (-len(name), name))
    # one group for each name tells which it was, however it was written
    each = re.compile("|".join(f"({_spelt(name)})" for name in names))
    some = "|".join(map(_spelt, names))
    pattern = re.compile(rf"{_BEFORE}(?:{some})(?:-(?:{some}))*{_AFTER}")

    def one(found: re.Match[str]) -> str:
        return alias[names[(found.lastindex or 1) - 1]]

    def several(found: re.Match[str]) -> str:
        return each.sub(one, found[0])

    return lambda text: pattern.sub(several, text)


def _word(name: str) -> str:
    return f"{_BEFORE}(?:{_spelt(name)}){_AFTER}"


def _spelt(name: str) -> str:
    """A name as it may be written: any white space, accents either way, quotes doubled in CSV."""
    forms = dict.fromkeys([name, *(unicodedata.normalize(form, name) for form in ("NFC", "NFD"))])
    return "|".join(
        r"\s+".join(re.escape(part).replace('"', '"{1,2}') for part in form.split())
        for form in forms
    )


def same_but_for_names(works: Works, copy: Works, alias: Mapping[str, str]) -> None:
    """
    Refuse a copy that does not say the same as the works, names apart.

    Parameters
    ----------
    works, copy : Works
        As it is, and as its redacted files tell it.
    alias : mapping

    Raises
    ------
    ValueError
        A cell says something else: a name that was also another word ("May" in a date).
    """
    change = changed_by(alias) if alias else str
    tables = {"weighings": (works.weighings.table, copy.weighings.table),
              "readings not used": (works.weighings.not_used, copy.weighings.not_used)}  # fmt: skip
    tables |= {name: (getattr(works, name), getattr(copy, name)) for name in LISTS}
    for name, (before, after) in tables.items():
        if len(before) != len(after) or len(before.columns) != len(after.columns):
            raise ValueError(
                f"without names, {name} would be read with {len(after)} rows, not {len(before)}: a "
                "name is also another word of the files; write it otherwise"
            )
        for column, other in zip(before, after, strict=True):
            if column in _TOLD:
                continue
            then, now = before[column], after[other]
            stays = column in _STAYS and name != "documents"
            if then.dtype.kind not in "fiubM" and not stays:
                known: dict[Any, Any] = {
                    one: change(one) if isinstance(one, str) else one for one in then.unique()
                }
                then = then.map(known).astype(then.dtype)
            if not then.equals(now):
                pairs = zip(then.map(str), now.map(str), strict=True)
                was, is_now = next((pair for pair in pairs if pair[0] != pair[1]), ("", ""))
                raise ValueError(
                    f'without names, {name} would be read otherwise: {column} "{was}" as '
                    f'"{is_now}"; a name is also another word of the files, write it otherwise'
                )
