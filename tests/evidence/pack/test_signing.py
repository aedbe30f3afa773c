"""Keys made once and kept, signatures of one manifest by one key, and what is said without keys."""

from __future__ import annotations

import builtins
import datetime as dt
import os
import stat
import sys
from pathlib import Path
from typing import Any

import pytest

from qa_tools.evidence.pack import manifest, signing
from qa_tools.evidence.pack import verify as checking
from qa_tools.evidence.pack.verify import verify

pytest.importorskip("cryptography")

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519

NOON = dt.datetime(2026, 11, 2, 12, tzinfo=dt.UTC)
# RFC 8032, section 7.1, test 3: secret key, public key, message, signature
SECRET = "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7"
OPEN = "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025"
MESSAGE = bytes.fromhex("af82")
SIGNED = (
    "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
    "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"
)


def public_pem(raw: str) -> bytes:
    key = ed25519.Ed25519PublicKey.from_public_bytes(bytes.fromhex(raw))
    return key.public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )


def test_the_published_signature_is_right_and_no_other() -> None:
    """RFC 8032, 7.1."""
    signature = f"{SIGNED}\n".encode()
    assert signing.check_signature(MESSAGE, signature, public_pem(OPEN))
    assert not signing.check_signature(MESSAGE + b" ", signature, public_pem(OPEN))
    for other in (signature.upper(), signature[:-1], b"", b"\xff" * 129, signature + b"\n"):
        assert not signing.check_signature(MESSAGE, other, public_pem(OPEN))


def test_the_published_key_signs_as_published(tmp_path: Path) -> None:
    """RFC 8032, 7.1: Ed25519 has no chance in it, so the same key and message sign alike."""
    key = ed25519.Ed25519PrivateKey.from_private_bytes(bytes.fromhex(SECRET))
    (tmp_path / "key.pem").write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    signer = signing.Signer(tmp_path / "key.pem")
    (tmp_path / manifest.NAME).write_bytes(MESSAGE)
    signer.sign(tmp_path)
    assert (tmp_path / manifest.SIGNATURE).read_bytes() == f"{SIGNED}\n".encode()
    assert signer.public == public_pem(OPEN)
    assert signer.fingerprint == signing.fingerprint(public_pem(OPEN))


def test_a_key_is_made_once_for_its_owner_alone(tmp_path: Path) -> None:
    place = tmp_path / "key.pem"
    mark = signing.make_key(place)
    assert mark == signing.Signer(place).fingerprint
    assert [len(part) for part in mark.split()] == [4] * 16
    if os.name == "posix":
        assert stat.S_IMODE(place.stat().st_mode) == 0o600
    before = place.read_bytes()
    with pytest.raises(ValueError, match="never written over"):
        signing.make_key(place)
    assert place.read_bytes() == before
    assert signing.make_key(tmp_path / "other.pem") != mark


def test_a_key_is_not_made_where_it_would_be_lost_or_given_away(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="make it first"):
        signing.make_key(tmp_path / "no" / "key.pem")
    pack = tmp_path / "pack"
    (pack / "data").mkdir(parents=True)
    (pack / manifest.NAME).touch()
    for inside in (pack / "key.pem", pack / "data" / "key.pem"):
        with pytest.raises(ValueError, match="would lie in an audit pack"):
            signing.make_key(inside)
        assert not inside.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="links")
def test_a_key_is_not_written_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "key.pem").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(ValueError, match="never written over"):
        signing.make_key(tmp_path / "key.pem")
    assert not (tmp_path / "elsewhere").exists()


def test_what_is_no_private_key_of_ours_is_told(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="make a key with: qa-tools key"):
        signing.Signer(tmp_path / "none.pem")
    other = ec.generate_private_key(ec.SECP256R1())
    form = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8)
    locked = ed25519.Ed25519PrivateKey.generate().private_bytes(
        *form, serialization.BestAvailableEncryption(b"secret")
    )
    for content, said in (
        (b"no key", "holds no private key"),
        (public_pem(OPEN), "holds no private key"),
        (locked, "holds no private key"),
        (other.private_bytes(*form, serialization.NoEncryption()), "a key of another kind"),
    ):
        (tmp_path / "key.pem").write_bytes(content)
        with pytest.raises(ValueError, match=said):
            signing.Signer(tmp_path / "key.pem")


# An SPKI of an algorithm nobody has, and one of a curve nobody has.
STRANGE = (
    "MCowBQYDK2V3AyEAAQEBAQEBAQEBAQEBAQEBAQEBAQEBAQEBAQEBAQEBAQE=",
    "MCAwEAYHKoZIzj0CAQYFK4EEAGMDDAAEAQEBAQEBAQEBAQ==",
)


@pytest.mark.parametrize("body", [*STRANGE, "AAAA", "", "!"])
def test_a_strange_public_key_in_a_pack_is_a_problem_and_no_crash(
    tmp_path: Path, body: str
) -> None:
    pem = f"-----BEGIN PUBLIC KEY-----\n{body}\n-----END PUBLIC KEY-----\n"
    (tmp_path / signing.PUBLIC).write_text(pem)
    (tmp_path / manifest.SIGNATURE).write_text(f"{SIGNED}\n")
    facts = manifest.made(tmp_path, made_at=NOON, works="Q", parameters={}, originals={},
                          previous=None, seeds={}, key="ab")  # fmt: skip
    (tmp_path / manifest.NAME).write_bytes(manifest.canonical(facts))
    problems = verify(tmp_path).problems
    mine = problems[problems["file"] == signing.PUBLIC]
    assert mine["what"].str.startswith("signature not checked").all() and len(mine) == 1


def test_a_fingerprint_is_read_as_people_write_it(tmp_path: Path) -> None:
    mark = signing.fingerprint(public_pem(OPEN))
    (tmp_path / "given.pem").write_bytes(public_pem(OPEN))
    for written in (
        mark,
        mark.upper(),
        mark.replace(" ", ":"),
        f" {mark}\n",
        tmp_path / "given.pem",
    ):
        assert signing.as_fingerprint(written) == mark
    for wrong in (mark[:-1], mark + "0", "", "key", "a" * 5000):
        with pytest.raises(ValueError, match="neither a fingerprint"):
            signing.as_fingerprint(wrong)


def test_without_the_library_a_signed_pack_is_not_called_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mark = signing.make_key(tmp_path / "key.pem")
    signer = signing.Signer(tmp_path / "key.pem")
    pack = tmp_path / "pack"
    pack.mkdir()
    (pack / signing.PUBLIC).write_bytes(signer.public)
    facts = manifest.made(pack, made_at=NOON, works="Q", parameters={}, originals={},
                          previous=None, seeds={}, key=mark)  # fmt: skip
    (pack / manifest.NAME).write_bytes(manifest.canonical(facts))
    signer.sign(pack)
    known = builtins.__import__

    def without(name: str, *more: Any) -> Any:
        if name.startswith("cryptography"):
            raise ImportError(name)
        return known(name, *more)

    monkeypatch.setattr(checking, "recomputed", lambda sources, parameters: {})
    assert verify(pack, key=mark).signed
    monkeypatch.setattr(builtins, "__import__", without)
    found = verify(pack)
    assert found.ok and not found.signed
    assert any("Its signature was not checked" in note for note in found.notes)
    assert any("pip install cryptography" in note for note in found.notes)
    for asked in (lambda: verify(pack, key=mark), lambda: signing.make_key(tmp_path / "b.pem")):
        with pytest.raises(ValueError, match="pip install cryptography"):
            asked()
    assert not (tmp_path / "b.pem").exists()
