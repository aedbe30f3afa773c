"""The invented works is what its README says: same bytes from the seed, each fault in its place."""

from __future__ import annotations

import csv
import importlib.util
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from statistics import fmean, stdev
from typing import NamedTuple

import pytest

HERE = Path(__file__).parent
DEMO = HERE.parent / "data_demo"
WEIGHTS = DEMO / "weights"
README = (DEMO / "README.md").read_text(encoding="utf-8")

# What the packer may be short by, from Directive 76/211/EEC Annex I 2.4, and its mean check
# (Annex II 2.3.2.2) for a sample of 30; ours, so that the demo is checked without the package.
LABELS = {"OH": (120.0, 5.4), "RS": (250.0, 9.0), "CB": (60.0, 4.5)}
FACTOR = 0.503


class Weighing(NamedTuple):
    batch: str
    net: float
    row: int
    loaf: str
    slot: str


def table(name: str, delimiter: str = ",") -> list[dict[str, str]]:
    with (DEMO / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, delimiter=delimiter))


def lines(name: str) -> list[list[str]]:
    with (DEMO / name).open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


def planted_lines() -> list[tuple[str, int, str, str, str]]:
    """The rows of the README's last table: file, row, written, what, should be."""
    cells = [
        line.strip("| ").split(" | ") for line in README.split("## Single lines")[1].split("\n")
    ]
    return [(c[0], int(c[1]), c[2], c[3], c[4]) for c in cells if c[0].startswith("weights/")]


def empty(part: str, lot: str) -> float:
    parts = [float(row["tare"]) for row in table("tare.csv") if row["part"] == part]
    of_lot = [float(row["tare"]) for row in table("tare.csv") if row["supplier_lot"] == lot]
    return fmean(of_lot) if lot else fmean(parts)


def sold(path: Path) -> Iterator[Weighing]:
    """What was sold, net, from one file of bars, jars or tins, the planted slips left out."""
    slips = {row for file, row, _, what, _ in planted_lines() if file.endswith(path.name)
             and not what.startswith(("topped up", "loaf"))}  # fmt: skip
    if path.name.startswith("balm"):
        for row in table(f"weights/{path.name}", ";" if "-09" in path.name else ","):
            lot = "N-31" if row["batch"] in ("CB-1009", "CB-1016", "CB-1023", "CB-1030") else "K-07"
            gross = float(row["weight (g)"].replace(",", "."))
            yield Weighing(row["batch"], gross - empty("tin", lot), 0, "", "")
    elif lines(f"weights/{path.name}")[0][0] == "Batch":
        sheet = lines(f"weights/{path.name}")
        start = next(i for i, line in enumerate(sheet) if line[1] == "w1")
        for number, line in enumerate(sheet[start + 1 :], start=start + 2):
            for cell in filter(None, line[1:]):
                yield Weighing(sheet[0][1], float(cell), number, "", "")
    else:
        for number, row in enumerate(table(f"weights/{path.name}"), start=2):
            if number in slips or row["fate"] == "pulled":
                continue
            weight = float(row.get("weight") or row["weight (g)"])
            tare = empty("band", "") if row["weighed"] == "wrapped" else 0.0
            if row["weighed"] == "gross":
                tare = empty("jar", "") + empty("lid", "")
            loaf, slot = row.get("loaf") or "", row.get("slot") or ""
            yield Weighing(row["batch"], weight - tare, number, loaf, slot)


def nets() -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for path in sorted(WEIGHTS.glob("*.csv")):
        if not path.name.startswith("cut-"):
            for weighing in sold(path):
                found.setdefault(weighing.batch, []).append(weighing.net)
    return found


def displacements(batch: str) -> list[list[float]]:
    """Where each wire stood, loaf by loaf, in mm from its place: shares of the loaf's weight."""
    loaves = [line[1:] for line in lines(f"weights/cut-{batch}.csv")[9:]]
    assert len(loaves) == 12
    return [
        [216 * sum(map(float, loaf[:wire])) / sum(map(float, loaf)) - 24 * wire for loaf in loaves]
        for wire in range(1, 9)
    ]


def test_the_generator_writes_the_same_files_byte_for_byte(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("make_demo", HERE / "make_demo.py")
    assert spec is not None and spec.loader is not None
    make_demo = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(make_demo)
    make_demo.write_works(tmp_path)
    written = {p.relative_to(tmp_path).as_posix(): p.read_bytes() for p in tmp_path.rglob("*.*")}
    kept = {p.relative_to(DEMO).as_posix(): p.read_bytes() for p in DEMO.rglob("*.*")}
    assert sorted(written) == sorted(kept)
    assert [name for name in kept if kept[name] != written[name]] == []


def test_it_says_that_nothing_is_measured_and_stays_small() -> None:
    assert "**Nothing in this folder is measured.**" in README
    assert sum(path.stat().st_size for path in DEMO.rglob("*.*")) < 500_000


@pytest.mark.parametrize("line", planted_lines(), ids=lambda line: f"{line[0]}:{line[1]}")
def test_each_planted_line_is_where_the_readme_says(line: tuple[str, int, str, str, str]) -> None:
    file, row, written, _, _ = line
    assert written in lines(file)[row - 1]


def test_the_day_of_typing_slips() -> None:
    of_day = [line for line in planted_lines() if "RS-0917" in line[0]]
    kinds = Counter(what.split(":")[0] for _, _, _, what, _ in of_day)
    assert kinds == {
        "ounces typed in a gram column (answered": 2,
        "the decimal point is missing": 1,
        "net and gross swapped": 2,
        "a block pasted twice": 8,
    }
    sheet = lines("weights/rosemary-RS-0917.csv")
    for _, row, written, what, truth in of_day:
        if "ounces" in what:
            assert float(written) * 28.349523125 == pytest.approx(float(truth), abs=1.5)
        elif "decimal" in what:
            assert float(written) == 10 * float(truth)
        elif "pasted" in what:
            assert sheet[row - 1] in sheet[: row - 1]


def test_the_ounces_are_answered_and_the_half_bar_is_not() -> None:
    asked = [line for line in planted_lines() if "ounces" in line[3] or "half a bar" in line[3]]
    answers = {row["name"]: row["value"] for row in table("settings.csv")}
    given = [answers.get(f"row {row} of {Path(file).name}") for file, row, _, _, _ in asked]
    assert given == [None, "slip", "slip"]
    assert asked[0][2] == "48.0"


def test_topped_up_jars_replace_a_light_one() -> None:
    for batch, how_many in (("RS-0909", 3), ("RS-1015", 2)):
        rows = table(f"weights/rosemary-{batch}.csv")
        by_id = {row["id"]: float(row["weight (g)"]) for row in rows}
        again = [row for row in rows if row["fate"] == "topped up"]
        assert len(again) == how_many
        for row in again:
            assert by_id[row["replaces"]] < by_id[row["id"]]


def test_wire_5_slackens_and_is_tightened() -> None:
    wandered = {
        path.stem.removeprefix("cut-"): [
            stdev(wire) for wire in displacements(path.stem.removeprefix("cut-"))
        ]
        for path in sorted(WEIGHTS.glob("cut-*.csv"))
    }
    slack = ("OH-0908", "OH-0915", "OH-0917", "OH-0922")
    weeks = [wandered["OH-0908"][4], fmean([wandered["OH-0915"][4], wandered["OH-0917"][4]])]
    steady_loaves = [mm for mm in displacements("OH-0922")[4] if abs(mm) < 2]
    weeks += [stdev(steady_loaves)]
    assert weeks == sorted(weeks)
    assert [round(mm, 1) for mm in weeks] == pytest.approx([0.28, 0.42, 0.60], abs=0.15)
    others = [mm for batch, all_mm in wandered.items() for wire, mm in enumerate(all_mm, start=1)
              if not (wire == 5 and batch in slack)]  # fmt: skip
    assert max(others) < 0.29
    assert fmean(others) == pytest.approx(0.15, abs=0.02)
    tightened = [row for row in table("wires.csv") if row["what"] == "tightened"]
    assert [(row["when"], row["wire"]) for row in tightened] == [("2026-09-28", "5")]


def test_wire_5_swings_wide_on_one_loaf_and_one_bar_is_to_pull() -> None:
    wire_5 = displacements("OH-0922")[4]
    assert wire_5[8] == pytest.approx(-2.75, abs=0.3)
    too_light = [bar for bar in sold(WEIGHTS / "packed-OH-0922.csv") if bar.net < 120 - 2 * 5.4]
    assert [(bar.loaf, bar.slot) for bar in too_light] == [("9", "5")]


def test_wire_2_stands_off_from_the_day_wire_5_was_tightened() -> None:
    for path in sorted(WEIGHTS.glob("cut-*.csv")):
        batch = path.stem.removeprefix("cut-")
        after = batch >= "OH-0928"
        assert fmean(displacements(batch)[1]) == pytest.approx(0.7 if after else 0.0, abs=0.16)


def test_scale_s3_creeps_up_and_the_others_do_not() -> None:
    checks = table("scale_checks.csv")
    for check in checks:
        error = float(check["shown"]) - float(check["applied"])
        gone = (date.fromisoformat(check["when"]) - date(2026, 9, 28)).days / 32
        planted = 0.6 * max(gone, 0) if check["scale"] == "S3" else 0.0
        assert error == pytest.approx(planted, abs=0.151), check
    assert [c["shown"] for c in checks if c["scale"] == "S3"][-1] == "200.6"


def test_the_damp_fortnight_slows_the_cure() -> None:
    cure = table("cure.csv")
    for row in cure:
        damp = "2026-09-07" <= row["when"] <= "2026-09-20"
        assert float(row["humidity"]) == pytest.approx(79 if damp else 58, abs=5)
    kept = {}
    for batch in ("OH-0825", "OH-0901", "OH-0908", "OH-0929"):
        of_bar = [row for row in cure if row["bar"] == f"{batch}-b"]
        first, last = (float(of_bar[i]["net"]) for i in (0, -1))
        days = date.fromisoformat(of_bar[-1]["when"]) - date.fromisoformat(of_bar[0]["when"])
        assert days.days >= 28
        kept[batch] = last / first
    dry = kept.pop("OH-0929")
    assert min(kept.values()) > dry
    late = {row["batch"]: row for row in table("batches.csv")}
    for batch in ("OH-0825", "OH-0908"):
        made, packed = (date.fromisoformat(late[batch][name]) for name in ("made_on", "packed_on"))
        assert (packed - made).days == 36


def test_new_tins_came_before_their_tare() -> None:
    when = {row["supplier_lot"]: row["when"] for row in table("tare.csv")}
    assert (when["K-07"], when["N-31"]) == ("2026-07-07", "2026-10-19")
    assert empty("tin", "N-31") - empty("tin", "K-07") == pytest.approx(1.8, abs=0.1)
    rows = table("weights/balm-2026-10.csv")
    for batch, gross in (("CB-1002", 75.3), ("CB-1009", 77.5), ("CB-1016", 77.5), ("CB-1023", 77)):
        weights = [float(row["weight (g)"]) for row in rows if row["batch"] == batch]
        assert fmean(weights) == pytest.approx(gross, abs=0.5)


def test_only_the_batches_named_fall_short() -> None:
    packages = {row["batch"]: row["packages"] for row in table("batches.csv")}
    average_short, fail_mean, beyond = [], [], []
    for batch, weights in nets().items():
        declared, allowed = LABELS[batch[:2]]
        average_short += [batch] * (fmean(weights) < declared)
        factor = 0 if len(weights) == int(packages[batch]) else FACTOR
        fail_mean += [batch] * (fmean(weights) < declared - factor * stdev(weights))
        beyond += [batch] * any(net < declared - allowed for net in weights)
    assert sorted(average_short) == ["OH-0728", "OH-0929", "RS-1028"]
    assert round(fmean(nets()["OH-0929"]), 1) == 119.5
    assert sorted(fail_mean) == ["OH-0728", "RS-1028"]
    assert sorted(beyond) == ["OH-0922", "RS-1028"]


def test_too_few_were_weighed_where_the_readme_says() -> None:
    packages = {row["batch"]: int(row["packages"] or 0) for row in table("batches.csv")}
    few = [b for b, w in nets().items() if packages[b] < 100 and len(w) < packages[b]]
    assert few == ["RS-0902", "RS-1029"]


def test_the_light_jars_are_on_sale_and_the_low_bars_are_not() -> None:
    batches = {row["batch"]: row for row in table("batches.csv")}
    sent = {row["batch"] for row in table("dispatch.csv")}
    assert batches["RS-1028"]["sell_from"] == "2026-10-30" and "RS-1028" in sent
    assert batches["OH-0728"]["sell_from"] == "" and "OH-0728" not in sent
    assert all(row["when"] <= "2026-11-01" for row in table("dispatch.csv"))


def test_every_reference_between_the_sheets_holds() -> None:
    products = {row["product"] for row in table("products.csv")}
    batches = {row["batch"] for row in table("batches.csv")}
    actions = {row["id"] for row in table("actions.csv")}
    for name in ("labels.csv", "batches.csv", "tare.csv", "plan.csv"):
        assert {row["product"] for row in table(name)} <= products
    for name in ("cure.csv", "dispatch.csv", "actions.csv"):
        assert {row["batch"] for row in table(name)} - {""} <= batches
    assert {row["closes"] for row in table("actions.csv")} - {""} <= actions
    weighed = set(nets()) | {path.stem[4:] for path in WEIGHTS.glob("cut-*.csv")}
    assert weighed == batches
