"""Whether a pack is as it was built: every byte, the chains, and every verdict worked out again."""

from __future__ import annotations

import csv
import hashlib
import html
import io
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple

import pandas as pd

from qa_tools.evidence.pack import manifest
from qa_tools.evidence.pack.signing import (
    PUBLIC,
    NoLibrary,
    as_fingerprint,
    check_signature,
    fingerprint,
)
from qa_tools.evidence.pack.unpack import Unsafe, one_of, opened
from qa_tools.evidence.pack.verdicts import FOLDER, recomputed
from qa_tools.readings.log import LOG, check_chain

SOURCES: Final = "data/sources"
LOG_PLACE: Final = f"data/log/{LOG}"
CLOSE: Final = 2e-6  # grams or shares: verdicts are written to a millionth
_SHOWN: Final = 20  # problems in print
_LONGEST: Final = 200  # letters of a row or cell that are told


class Problem(NamedTuple):
    """One thing that is not as it was built; row 0 where it is of a whole file."""

    what: str
    file: str = ""
    row: int = 0
    column: str = ""
    found: str = ""
    expected: str = ""


@dataclass(frozen=True, eq=False)
class Verified:
    """
    What the check of a pack found; prints its answer first.

    Attributes
    ----------
    problems : DataFrame
        what, file, row, column, found, expected; empty where the pack is as it was built.
    identity, seal : str
        As the pack says, and as its manifest is; empty where there is none.
    sealed, signed : bool
        Whether the seal that was expected is its seal; whether the key that was expected signed it.
    notes : tuple of str
        What could not be looked at, and what the answer does not say.
    """

    problems: pd.DataFrame
    identity: str
    seal: str
    sealed: bool
    signed: bool
    notes: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether nothing was found that is not as it was built."""
        return self.problems.empty

    def to_dict(self) -> dict[str, Any]:
        """The same for machines; ``format`` 1."""
        return {
            "format": 1,
            "ok": self.ok,
            "identity": self.identity,
            "seal": self.seal,
            "sealed": self.sealed,
            "signed": self.signed,
            "problems": self.problems.to_dict("records"),
            "notes": list(self.notes),
        }

    def __str__(self) -> str:
        return "\n".join(self._lines())

    def _lines(self) -> Iterator[str]:
        if not self.ok:
            many = len(self.problems)
            yield f"NOT as it was built: {many} thing{'s' if many > 1 else ''} found."
            for row in self.problems.head(_SHOWN).itertuples(index=False, name=None):
                yield f"  {_told(Problem(*row))}"
            if many > _SHOWN:
                yield f"  and {many - _SHOWN} more"
        elif self.sealed or self.signed:
            by = " and ".join(
                words
                for words, so in (
                    ("that seal was given", self.sealed),
                    ("the owner of that key signed it", self.signed),
                )
                if so
            )
            yield f"Unchanged since {by}; every verdict comes out again from its data."
            yield "This does not say that a scale was read rightly."
        else:
            yield "Whole, and every verdict comes out again from its data."
            yield (
                "Somebody who changed it and made its manifest anew would not show: ask its maker "
                "for the seal, and check with it."
            )
        if self.identity:
            yield f"identity  {manifest.short(self.identity)}"
        if self.seal:
            yield f"seal      {self.seal}"
        yield from self.notes

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"


def verify(
    pack: str | Path, expect: str | None = None, *, key: str | Path | None = None
) -> Verified:
    """
    Is an audit pack as it was built, and do its verdicts follow from the data in it?

    Parameters
    ----------
    pack : path
        The folder, or its zip.
    expect : str, optional
        The seal its maker gave you by another way.
    key : str or path, optional
        The fingerprint of its maker's public key, or the file of that key; not the one that lies
        in the pack.

    Returns
    -------
    Verified

    Raises
    ------
    ValueError
        There is no such pack, `expect` or `key` can be none, or a `key` is to be checked without
        the library for keys. What is wrong with a pack is no error: it is what this finds.

    Notes
    -----
    Without `expect` and `key` it shows that nothing was changed by accident or by halves. Only they
    show that the whole was not made anew.

    Examples
    --------
    >>> import qa_tools as qa
    >>> place = getfixture("tmp_path") / "week"
    >>> built = qa.evidence.build(
    ...     getfixture("demo_works"), None, None, place, batches="RS-1028"
    ... )
    >>> verify(place, built.seal).ok
    True
    >>> page = place / "evidence.html"
    >>> _ = page.write_text(page.read_text(encoding="utf-8") + " ", encoding="utf-8")
    >>> verify(place, built.seal).problems[["what", "file"]].values.tolist()
    [['changed', 'evidence.html']]
    """
    seal = None if expect is None else _seal(expect)
    path = Path(pack)
    if key is not None and path.absolute() in Path(key).absolute().parents:
        raise ValueError(
            f"{key} came with the pack, and tells nothing of who signed it: give the fingerprint, "
            "or the key, that its maker gave you by another way"
        )
    wanted = None if key is None else as_fingerprint(key)
    try:
        with opened(path) as folder:
            return _verified(folder, path, seal, wanted)
    except Unsafe as reason:
        return _answer([Problem(f"not opened: {reason}", path.name)], "", "", False, False, [])


def _seal(text: str) -> str:
    plain = re.sub(r"\s", "", text).casefold()
    if not re.fullmatch(r"[0-9a-f]{64}", plain):
        raise ValueError(
            f'"{text}" is no seal: a seal has 64 digits, 0-9 and a-f, as it was shown when the '
            "pack was built"
        )
    return plain


def _verified(folder: Path, pack: Path, expect: str | None, key: str | None) -> Verified:
    if not (folder / manifest.NAME).is_file():
        return _answer([Problem("missing", manifest.NAME)], "", "", False, False, [])
    data = (folder / manifest.NAME).read_bytes()
    seal = manifest.seal_of(data)
    problems: list[Problem] = []
    if expect is not None and seal != expect:
        problems.append(Problem("another seal", manifest.NAME, found=seal, expected=expect))
    try:
        facts = manifest.read(data)
    except manifest.BadManifest as reason:
        found = Problem(f"not readable: {reason}", manifest.NAME)
        return _answer([*problems, found], "", seal, False, False, [])
    if manifest.canonical(facts) != data:
        problems.append(Problem("not in its one form: edited by hand", manifest.NAME))
    problems += _files(folder, facts)
    problems += _sums(facts)
    signed, of_key, notes = _signature(folder, facts, data, key)
    problems += of_key
    notes += _before(pack, facts, problems)
    if (folder / LOG_PLACE).is_file():
        problems += [Problem(fault, LOG_PLACE) for fault in check_chain(folder / LOG_PLACE)]
    problems += _verdicts(folder, facts)
    now = manifest.software()
    others = [
        f"{name} {facts['software'].get(name, 'not named')} (here {version})"
        for name, version in now.items()
        if facts["software"].get(name) != version
    ]
    if others:
        notes.append(f"Made with other versions: {', '.join(others)}.")
    sealed = expect is not None and seal == expect
    return _answer(problems, facts["identity"], seal, sealed, signed, notes)


def _answer(
    problems: list[Problem], identity: str, seal: str, sealed: bool, signed: bool, notes: list[str]
) -> Verified:
    # names and reasons come out of the pack: nothing in them may look like a line of ours
    rows = [[_printable(one) if isinstance(one, str) else one for one in row] for row in problems]
    table = pd.DataFrame(rows, columns=Problem._fields)
    told = tuple(_printable(note) for note in notes)
    return Verified(table, _printable(identity), seal, sealed, signed, told)


def _files(folder: Path, facts: Mapping[str, Any]) -> Iterator[Problem]:
    """Every file the manifest lists, byte for byte, and none beside."""
    listed = dict(facts["files"])
    allowed = {manifest.NAME, *([manifest.SIGNATURE] if facts["key"] else [])}
    for name, path in manifest.files_in(folder):
        if name not in listed:
            if name not in allowed:
                yield Problem("added", name)
            continue
        about = listed.pop(name)
        try:
            with path.open("rb") as file:
                found = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as reason:
            yield Problem(f"cannot be read: {reason.strerror}", name)
            continue
        if found != about["sha256"] or path.stat().st_size != about["bytes"]:
            yield Problem("changed", name, found=found, expected=about["sha256"])
    for path in sorted(folder.rglob("*")):
        if path.is_dir() and not any(path.iterdir()):
            yield Problem("added: an empty folder", path.relative_to(folder).as_posix())
    yield from (Problem("missing", name) for name in listed)


def _sums(facts: Mapping[str, Any]) -> Iterator[Problem]:
    """The two hashes of the manifest over what else it says."""
    for name, found in (
        ("contents", manifest.contents_of(facts)),
        ("identity", manifest.identity_of(facts["parameters"], facts["files"])),
    ):
        if found != facts[name]:
            what = f"its {name} does not follow from what else it says: edited by hand"
            yield Problem(what, manifest.NAME, 0, name, facts[name], found)


def _signature(
    folder: Path, facts: Mapping[str, Any], data: bytes, key: str | None
) -> tuple[bool, list[Problem], list[str]]:
    """Whether the key that was expected signed it; what is wrong with the signature; notes."""
    if facts["key"] is None:
        return False, [Problem("not signed", manifest.NAME, expected=key)] if key else [], []
    signature, public = folder / manifest.SIGNATURE, folder / PUBLIC
    missing = [one.name for one in (signature, public) if not one.is_file()]
    if missing:
        return False, [Problem("missing", name) for name in missing], []
    try:
        known = fingerprint(public.read_bytes())
        right = check_signature(data, signature.read_bytes(), public.read_bytes())
    except NoLibrary as reason:
        if key is not None:
            raise
        return False, [], [f"Its signature was not checked: {reason}."]
    except ValueError as reason:
        return False, [Problem(f"signature not checked: {reason}", PUBLIC)], []
    problems = []
    if known != facts["key"]:
        problems.append(Problem("another key than its manifest names", PUBLIC, 0, "", known,
                                facts["key"]))  # fmt: skip
    if not right:
        problems.append(Problem("the signature is not of this manifest", manifest.SIGNATURE))
    if key is not None and known != key:
        problems.append(Problem("signed with another key", PUBLIC, 0, "", known, key))
    if problems or key is not None:
        return not problems, problems, []
    note = (
        f"Signed with the key {known}: by its maker, if that is the fingerprint they gave you by "
        "another way."
    )
    return False, [], [note]


def _before(pack: Path, facts: Mapping[str, Any], problems: list[Problem]) -> list[str]:
    """The pack before this one, where it lies beside; notes on what cannot be looked at."""
    before = facts["previous"]
    if before is None:
        return ["The first of its chain: it names no pack before it."]
    named = str(before.get("name"))
    about = f"the pack before, {named}, of {before.get('made_at')}"
    if not re.fullmatch(r"[^/\\:]+", named) or named in (".", ".."):
        problems.append(Problem("the pack before has no usable name", manifest.NAME))
        return []
    parent, name = pack.absolute().parent, pack.absolute().name
    try:
        beside = [] if named == name.removesuffix(".zip") else _manifests(parent, named)
    except (Unsafe, OSError) as reason:
        return [f"Not looked at: {about}; it cannot be opened: {reason}."]
    if not beside:
        return [f"Not looked at: {about}; it is not beside this one."]
    for path, data in beside:
        if manifest.seal_of(data) != before.get("seal"):
            problems.append(
                Problem("the pack before is not the one this pack names", f"../{path.name}", 0, "",
                        manifest.seal_of(data), str(before.get("seal")))
            )  # fmt: skip
            return []
    return [f"Follows {about}, which lies beside it."]


def _manifests(parent: Path, named: str) -> list[tuple[Path, bytes]]:
    """The manifests of a pack by its name, as a folder and as a zip, where they are there."""
    forms = (parent / named, parent / f"{named}.zip")
    return [(path, one_of(path, manifest.NAME)) for path in forms if path.exists()]


def _verdicts(folder: Path, facts: Mapping[str, Any]) -> Iterator[Problem]:
    """Every verdict worked out again from the sources in the pack, cell by cell."""
    try:
        again = recomputed(folder / SOURCES, facts["parameters"])
    except Exception as reason:  # the sources may be anything: whatever they break is their fault
        yield Problem(f"verdicts not worked out again: {reason}", SOURCES)
        return
    for name, content in again.items():
        path = folder / name
        if not path.is_file():
            continue  # said to be missing already, or was never listed
        yield from _differences(name, path.read_bytes(), content)
    for name in facts["files"]:
        if name.startswith(f"{FOLDER}/") and name not in again:
            yield Problem("a table of verdicts that does not come out of the data", name)
    for name in again:
        if name not in facts["files"]:
            yield Problem("a table of verdicts that is missing", name)


def _differences(name: str, found: bytes, expected: bytes) -> Iterator[Problem]:
    if found == expected:
        return
    try:
        there, again = _rows(found), _rows(expected)
    except csv.Error as reason:
        yield Problem(f"no table: {reason}", name)
        return
    if there[:1] != again[:1]:
        yield Problem("other columns than come out of the data", name, 1)
        return
    for number in range(1, max(len(there), len(again))):
        if number >= len(again):
            yield Problem("a row that does not come out of the data", name, number + 1,
                          found=", ".join(there[number])[:_LONGEST])  # fmt: skip
        elif number >= len(there):
            yield Problem("a row is missing", name, number + 1,
                          expected=", ".join(again[number])[:_LONGEST])  # fmt: skip
        else:
            if len(there[number]) > len(again[number]):
                more = ", ".join(there[number][len(again[number]) :])[:_LONGEST]
                yield Problem("cells behind the last column", name, number + 1, found=more)
            for place, cell in enumerate(again[number]):
                mine = there[number][place] if place < len(there[number]) else ""
                if not _same(mine, cell):
                    yield Problem("does not come out of the data", name, number + 1,
                                  again[0][place], mine[:_LONGEST], cell)  # fmt: skip


def _rows(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8", "replace"), newline="")))


def _same(one: str, other: str) -> bool:
    """Whether two cells say the same: to the letter, or numbers to what verdicts are written in."""
    if one == other:
        return True
    try:
        return math.isclose(float(one), float(other), rel_tol=0, abs_tol=CLOSE)
    except ValueError:
        return False


def _printable(text: str) -> str:
    """A text as one line, every letter that a screen would act on or cannot show written out."""
    return "".join(
        one if one.isprintable() else one.encode("unicode_escape").decode("ascii") for one in text
    )


def _told(problem: Problem) -> str:
    where = problem.file + (f", row {problem.row}" if problem.row else "")
    where += f", {problem.column}" if problem.column else ""
    is_, be = problem.found, problem.expected
    than = f" ({is_ or 'nothing'}, expected {be})" if be else f" ({is_})" if is_ else ""
    return ": ".join(part for part in (where, problem.what + than) if part)
