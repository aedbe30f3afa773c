"""The manifest: one form, an identity of data alone, a chain."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.evidence.pack import manifest

NOON = dt.datetime(2026, 11, 2, 12, tzinfo=dt.UTC)
PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


def a_pack(folder: Path, made_at: dt.datetime = NOON, **files: str) -> dict[str, Any]:
    """A folder with some files and its manifest."""
    for name, text in {"evidence.html": "page", "data/a.csv": "1\n", **files}.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    facts = manifest.made(folder, made_at=made_at, works="Q", parameters={"start": None},
                          originals={}, previous=None, seeds={})  # fmt: skip
    (folder / manifest.NAME).write_bytes(manifest.canonical(facts))
    return facts


@given(PLAIN)
def test_the_canonical_form_reads_back_and_is_the_only_one(facts: Any) -> None:
    data = manifest.canonical(facts)
    assert json.loads(data) == facts
    assert manifest.canonical(json.loads(data)) == data


def test_order_and_spaces_do_not_matter_to_what_it_says_but_are_not_its_form() -> None:
    assert manifest.canonical({"b": 1, "a": 2}) == manifest.canonical({"a": 2, "b": 1})
    assert json.dumps({"a": 2}).encode() != manifest.canonical({"a": 2})


def test_what_is_no_number_has_no_form() -> None:
    with pytest.raises(ValueError, match="JSON"):
        manifest.canonical({"a": float("nan")})


def test_the_identity_is_of_data_and_parameters_alone(tmp_path: Path) -> None:
    one = a_pack(tmp_path / "one")
    other_page = a_pack(tmp_path / "two", **{"evidence.html": "another page"})
    later = a_pack(tmp_path / "three", NOON + dt.timedelta(1))
    other_data = a_pack(tmp_path / "four", **{"data/a.csv": "2\n"})
    assert one["identity"] == other_page["identity"] == later["identity"]
    assert one["contents"] != other_page["contents"]
    assert one["identity"] != other_data["identity"]
    assert one["identity"] != manifest.identity_of({"start": "2026-10-01"}, one["files"])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda facts: facts.pop("seeds"), "nothing usable of 'seeds'"),
        (lambda facts: facts.update(format=9), "is of format 9"),
        (lambda facts: facts.update(more=1), "says more than a manifest does: more"),
        (lambda facts: facts["files"].update({"x": 1}), "nothing usable of the file x"),
        (lambda facts: facts.update(identity=1), "nothing usable of 'identity'"),
    ],
)
def test_a_manifest_that_is_none_is_refused_with_the_reason(
    tmp_path: Path, change: Any, said: str
) -> None:
    facts = a_pack(tmp_path)
    change(facts)
    with pytest.raises(manifest.BadManifest, match=said):
        manifest.read(manifest.canonical(facts))


@pytest.mark.parametrize("data", [b"", b"[]", b"{", b"\xff", b"[" * 100_000])
def test_what_is_no_manifest_at_all_is_refused(data: bytes) -> None:
    with pytest.raises(manifest.BadManifest):
        manifest.read(data)


def test_the_pack_before_is_the_newest_made_before(tmp_path: Path) -> None:
    assert manifest.previous_of(tmp_path / "new", NOON, "Q") is None
    a_pack(tmp_path / "a", NOON - dt.timedelta(2))
    second = a_pack(tmp_path / "b", NOON - dt.timedelta(1))
    a_pack(tmp_path / "later", NOON + dt.timedelta(1))
    (tmp_path / "no pack").mkdir()
    (tmp_path / "no pack" / manifest.NAME).write_text("{}")
    found = manifest.previous_of(tmp_path / "new", NOON, "Q")
    assert found is not None
    assert (found["name"], found["identity"]) == ("b", second["identity"])
    assert found["seal"] == manifest.seal_of((tmp_path / "b" / manifest.NAME).read_bytes())
    assert manifest.previous_of(tmp_path / "new", NOON, "another works") is None
