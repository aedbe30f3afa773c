"""Signing a pack with a key of one's own (Ed25519), and checking who signed one."""

from __future__ import annotations

import hashlib
import os
import re
from contextlib import suppress
from pathlib import Path
from typing import Any

from qa_tools.evidence.pack.manifest import NAME, SIGNATURE

PUBLIC = "public-key.pem"
_MISSING = (
    "signing needs one more library: pip install cryptography "
    '(or install this toolkit as "qa_tools[signing]")'
)


class NoLibrary(ValueError):
    """The library for keys is not installed."""


def make_key(path: str | Path) -> str:
    """
    Make a private key to sign packs with, once for a works; keep its file to yourself.

    Parameters
    ----------
    path : path
        The file to write; never over one that is there.

    Returns
    -------
    str
        The fingerprint of its public half, as `fingerprint` shows it: give it to the retailer by
        another way than the packs. Whoever has it can tell your packs from all others.

    Raises
    ------
    ValueError
        There is such a file, its folder is not there or is a pack, or the library for keys is
        missing.

    Notes
    -----
    Ed25519, RFC 8032. The file is not encrypted; only its owner may read it.
    """
    place = Path(path)
    if place.exists() or place.is_symlink():
        raise ValueError(f"{path} is there already, and a key is never written over")
    if not place.absolute().parent.is_dir():
        raise ValueError(f"there is no folder {place.parent}; make it first")
    if any((folder / NAME).is_file() for folder in place.absolute().parents):
        raise ValueError(f"{path} would lie in an audit pack, and go out with it: choose another")
    library = _library()
    key = library.ed25519.Ed25519PrivateKey.generate()
    pem = key.private_bytes(
        library.serialization.Encoding.PEM,
        library.serialization.PrivateFormat.PKCS8,
        library.serialization.NoEncryption(),
    )
    with os.fdopen(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(pem)
    return fingerprint(_public_pem(key))


class Signer:
    """A private key at hand: signs a manifest."""

    def __init__(self, path: str | Path) -> None:
        library = _library()
        if not Path(path).is_file():
            raise ValueError(f"there is no file {path}; make a key with: qa-tools key {path}")
        try:
            key = library.serialization.load_pem_private_key(Path(path).read_bytes(), None)
        except (ValueError, TypeError, library.Unsupported) as fault:
            raise ValueError(f"{path} holds no private key made by qa-tools key: {fault}") from None
        if not isinstance(key, library.ed25519.Ed25519PrivateKey):
            raise ValueError(f"{path} holds a key of another kind; make one with qa-tools key")
        self._key = key
        self.public = _public_pem(key)

    @property
    def fingerprint(self) -> str:
        """Of the public key."""
        return fingerprint(self.public)

    def sign(self, folder: Path) -> None:
        """Sign the manifest of a folder that holds this key's public half."""
        signature = self._key.sign((folder / NAME).read_bytes())
        (folder / SIGNATURE).write_text(signature.hex() + "\n", encoding="ascii", newline="\n")


def fingerprint(public: bytes) -> str:
    """
    How a public key is told from others: SHA-256 of its 32 bytes, in hex, in groups of four.

    Raises
    ------
    ValueError
        No public key of this kind.
    """
    return _grouped(hashlib.sha256(_raw(public)).hexdigest())


def check_signature(manifest: bytes, signature: bytes, public: bytes) -> bool:
    """
    Whether a signature of a manifest was made with the private half of a public key.

    Raises
    ------
    ValueError
        No public key, or the library for keys is missing.
    """
    library = _library()
    text = signature.decode("ascii", "replace")
    if not re.fullmatch(r"[0-9a-f]{128}\n", text):
        return False
    key = library.ed25519.Ed25519PublicKey.from_public_bytes(_raw(public))
    try:
        key.verify(bytes.fromhex(text), manifest)
    except library.InvalidSignature:
        return False
    return True


def as_fingerprint(key: str | Path) -> str:
    """
    A fingerprint from what somebody hands over: the fingerprint itself, or a public key's file.

    Raises
    ------
    ValueError
        Neither.

    Examples
    --------
    >>> as_fingerprint("AB" * 32)[:14]
    'abab abab abab'
    """
    plain = re.sub(r"[\s:-]", "", str(key)).casefold()
    if re.fullmatch(r"[0-9a-f]{64}", plain):
        return _grouped(plain)
    with suppress(OSError):  # too long for the name of a file
        if Path(key).is_file():
            return fingerprint(Path(key).read_bytes())
    raise ValueError(
        f"{key} is neither a fingerprint (64 digits 0-9 and a-f) nor the file of a public key"
    )


def _grouped(digits: str) -> str:
    return " ".join(digits[at : at + 4] for at in range(0, len(digits), 4))


def _raw(public: bytes) -> bytes:
    library = _library()
    try:
        key = library.serialization.load_pem_public_key(public)
    except (ValueError, TypeError, library.Unsupported):
        if b"PRIVATE KEY" in public:
            raise ValueError("that is a private key: it is for its owner alone") from None
        raise ValueError("that is not the file of a public key") from None
    if not isinstance(key, library.ed25519.Ed25519PublicKey):
        raise ValueError("that is a public key of another kind than packs are signed with")
    raw: bytes = key.public_bytes(
        library.serialization.Encoding.Raw, library.serialization.PublicFormat.Raw
    )
    return raw


def _public_pem(key: Any) -> bytes:
    library = _library()
    pem: bytes = key.public_key().public_bytes(
        library.serialization.Encoding.PEM,
        library.serialization.PublicFormat.SubjectPublicKeyInfo,
    )
    return pem


class _Library:
    """The parts of the library for keys that are used here."""

    def __init__(self) -> None:
        from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519

        self.InvalidSignature: Any = InvalidSignature
        self.Unsupported: Any = UnsupportedAlgorithm
        self.serialization: Any = serialization
        self.ed25519: Any = ed25519


def _library() -> _Library:
    try:
        return _Library()
    except ImportError:
        raise NoLibrary(_MISSING) from None
