"""The manifest of a pack: what is in it by hash, its identity, its seal, the pack before it."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import platform
from collections.abc import Callable, Iterator, Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Final

from qa_tools import __version__

NAME: Final = "manifest.json"
SIGNATURE: Final = "manifest.sig"
APART: Final = (NAME, SIGNATURE)  # what the manifest cannot list
DATA: Final = "data/"
WORKBOOK: Final = "data/readings.xlsx"  # the CSV files over again, in bytes of its library's making
FORMAT: Final = 1
LARGEST: Final = 50_000_000  # bytes of a manifest worth reading
LIBRARIES: Final = ("numpy", "pandas", "scipy", "statsmodels", "python-calamine", "XlsxWriter")
KEYS: Final[dict[str, type | tuple[type, ...]]] = {
    "format": int,
    "made_at": str,
    "works": str,
    "parameters": dict,
    "identity": str,
    "contents": str,
    "files": dict,
    "originals": dict,
    "previous": (dict, type(None)),
    "software": dict,
    "seeds": dict,
    "key": (str, type(None)),
}


class BadManifest(ValueError):
    """A manifest that cannot be read, with the reason."""


def canonical(facts: object) -> bytes:
    """
    Facts as the one sequence of bytes they have: keys in order, plain ASCII, one entry a line.

    Examples
    --------
    >>> canonical({"b": 1, "a": "é"})
    b'{\\n "a": "\\\\u00e9",\\n "b": 1\\n}\\n'
    """
    text = json.dumps(facts, sort_keys=True, indent=1, ensure_ascii=True, allow_nan=False)
    return (text + "\n").encode("ascii")


def digest(facts: object) -> str:
    """SHA-256 of facts in their canonical form, in hex."""
    return hashlib.sha256(canonical(facts)).hexdigest()


def files_in(folder: Path) -> Iterator[tuple[str, Path]]:
    """Every file under a folder by its path in it, in a steady order."""
    for path in sorted(folder.rglob("*"), key=lambda one: one.relative_to(folder).as_posix()):
        if path.is_symlink() or not path.is_dir():
            yield path.relative_to(folder).as_posix(), path


def hashes(folder: Path, wanted: Callable[[str], bool]) -> dict[str, dict[str, Any]]:
    """The hash and size of the files of a folder whose path is wanted."""
    found = {}
    for name, path in files_in(folder):
        if wanted(name):
            data = path.read_bytes()
            found[name] = {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
    return found


def identity_of(parameters: Mapping[str, Any], files: Mapping[str, Mapping[str, Any]]) -> str:
    """
    The identity: a hash of what was asked for and of every data file; not of page, time or names.

    Parameters
    ----------
    parameters : mapping
    files : mapping
        As in a manifest: those that do not lie under ``data/`` do not count, nor does the workbook,
        which says again what the CSV files say.
    """
    data = {
        name: one["sha256"]
        for name, one in files.items()
        if name.startswith(DATA) and name != WORKBOOK
    }
    return digest({"parameters": dict(parameters), "data": data})


def contents_of(facts: Mapping[str, Any]) -> str:
    """A hash of all else that a manifest says, so that no letter of it can change alone."""
    return digest({name: fact for name, fact in facts.items() if name != "contents"})


def short(identity: str) -> str:
    """
    An identity as pages print it.

    Examples
    --------
    >>> short("3f2a91c077be" + 52 * "0")
    '3f2a 91c0 77be'
    """
    return " ".join(identity[at : at + 4] for at in range(0, 12, 4))


def made(
    folder: Path,
    *,
    made_at: dt.datetime,
    works: str,
    parameters: Mapping[str, Any],
    originals: Mapping[str, str],
    previous: Mapping[str, str] | None,
    seeds: Mapping[str, int],
    key: str | None = None,
) -> dict[str, Any]:
    """The manifest of a folder that is otherwise complete."""
    files = hashes(folder, lambda name: name not in APART)
    facts = {
        "format": FORMAT,
        "made_at": made_at.isoformat(),
        "works": works,
        "parameters": dict(parameters),
        "identity": identity_of(parameters, files),
        "files": files,
        "originals": dict(originals),
        "previous": None if previous is None else dict(previous),
        "software": software(),
        "seeds": dict(seeds),
        "key": key,
    }
    return facts | {"contents": contents_of(facts)}


def software() -> dict[str, str]:
    """The versions the figures were made with."""
    found = {"qa_tools": __version__, "python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:  # run from a checkout without it
            found[name] = "not installed"
    return found


def seal_of(data: bytes) -> str:
    """The seal: SHA-256 of a manifest's bytes, in hex."""
    return hashlib.sha256(data).hexdigest()


def read(data: bytes) -> dict[str, Any]:
    """
    A manifest from its bytes.

    Raises
    ------
    BadManifest
        Not JSON, not of this format, or something missing in it. Whether it stands in its canonical
        form is another question: compare `canonical` of it with the bytes.
    """
    if len(data) > LARGEST:
        raise BadManifest(f"{NAME} has {len(data)} bytes, more than any pack of ours")
    try:
        facts = json.loads(data.decode("ascii"))
        canonical(facts)  # NaN, or lists within lists without end, have no such form
    except (UnicodeDecodeError, ValueError, RecursionError) as fault:
        raise BadManifest(f"{NAME} cannot be read: {fault}") from None
    if not isinstance(facts, dict):
        raise BadManifest(f"{NAME} holds no list of facts by name")
    if facts.get("format") != FORMAT:
        raise BadManifest(
            f"{NAME} is of format {facts.get('format')!r}; this program knows {FORMAT}: use the "
            "version that the page of the pack names"
        )
    for name, kind in KEYS.items():
        if name not in facts or not isinstance(facts[name], kind):
            raise BadManifest(f"{NAME} says nothing usable of {name!r}")
    extra = sorted(set(facts) - set(KEYS))
    if extra:
        raise BadManifest(f"{NAME} says more than a manifest does: {', '.join(extra)}")
    for path, one in facts["files"].items():
        if not (
            isinstance(one, dict)
            and set(one) == {"sha256", "bytes"}
            and isinstance(one["sha256"], str)
            and isinstance(one["bytes"], int)
        ):
            raise BadManifest(f"{NAME} says nothing usable of the file {path}")
    return facts


def previous_of(out: Path, before: dt.datetime, works: str) -> dict[str, str] | None:
    """
    The newest pack of a works made before, of those beside a place or in it: name, identity, seal,
    time.

    None where there is none. A folder whose manifest cannot be read is no pack.
    """
    found = []
    parent = out.absolute().parent
    for path in sorted(parent.iterdir()) if parent.is_dir() else []:
        if path.name.startswith(".") or not (path / NAME).is_file():
            continue
        data = (path / NAME).read_bytes()
        try:
            facts = read(data)
        except BadManifest:
            continue
        if facts["works"] == works and facts["made_at"] < before.isoformat():
            found.append((facts["made_at"], path.name, facts["identity"], seal_of(data)))
    if not found:
        return None
    made_at, name, identity, seal = max(found)
    return {"name": name, "made_at": made_at, "identity": identity, "seal": seal}
