"""Names of people and customers left out: copies of the files that say "person 1" instead."""

from __future__ import annotations

import html
import io
import re
import zipfile
from collections.abc import Mapping
from functools import cache
from typing import Final

import pandas as pd

from qa_tools.readings.headings import TABLES, words_of
from qa_tools.readings.tables import codec_of
from qa_tools.readings.works import Works

# Where names of people stand, list by list; and of customers.
PEOPLE: Final[Mapping[str, tuple[str, ...]]] = {
    "settings": ("who",),
    "scale_checks": ("by",),
    "wires": ("by",),
    "plan": ("approved_by",),
    "actions": ("by", "approved_by"),
}
_KINDS: Final = ("stage", "weighed", "fate", "picked")
_SHEETS: Final = (".xlsx", ".xlsm", ".ods")
_TEXTS: Final = (".csv", ".tsv", ".txt", ".toml")
_TEXT_NODE: Final = re.compile(r">([^<>]+)<")
# Parts of a workbook that say who made it, or show it: left out, or emptied.
_EMPTIED: Final = re.compile(
    r"(<(dc:creator|cp:lastModifiedBy|meta:initial-creator|Manager|Company)[^>]*>)[^<]*(</\2>)"
)
_AUTHOR: Final = re.compile(r'\b(author|userId|displayName|lastEdited|providerId)="[^"]*"')
_DROPPED: Final = ("docProps/custom.xml", "docProps/thumbnail", "Thumbnails/", "xl/persons/")
_STAMP: Final = (1980, 1, 1, 0, 0, 0)


def aliases(works: Works) -> dict[str, str]:
    """
    Every name of a person or a customer, and what stands for it.

    Parameters
    ----------
    works : Works

    Returns
    -------
    dict
        "person 1", "person 2", ... and "customer 1", ... in the order of the names.

    Raises
    ------
    ValueError
        A name that cannot be told from other words: one that is a heading or a word of ours, the
        name of a batch, a product or a scale, or has no letter.

    Examples
    --------
    >>> found = aliases(getfixture("demo_works"))
    >>> found["MH"], found["shop 2"]
    ('person 2', 'customer 2')
    """
    people = set(works.weighings.table["by"])
    for name, columns in PEOPLE.items():
        table: pd.DataFrame = getattr(works, name)
        people |= {str(one) for column in columns for one in table[column]}
    customers = set(works.dispatch["customer"]) - people
    taken = {
        one.casefold()
        for names in (works.products["product"], works.batches["batch"], works.scales["scale"],
                      works.tare["supplier_lot"], works.weighings.table["batch"])
        for one in names
    }  # fmt: skip
    found = {}
    for kind, names in (("person", people), ("customer", customers)):
        for number, name in enumerate(sorted(names - {""}), 1):
            if name.casefold() in taken | _words() or not re.search(r"[^\W\d_]", name):
                raise ValueError(
                    f'the name "{name}" cannot be left out: it is also a word of the files (a '
                    "heading, a batch, a product, a scale); write the person's name otherwise"
                )
            found[name] = f"{kind} {number}"
    return found


@cache
def _words() -> frozenset[str]:
    """Headings and words of ours, which a copy must keep."""
    heads = {
        one.casefold()
        for about in TABLES.values()
        if isinstance(about, dict) and "columns" in about
        for name, column in about["columns"].items()
        for one in (name, *column["also"])
    }
    return frozenset(heads | {one.casefold() for kind in _KINDS for one in words_of(kind)})


def redacted(data: bytes, path: str, alias: Mapping[str, str]) -> bytes:
    """
    A copy of one file in which names are replaced wherever they stand as words of their own.

    Parameters
    ----------
    data : bytes
    path : str
        Its name: the ending says what it is.
    alias : mapping
        From `aliases`.

    Raises
    ------
    ValueError
        A kind of file whose names cannot be replaced (save it as XLSX or CSV), a name in the name
        of the file, or one that is still there afterwards.

    Notes
    -----
    "MH" goes out of "MH" and of "tell MH", and stays in "MH-12": next to a letter, a digit or a
    hyphen it is part of another word. Letters count as they are written, upper and lower case.
    """
    pattern = _pattern(alias)
    if pattern is None:
        return data
    if found := pattern.search(path):
        raise ValueError(f'{path}: the name "{found[0]}" stands in the name of the file; rename it')
    ending = f".{path.rsplit('.', 1)[-1].casefold()}" if "." in path else ""
    if ending in _TEXTS:
        codec = codec_of(data)
        mark = "\ufeff" if data.decode(codec, "replace").startswith("\ufeff") else ""
        text = data.decode(codec, "replace").removeprefix("\ufeff")
        new = pattern.sub(lambda one: alias[one[0]], text)
        _none_left(pattern, new, path)
        return (mark + new).encode(codec)
    if ending in _SHEETS:
        return _workbook(data, path, alias, pattern)
    raise ValueError(f"{path}: names cannot be left out of a {ending} file; save it as XLSX or CSV")


def _pattern(alias: Mapping[str, str]) -> re.Pattern[str] | None:
    """All names, the longest first, each only as a word of its own."""
    names = sorted(alias, key=lambda name: (-len(name), name))
    if not names:
        return None
    return re.compile(rf"(?<![\w-])(?:{'|'.join(map(re.escape, names))})(?![\w-])")


def _none_left(pattern: re.Pattern[str], text: str, path: str) -> None:
    if found := pattern.search(text):
        raise ValueError(f'{path}: the name "{found[0]}" could not be left out')


def _workbook(
    data: bytes, path: str, alias: Mapping[str, str], pattern: re.Pattern[str]
) -> bytes:  # fmt: skip
    """A workbook with the names in its texts replaced, cell by cell as XML has them."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for entry in old.infolist():
            if entry.filename.startswith(_DROPPED) or entry.is_dir():
                continue
            content = old.read(entry)
            if entry.filename.endswith((".xml", ".rels")):
                text = content.decode("utf-8")
                if not entry.filename.endswith(".rels"):
                    text = _plain_runs(text, pattern)
                    text = _replaced(text, alias, pattern)
                text = _AUTHOR.sub(r'\1=""', _EMPTIED.sub(r"\1\3", text))
                for one in _TEXT_NODE.finditer(text):
                    _none_left(pattern, html.unescape(one[1]), path)
                content = text.encode("utf-8")
            about = zipfile.ZipInfo(entry.filename, _STAMP)
            about.compress_type = (
                zipfile.ZIP_STORED if entry.filename == "mimetype" else zipfile.ZIP_DEFLATED
            )
            new.writestr(about, _without_dropped(entry.filename, content))
    return out.getvalue()


def _replaced(text: str, alias: Mapping[str, str], pattern: re.Pattern[str]) -> str:
    def one(found: re.Match[str]) -> str:
        words = html.unescape(found[1])
        new = pattern.sub(lambda name: alias[name[0]], words)
        return found[0] if new == words else f">{html.escape(new, quote=False)}<"

    return _TEXT_NODE.sub(one, text)


# A text in several runs (one letter of it bold) is one string to a reader.
_RUNS: Final = re.compile(r"<(si|is)>((?:(?!</\1>).)*?<r>.*?)</\1>", re.DOTALL)
_ODS_TEXT: Final = re.compile(r"<text:p\b[^>]*>((?:(?!</text:p>).)*?<text:.*?)</text:p>", re.DOTALL)
_TAG: Final = re.compile(r"<[^>]*>")


def _plain_runs(text: str, pattern: re.Pattern[str]) -> str:
    """Texts of several runs that hold a name only when put together: made one run."""

    def xlsx(found: re.Match[str]) -> str:
        words = "".join(re.findall(r"<t\b[^>]*>([^<]*)</t>", found[2]))
        if not pattern.search(html.unescape(words)):
            return found[0]
        return f'<{found[1]}><t xml:space="preserve">{words}</t></{found[1]}>'

    def ods(found: re.Match[str]) -> str:
        words = _TAG.sub("", found[1])
        return f"<text:p>{words}</text:p>" if pattern.search(html.unescape(words)) else found[0]

    return _ODS_TEXT.sub(ods, _RUNS.sub(xlsx, text))


def _without_dropped(name: str, content: bytes) -> bytes:
    """The lists of parts without those that were left out."""
    if name not in ("[Content_Types].xml", "_rels/.rels", "META-INF/manifest.xml") and not (
        name.startswith("xl/_rels/")
    ):
        return content
    text = content.decode("utf-8")
    for dropped in _DROPPED:
        inside = re.escape(dropped.removeprefix("xl/"))
        part = rf"<(?:Override|Relationship|manifest:file-entry)\b[^>]*{inside}[^>]*/>"
        text = re.sub(part, "", text)
    return text.encode("utf-8")
