"""Building the audit pack: sources, readings, verdicts, sections, page, manifest; then in place."""

from __future__ import annotations

import datetime as dt
import hashlib
import html
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal

import pandas as pd

from qa_tools.books.draws import SEED
from qa_tools.books.rulebook import published_text, rulebook
from qa_tools.evidence.labelled import own_books
from qa_tools.evidence.pack import atomic, manifest, signing
from qa_tools.evidence.pack.names import aliases, redacted, same_but_for_names
from qa_tools.evidence.pack.page import evidence_page
from qa_tools.evidence.pack.printed import print_pdf
from qa_tools.evidence.pack.scope import Day, Scope, scope_of
from qa_tools.evidence.pack.sections import SECTIONS, gaps
from qa_tools.evidence.pack.sections.sign_off import sign_off
from qa_tools.evidence.pack.telling import telling
from qa_tools.evidence.pack.verdicts import verdict_files
from qa_tools.evidence.pack.written import csv_bytes, workbook
from qa_tools.evidence.tables import books_of
from qa_tools.readings.log import LOG, log_path
from qa_tools.readings.weighings import ReadingError
from qa_tools.readings.works import Works, read_works

Paper = Literal["A4", "Letter"]
SOURCES: Final = "data/sources"
PAGE: Final = "evidence.html"


@dataclass(frozen=True)
class Built:
    """
    A pack that was built; prints what to do with it.

    Attributes
    ----------
    folder, zip : Path
    identity, seal : str
        SHA-256 in hex: of the data and parameters; of the manifest. The seal stands nowhere in the
        pack: give it to the retailer by another way.
    gaps : DataFrame
        What an auditor would look for and not find: section, what, to_do.
    notes : tuple of str
        What could not be done, such as a PDF without a browser on the machine.
    """

    folder: Path
    zip: Path
    identity: str
    seal: str
    gaps: pd.DataFrame
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The same for machines; ``format`` 1."""
        return {
            "format": 1,
            "folder": str(self.folder),
            "zip": str(self.zip),
            "identity": self.identity,
            "seal": self.seal,
            "gaps": self.gaps.to_dict("records"),
            "notes": list(self.notes),
        }

    def __str__(self) -> str:
        missing = len(self.gaps)
        return "\n".join(
            [
                f"Audit pack: {self.folder} and {self.zip.name}",
                f"  identity  {manifest.short(self.identity)}  (on every page)",
                f"  seal      {self.seal}",
                "  Give the retailer the seal by another way than the pack: with it they can tell "
                "that nothing was changed since.",
                f"  {missing} gap{'s' if missing != 1 else ''} said in the pack"
                + (": see its section Gaps." if missing else "."),
                *(f"  {note}" for note in self.notes),
            ]
        )

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"


def build(
    works: Works | str | Path,
    start: Day | None,
    end: Day | None,
    out: str | Path,
    products: Sequence[str] | str | None = None,
    batches: Sequence[str] | str | None = None,
    *,
    without_names: bool = False,
    paper: Paper = "A4",
    key: str | Path | None = None,
    made_at: dt.datetime | None = None,
) -> Built:
    """
    The audit pack of a period: one folder, and its zip, that answer an auditor's list.

    Parameters
    ----------
    works : Works or path
        A path is read first.
    start, end : str or date or None
        First and last day: the batches weighed or packed between them. None for the whole of the
        data. What was done about them later (a hold closed, goods sent) counts.
    out : path
        The folder to write; the zip is written beside it. A pack that is there is replaced, whole
        or not at all; a folder that is no pack is left alone.
    products, batches : name or names, optional
        Only these.
    without_names : bool
        Leave out the names of people and customers: the pack then holds copies of the files with
        "person 1" and "customer 1" in their places, and the hashes of the files as they are.
    paper : {"A4", "Letter"}
    key : path, optional
        A private key from `make_key`: the pack is signed with it.
    made_at : datetime, optional
        The time that is printed; now when not given. With the same time, the same input makes the
        same bytes.

    Returns
    -------
    Built

    Raises
    ------
    ValueError
        A period or name nobody knows, a file that changed since it was read, or an `out` that is
        something else than a pack.

    Notes
    -----
    The identity is a hash of data and parameters; the seal is one of the manifest, which lists the
    hash of every file. Whoever holds the seal can tell that nothing was changed since: not that a
    scale was read rightly.

    Examples
    --------
    >>> made = build(getfixture("demo_works"), "2026-10-26", "2026-11-01",
    ...              getfixture("tmp_path") / "october", batches="RS-1028")
    >>> (made.folder / "evidence.html").is_file(), made.zip.name
    (True, 'october.zip')
    """
    works = works if isinstance(works, Works) else read_works(works)
    if paper not in ("A4", "Letter"):
        raise ValueError(f'paper is "A4" or "Letter", not {paper!r}')
    signer = None if key is None else signing.Signer(key)
    made_at = (made_at or dt.datetime.now(dt.UTC).replace(microsecond=0)).astimezone(dt.UTC)
    place = Path(out)
    atomic.check(place, works.folder)
    asked = (start, end, products, batches)
    scope = scope_of(works, *asked)  # refuses before anything is written
    with atomic.staging(place) as staged, telling() as tell:
        tell("copying the files of the works")
        alias = aliases(works) if without_names else {}
        _copy(works, staged / SOURCES, alias, with_log=not without_names)
        if without_names:
            scope = scope_of(_renamed(works, staged / SOURCES, alias), *asked)
        tell(f"judging {len(scope.keys)} batches")
        _write(staged, verdict_files(scope))
        tell("writing readings and rule books")
        _write(staged, {f"data/{name}.csv": csv_bytes(t) for name, t in _readings(scope).items()})
        _write(staged, {f"data/books/{name}.toml": text for name, text in _books(scope)})
        tell("writing the sections")
        sections = [make(scope) for make in SECTIONS]
        sections += [gaps.gaps(sections), sign_off(scope)]
        for section in sections:
            for name, table in section.tables.items():
                _write(staged, {f"data/{section.key}/{name}.csv": csv_bytes(table)})
        parameters = _parameters(scope, works, without_names, paper)
        listed = manifest.hashes(staged, lambda name: name.startswith(manifest.DATA))
        identity = manifest.identity_of(parameters, listed)
        tell("writing the page")
        page = evidence_page(
            scope.title, scope.period, sections,
            identity=manifest.short(identity), paper=paper, made_at=made_at,
        )  # fmt: skip
        (staged / PAGE).write_text(page, encoding="utf-8", newline="\n")
        tell("printing it")
        with ThreadPoolExecutor(1) as beside:  # the browser prints on a core of its own
            printed = beside.submit(
                print_pdf, staged / PAGE, staged / "evidence.pdf", made_at=made_at
            )
            # dated by the data, not by the clock: the same data make the same workbook
            day = scope.as_of.to_pydatetime() if pd.notna(scope.as_of) else dt.datetime(2000, 1, 1)
            workbook(_readings(scope), staged / manifest.WORKBOOK, day)
            note = printed.result()
        if signer is not None:
            (staged / signing.PUBLIC).write_bytes(signer.public)
        facts = manifest.made(
            staged,
            made_at=made_at,
            works=works.name,
            parameters=parameters,
            originals=_hashes(works) if without_names else {},
            previous=manifest.previous_of(place, made_at, works.name),
            seeds={"draws": SEED},
            key=None if signer is None else signer.fingerprint,
        )
        data = manifest.canonical(facts)
        (staged / manifest.NAME).write_bytes(data)
        if signer is not None:
            signer.sign(staged)
        tell("putting it in place")
        atomic.put(staged, place, made_at)
    return Built(
        place,
        atomic.zip_of(place),
        identity,
        manifest.seal_of(data),
        gaps.table(sections[:-2]),
        (*_unknown_names(works, without_names), *([note] if note else [])),
    )


def _parameters(scope: Scope, works: Works, without_names: bool, paper: str) -> dict[str, Any]:
    """What was asked for, as the manifest keeps it."""
    return scope.parameters() | {
        "works": works.name,
        "workbook": works.folder.name if works.folder.is_file() else None,
        "names": "left out" if without_names else "as written",
        "paper": paper,
    }


def _hashes(works: Works) -> dict[str, str]:
    return dict(zip(works.files["file"].map(str), works.files["sha256"].map(str), strict=True))


def _home(works: Works) -> Path:
    return works.folder.parent if works.folder.is_file() else works.folder


def _copy(works: Works, into: Path, alias: Mapping[str, str], with_log: bool) -> None:
    """Every file that was read, and the rule books of one's own; refused where one has changed."""
    for name, known in _hashes(works).items():
        data = (_home(works) / name).read_bytes()
        if hashlib.sha256(data).hexdigest() != known:
            raise ValueError(f"{name} was changed since it was read: read the works again")
        _write(into, {name: redacted(data, name, alias)})
    for path in own_books(works).values():
        data = path.read_bytes()
        if redacted(data, path.name, alias) != data:
            raise ValueError(f"{path.name} names a person or a customer; take the name out of it")
        _write(into, {path.name: data})
    log = log_path(works.folder)
    if log.is_file() and with_log:
        _write(into.parent, {f"log/{LOG}": log.read_bytes()})


def _renamed(works: Works, sources: Path, alias: Mapping[str, str]) -> Works:
    """The works as its copies without names tell it; its name, log and hashes stay its own."""
    alone = works.folder.name if works.folder.is_file() else ""
    try:
        again = read_works(sources / alone)
    except ReadingError as fault:
        raise ValueError(
            f"names cannot be left out: one is also another word of the files ({fault})"
        ) from None
    same_but_for_names(works, again, alias)
    files = again.files.assign(sha256=again.files["file"].map(_hashes(works)))
    return replace(again, name=works.name, folder=works.folder, files=files)


def _unknown_names(works: Works, without_names: bool) -> Iterator[str]:
    """What a person must look at who leaves names out: where they could stand unknown to us."""
    if without_names:
        unread = works.files[works.files["columns not used"] != ""]
        pairs = zip(unread["file"], unread["columns not used"], strict=True)
        columns = "; ".join(f"{file}: {heads}" for file, heads in pairs)
        yield (
            "Left out are the names in the columns for people and customers. Others, that stand "
            "only in notes or in columns that are not read"
            + (f" ({columns})" if columns else "")
            + ", are not known as names: look through the pack before you hand it over."
        )


def _books(scope: Scope) -> Iterator[tuple[str, bytes]]:
    """The data file of every rule book used: published ones as they came, and one's own."""
    own = {rulebook(path).name: path for path in own_books(scope.works).values()}
    for book in books_of(scope.checks):
        text = published_text(book.name)
        yield book.name, own[book.name].read_bytes() if text is None else text


def _write(folder: Path, files: Mapping[str, bytes | str]) -> None:
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data if isinstance(data, bytes) else data.encode())


def _readings(scope: Scope) -> dict[str, pd.DataFrame]:
    """The readings of the batches spoken of, used and not."""
    return {"readings-used": scope.used, "readings-not-used": scope.not_used}
