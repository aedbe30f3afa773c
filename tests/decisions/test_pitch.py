"""The plucked notes of a works: compared, put in words, and nothing dropped in silence."""

import math

import numpy as np
import pandas as pd
import pytest

import qa_tools as qa
from qa_tools.decisions.wires.pitch import Pitches, pitches
from qa_tools.decisions.wires.tension import CAUTION, Wire, cents

COLUMNS = ["when", "cutter", "wire", "what", "material", "diameter_mm", "length_mm", "note_hz"]
MUSIC = ("music wire", 0.5, 110.0)
BLANK = ("", np.nan, np.nan)


def table(*rows: tuple[object, ...]) -> pd.DataFrame:
    """Rows of when, wire, what, note and, where given, material, diameter, length, cutter."""
    full = [
        (pd.Timestamp(when), (rest or ("C1",))[0], wire, what, *known, note)
        for when, wire, what, known, note, *rest in rows
    ]
    return pd.DataFrame(full, columns=COLUMNS).astype({"wire": "Int64", "note_hz": float})


def says(found: Pitches) -> list[str]:
    return found.notes["says"].tolist()


def test_a_slack_wire_stands_out_against_its_fellows_and_its_last_note() -> None:
    found = pitches(
        table(
            *[("2026-03-02", wire, "inspected", MUSIC, 1500) for wire in (1, 2, 3, 4)],
            *[("2026-03-09", wire, "inspected", MUSIC, 1490) for wire in (1, 2, 4)],
            ("2026-03-09", 3, "inspected", MUSIC, 1300),
        )
    )
    assert found.not_used.empty
    slack = found.notes[found.notes["note_hz"] == 1300].iloc[0]
    wire = Wire(*MUSIC)
    at = {hz: wire.tension(hz) for hz in (1300, 1490, 1500)}
    assert slack["tension_n"] == at[1300].newtons
    assert (slack["lower_n"], slack["upper_n"]) == (at[1300].lower, at[1300].upper)
    assert slack["share_of_breaking"] == at[1300].upper / wire.breaking_n
    assert (slack["last_when"], slack["last_hz"]) == (pd.Timestamp("2026-03-02"), 1500)
    assert slack["cents_on_last"] == cents(1300, 1500)
    assert slack["percent_on_last"] == pytest.approx(
        100 * (at[1300].newtons / at[1500].newtons - 1)
    )
    assert (slack["fellows"], slack["fellows_hz"]) == (3, 1490)
    assert slack["percent_on_fellows"] == pytest.approx(
        100 * (at[1300].newtons / at[1490].newtons - 1)
    )
    assert slack["tune_to_hz"] == 1490
    assert slack["says"] == (
        "25 % less tension than on 2 March 2026, 24 % less tension than its fellows; "
        "1490 Hz brings it back"
    )
    others = found.notes[found.notes["note_hz"] == 1490]
    assert set(others["says"]) == {"as on 2 March 2026, level with its fellows"}
    assert others["tune_to_hz"].isna().all()
    assert set(says(found)[:4]) == {"the first note of this wire, level with its fellows"}
    assert found.wires[["wire", "note_hz"]].values.tolist() == [
        [1, 1490], [2, 1490], [3, 1300], [4, 1490],
    ]  # fmt: skip


def test_the_order_of_rows_on_one_day_does_not_matter_to_fellows() -> None:
    rows = [
        ("2026-03-02", w, "inspected", MUSIC, hz) for w, hz in ((1, 1500), (2, 1400), (3, 1450))
    ]
    forward, backward = pitches(table(*rows)).wires, pitches(table(*rows[::-1])).wires
    pd.testing.assert_frame_equal(forward, backward)
    assert forward["fellows_hz"].tolist() == [1425, 1475, 1450]


def test_two_notes_of_one_day_follow_each_other() -> None:
    found = pitches(
        table(
            ("2026-03-02", 1, "inspected", MUSIC, 900), ("2026-03-02", 1, "tightened", MUSIC, 1500)
        )
    )  # fmt: skip
    assert says(found)[1].endswith("% more tension than earlier that day")
    assert found.notes["fellows"].tolist() == [0, 0]
    assert found.wires["note_hz"].tolist() == [1500]


def test_a_new_wire_is_not_compared_with_the_one_before_it() -> None:
    found = pitches(
        table(
            ("2026-03-02", 1, "fitted", MUSIC, 1500), ("2026-03-02", 2, "fitted", MUSIC, 1500),
            ("2026-03-05", 1, "broke", BLANK, np.nan),
            # between breaking and the new wire there is nothing to compare with
            ("2026-03-06", 2, "inspected", BLANK, 1480),
            ("2026-03-07", 1, "Fitted ", ("music wire", 0.6, 110), 1300),
            ("2026-03-08", 2, "inspected", BLANK, 1480),
        )
    )  # fmt: skip
    assert found.notes["fellows"].tolist() == [1, 1, 0, 0, 0]
    new = found.notes.iloc[3]
    assert new["says"] == "the first note of this wire"
    assert new["tension_n"] == Wire("music wire", 0.6, 110).tension(1300).newtons
    assert says(found)[4] == "as on 6 March 2026"
    assert found.not_used["reason"].tolist() == ["no note is written, so nothing was plucked"]


def test_what_is_known_of_a_wire_holds_until_another_is_fitted() -> None:
    found = pitches(
        table(
            ("2026-03-02", 1, "fitted", MUSIC, 1500),
            ("2026-03-09", 1, "inspected", BLANK, 1500),
            ("2026-03-16", 1, "inspected", ("Music wire, tinned", np.nan, np.nan), 1500),
            ("2026-03-23", 1, "inspected", ("", np.nan, 120), 1400),
            ("2026-03-30", 1, "fitted", BLANK, 1400),
        )
    )
    tensions = found.notes["tension_n"]
    assert tensions[0] == tensions[1] == tensions[2]
    assert tensions[3] == Wire("music wire", 0.5, 120).tension(1400).newtons
    assert math.isnan(tensions[4])
    assert says(found) == [
        "the first note of this wire",
        "as on 2 March 2026",
        "as on 9 March 2026",
        "the first note of this wire",  # of another length: not to be compared
        "the first note of this wire; no tension in newtons "
        "(material, diameter_mm, length_mm not given)",
    ]


def test_a_wire_of_unknown_material_is_compared_all_the_same() -> None:
    bronze = ("bronze", 0.5, 110)
    found = pitches(
        table(
            ("2026-03-02", 1, "", bronze, 1500), ("2026-03-02", 2, "", bronze, 1500),
            ("2026-03-09", 1, "", bronze, 1300), ("2026-03-09", 2, "", MUSIC, 1500),
        )
    )  # fmt: skip
    fallen = found.notes.iloc[2]
    assert fallen["percent_on_last"] == pytest.approx(100 * ((1300 / 1500) ** 2 - 1))
    numbers = ["tension_n", "lower_n", "upper_n", "share_of_breaking", "tune_to_hz"]
    assert fallen[numbers].isna().all()
    assert fallen["fellows"] == 0  # wire 2 is by then of another material
    assert fallen["says"] == (
        "25 % less tension than on 2 March 2026; no tension in newtons "
        '(the material "bronze" is not known here)'
    )


def test_stainless_has_no_share_and_no_note_to_tune_to() -> None:
    stainless = ("stainless 304", 0.5, 110)
    rows = [("2026-03-02", w, "", stainless, hz) for w, hz in ((1, 1500), (2, 1500), (3, 1000))]
    notes = pitches(table(*rows)).notes
    assert notes["tension_n"].notna().all()
    assert notes["share_of_breaking"].isna().all()
    assert notes["tune_to_hz"].isna().all()
    assert (
        notes["says"].iloc[2] == "the first note of this wire, 57 % less tension than its fellows"
    )


def test_no_note_is_suggested_above_the_share() -> None:
    rows = [("2026-03-02", w, "", MUSIC, hz) for w, hz in ((1, 1900), (2, 1900), (3, 1500))]
    highest = Wire(*MUSIC).tune(0.5).note_hz
    suggested = pitches(table(*rows)).notes["tune_to_hz"]
    assert suggested.iloc[2] == math.floor(highest) < 1900
    assert suggested.iloc[:2].isna().all()
    # and none at all where the wire stands above it already
    assert pitches(table(*rows), share=0.3).notes["tune_to_hz"].isna().all()
    for share in (0.7, 0, math.nan):
        with pytest.raises(ValueError, match=r"share is .*; give it above 0 and at most 0.6"):
            pitches(table(*rows), share=share)


def test_over_the_limit_is_said() -> None:
    found = pitches(table(("2026-03-02", 1, "tightened", MUSIC, 2050)))
    assert says(found) == [
        "the first note of this wire; may be over 60 % of its breaking load: slacken it"
    ]


def test_cutters_and_wires_of_other_sizes_are_no_fellows() -> None:
    thick = ("music wire", 0.8, 110)
    found = pitches(
        table(
            ("2026-03-02", 1, "", MUSIC, 1500), ("2026-03-02", 2, "", thick, 1400),
            ("2026-03-02", 3, "", MUSIC, 1490, "C2"),
        )
    )  # fmt: skip
    assert found.notes["fellows"].tolist() == [0, 0, 0]


def test_rows_that_cannot_be_used_say_why() -> None:
    rows = table(
        ("2026-03-02", 1, "inspected", MUSIC, 1500),
        (None, 2, "inspected", MUSIC, 1500),
        ("2026-03-02", None, "inspected", MUSIC, 1500),
        ("2026-03-02", 4, "moved", MUSIC, np.nan),
        ("2026-03-02", 5, "inspected", MUSIC, -1),
        ("2026-03-02", 6, "inspected", MUSIC, 3000),
        ("2026-03-02", 7, "inspected", MUSIC, 250),
        ("2026-03-02", 8, "inspected", ("music wire", 0.02, 110), 1500),
    )
    found = pitches(rows)
    assert len(found.notes) + len(found.not_used) == len(rows)
    assert found.not_used["row"].tolist() == [1, 2, 3, 4, 5, 6, 7]
    for reason, part in zip(
        found.not_used["reason"],
        [
            "day is missing",
            "number of the wire",
            "no note",
            "-1 Hz",
            "octave",
            "too slack",
            "0.02 mm",
        ],
        strict=True,
    ):
        assert part in reason
    # one that cannot be believed is nothing to compare with
    assert found.notes["fellows"].tolist() == [0]
    printed = str(found).splitlines()
    assert printed[1:3] == [
        "Not used, C1 wire 2, undated: the day is missing, so its place in time is not known.",
        "Not used, C1 no wire, 2 March 2026: the number of the wire is missing.",
    ]
    assert printed[-1] == CAUTION


def test_the_least_a_table_may_hold() -> None:
    rows = pd.DataFrame(
        {"when": ["2026-03-09", "2026-03-02"], "wire": [1.0, 1.0], "note_hz": [1300, 1500]}
    )
    found = pitches(rows)
    assert str(found).startswith(
        "wire 1, 9 March 2026: 1300 Hz; 25 % less tension than on 2 March 2026; no tension"
    )
    with pytest.raises(ValueError, match="no column wire, note_hz"):
        pitches(rows[["when"]])


def test_an_empty_table() -> None:
    found = pitches(table())
    assert found.notes.empty and found.wires.empty and found.not_used.empty
    assert str(found) == f"No plucked note can be used.\n{CAUTION}"


def test_html_is_escaped() -> None:
    rows = table(("2026-03-02", 1, "", ("<b>wire", 0.5, 110), 1500))
    assert "&lt;b&gt;wire" in pitches(rows)._repr_html_()


def test_the_invented_works(demo_works: qa.Works) -> None:
    found = pitches(demo_works.wires)
    assert found.not_used.empty
    assert len(found.notes) == len(demo_works.wires)
    suggested = found.notes[found.notes["tune_to_hz"].notna()]
    assert suggested[["wire", "note_hz", "tune_to_hz"]].values.tolist() == [[5, 870, 1490]]
    assert str(found).splitlines()[4] == (
        "C1 wire 5, 28 September 2026: 1495 Hz, about 160 N; "
        "205 % more tension than earlier that day, level with its fellows."
    )
