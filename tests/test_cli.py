"""The commands: readable answers, the same facts as JSON, exit 2 with a reason on bad input."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from demo_works import DEMO
from works_folder import around, make_works


def run(*words: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "qa_tools.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, encoding="utf-8")


def test_review_prints_what_to_do_and_writes_the_page(tmp_path: Path) -> None:
    done = run("review", DEMO, "--out", tmp_path / "week.html")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Quillhaven, week of 26 October to 1 November 2026")
    assert "1. RS-1028" in done.stdout
    assert (tmp_path / "week.html").is_file()


def test_review_for_machines_is_json_alone(tmp_path: Path) -> None:
    done = run("review", DEMO, "--week", "2026-W43", "--json", "--out", tmp_path / "w.html")
    facts = json.loads(done.stdout)
    assert facts["format"] == 1 and facts["week"][0] == "2026-10-19"


def test_judge_answers_from_a_bare_list(tmp_path: Path) -> None:
    # the made-up worked example of C.R.C., c. 417 in the reference sheets: 100 g bars, a lot of 48
    bars = [99.6, 101.2, 100.4, 98.9, 102.1, 99.3, 100.8, 97.8, 101.5, 99.9, 95.2, 100.6]
    path = tmp_path / "bars.csv"
    path.write_text("\n".join(map(str, bars)) + "\n", encoding="utf-8")
    options = ["--declared", "100 g", "--lot-size", "48", "--book", "ca-crc-417"]
    done = run("judge", path, *options)
    assert done.returncode == 0, done.stderr
    assert "would pass inspection, but averages 0.2 g short: raise the fill" in done.stdout
    facts = json.loads(run("judge", path, *options, "--json").stdout)
    assert facts["outcome"] == "accept" and facts["format"] == 1
    assert facts["own_check"]["mean_g"] == 99.775


def test_judge_says_which_lines_it_could_not_use(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_text("weight (oz)\n4.31\n4.28\n4.35\n43.1\nabc\n2.0\n", encoding="utf-8")
    options = ["--declared", "4.2 oz / 119 g", "--lot-size", "108", "--book", "us-hb133"]
    done = run("judge", path, *options)
    assert done.returncode == 0, done.stderr
    assert "row 5" in done.stdout and "row 6" in done.stdout and "Not settled" in done.stdout


def test_wires_prints_the_decision_first_and_the_same_facts_as_json() -> None:
    done = run("wires", DEMO)
    assert done.returncode == 0, done.stderr
    first, second, *_ = done.stdout.splitlines()
    assert first.startswith("Cutter C1, oat-honey, 9 bars of 24 mm, 192 loaves")
    assert second.strip().startswith("Move: wire 2 from the stop (between bars 2 and 3)")
    assert "A taut wire can whip" in done.stdout
    facts = json.loads(run("wires", DEMO, "--json").stdout)
    (to_do,) = facts["cutters"][0]["to_do"]
    assert f"{to_do['reason']}." in second and to_do["advice"] == "move"


def test_wires_of_a_works_that_cuts_nothing_or_says_no_spacing_end_with_2(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_text("batch,weight\nA,120\nA,121\n", encoding="utf-8")
    done = run("wires", tmp_path)
    assert done.returncode == 2 and "no bar was weighed as cut" in done.stderr
    lines = ["batch,stage,loaf,slot1,slot2,slot3"]
    lines += [f"A,cut,{loaf},120,12{loaf},121.{loaf}" for loaf in range(1, 8)]
    (tmp_path / "w.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = run("wires", tmp_path)
    assert done.returncode == 2 and not done.stdout
    assert "gives no spacing_mm" in done.stderr and "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["wires", "no-such-folder"], "no-such-folder"),
        (["review", "no-such-folder"], "no-such-folder"),
        (["review", str(DEMO), "--week", "soon"], "no date"),
        (["review", str(DEMO), "--week", "2020-W01"], "no weighing is dated"),
        (["review", str(DEMO), "--books", "eu-76-21"], "did you mean 'eu-76-211'"),
    ],
)
def test_bad_input_ends_with_2_and_its_reason(words: list[str], reason: str) -> None:
    done = run(*words)
    assert done.returncode == 2
    assert reason in done.stderr and "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("place", "reason"),
    [
        (".", "is a folder: give the name of a file, such as week.html"),
        ("no/such/week.html", "make it first"),
    ],
)
def test_a_page_that_cannot_be_written_is_refused_plainly(
    tmp_path: Path, place: str, reason: str
) -> None:
    done = run("review", DEMO, "--out", tmp_path / place)
    assert done.returncode == 2 and done.stdout == ""
    assert reason in done.stderr and "Errno" not in done.stderr
    assert not (tmp_path / "no").exists()


def test_no_book_at_all_is_refused() -> None:
    done = run("review", DEMO, "--books", ",")
    assert done.returncode == 2 and "names no rule book" in done.stderr


def test_a_file_that_may_not_be_read_is_named_without_a_traceback(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from qa_tools import cli

    def locked(_: object) -> None:
        raise PermissionError(13, "Permission denied", "weights.csv")

    monkeypatch.setattr(cli.qa, "read_works", locked)
    monkeypatch.setattr(sys, "argv", ["qa-tools", "review", "works"])
    with pytest.raises(SystemExit) as stopped:
        cli.main()
    assert stopped.value.code == 2
    assert capsys.readouterr().err == "qa-tools: weights.csv: Permission denied\n"


def weights(path: Path, head: str, rows: list[str]) -> Path:
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


US = ["--declared", "120 g", "--lot-size", "108", "--book", "us-hb133"]


def test_judge_takes_bars_of_one_loaf_as_alike(tmp_path: Path) -> None:
    """As the review does: unless they were picked at random all over the batch."""
    rows = [f"{loaf},{121 + loaf + bar / 10}" for loaf in range(3) for bar in range(4)]
    done = run("judge", weights(tmp_path / "a.csv", "loaf,weight", rows), *US)
    assert "From 3 loaves or trays: it speaks for these." in done.stdout
    rows = [f"{loaf},random,{121 + loaf / 10}" for loaf in range(12)]
    path = weights(tmp_path / "b.csv", "loaf,picked,weight", rows)
    assert json.loads(run("judge", path, *US, "--json").stdout)["own_check"]["groups"] is None


def test_judge_never_takes_several_batches_as_one_lot(tmp_path: Path) -> None:
    rows = [
        f"{batch},{start + i / 10}" for batch, start in (("A", 121), ("B", 122)) for i in range(12)
    ]
    path = weights(tmp_path / "w.csv", "batch,weight", rows)
    for place in (path, tmp_path):
        done = run("judge", place, *US)
        assert done.returncode == 2 and "A, B; choose one with --batch NAME" in done.stderr
    done = run("judge", path, *US, "--batch", "B")
    assert done.returncode == 0 and "12 of 108 weighed" in done.stdout
    done = run("judge", path, *US, "--batch", "C")
    assert done.returncode == 2 and "no batch 'C'; there are A, B" in done.stderr


@pytest.mark.parametrize(
    ("head", "values", "reason"),
    [
        ("batch,product", ["A,bar", "A,jar"], "2 products, and they are not one lot: bar, jar"),
        ("batch,stage", ["A,cured", "A,packed"], "2 stages of work"),
        ("batch,stage", ["A,cut", "A,cut"], "weighed at cutting"),
    ],
)
def test_judge_refuses_what_is_no_lot(
    tmp_path: Path, head: str, values: list[str], reason: str
) -> None:
    rows = [f"{value},121.{i}" for i in range(6) for value in values]
    done = run("judge", weights(tmp_path / "w.csv", f"{head},weight", rows), *US)
    assert done.returncode == 2 and reason in done.stderr


def test_judge_says_when_more_were_weighed_than_packed(tmp_path: Path) -> None:
    path = weights(tmp_path / "w.csv", "weight", ["121.5"] * 112)
    done = run("judge", path, *US)
    assert done.returncode == 2
    assert done.stderr == "qa-tools: 112 weighed of 108 packed: one of the two is wrong\n"


def test_judge_gives_the_reasons_when_nothing_could_be_used(tmp_path: Path) -> None:
    path = weights(tmp_path / "w.csv", "weight", ["121", "122"])
    done = run("judge", path, *US, "--unit", "oz")
    assert done.returncode == 2
    assert 'row 2 of w.csv, column weight, "121": 3430 g is more than double' in done.stderr


def test_judge_tells_what_was_not_read_and_what_is_to_answer(tmp_path: Path) -> None:
    weights(tmp_path / "w.csv", "batch,when,weight", ["A,01/02/2026,121"] * 3)
    (tmp_path / "old.xlsx").write_bytes(b"PK not a workbook")
    done = run("judge", tmp_path, *US)
    assert "Not read: old.xlsx" in done.stdout and "To answer: w.csv" in done.stdout
    facts = json.loads(run("judge", tmp_path, *US, "--json").stdout)
    assert facts["unread"][0]["file"] == "old.xlsx" and facts["questions"][0]["file"] == "w.csv"


def test_a_doubt_keeps_judge_from_showing_a_pass(tmp_path: Path) -> None:
    path = weights(tmp_path / "w.csv", "weight", [f"{121 + i / 10}" for i in range(12)] + ["40"])
    done = run("judge", path, *US[:3], "48", "--book", "ca-crc-417", "--json")
    facts = json.loads(done.stdout)
    assert facts["outcome"] == "unsettled" and facts["doubts"]
    assert facts["reason"] == "40 g in row 14 of w.csv is not settled"


@pytest.mark.parametrize("size", ["nan", "9.5", "0", "-4"])
def test_a_lot_size_that_is_none_ends_with_2(tmp_path: Path, size: str) -> None:
    path = weights(tmp_path / "w.csv", "weight", ["121.5"] * 12)
    done = run("judge", path, *US[:2], "--book", "us-hb133", "--lot-size", size)
    assert done.returncode == 2 and done.stderr and "Traceback" not in done.stderr


def test_judge_refuses_a_volume(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_text("weight\n120\n", encoding="utf-8")
    done = run("judge", path, "--declared", "250 mL", "--lot-size", "9", "--book", "us-hb133")
    assert done.returncode == 2 and "density" in done.stderr


@pytest.fixture
def own_works(tmp_path: Path) -> Path:
    """A small works of one's own, to write into."""
    make_works(tmp_path / "works", around(121.0))
    return tmp_path / "works"


def test_evidence_and_verify_with_exit_status_for_scripts(
    own_works: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("cryptography")
    monkeypatch.setenv("QA_TOOLS_BROWSER", "no-such-browser")
    key = tmp_path / "key.pem"
    assert "Fingerprint" in run("key", key).stdout
    done = run("evidence", own_works, "--out", tmp_path / "pack", "--key", key, "--json")
    assert done.returncode == 0, done.stderr
    built = json.loads(done.stdout)
    assert run("verify", tmp_path / "pack.zip", "--expect", built["seal"]).returncode == 0
    (tmp_path / "pack" / "data" / "readings-used.csv").write_text("")
    changed = run("verify", tmp_path / "pack", "--json")
    assert changed.returncode == 1
    assert json.loads(changed.stdout)["problems"][0]["file"] == "data/readings-used.csv"
    nothing = run("verify", tmp_path / "nothing")
    assert (nothing.returncode, nothing.stdout) == (2, "")
    assert "there is no pack" in nothing.stderr
    assert run("verify", tmp_path / "pack.zip", "--expect", "3f2a").returncode == 2
    worse = run("evidence", own_works, "--out", tmp_path / "p", "--paper", "A5")
    assert worse.returncode == 2 and "paper is A4 or Letter" in worse.stderr


def test_review_logs_only_when_asked_and_then_tells_of_an_edit(own_works: Path) -> None:
    run("review", own_works)
    assert not (own_works / "readings-log.jsonl").exists()
    assert "Logged what was read" in run("review", own_works, "--log").stdout
    sheet = own_works / "weights" / "oct.csv"
    lines = sheet.read_text().splitlines()
    old = lines[6].split(",")[3]
    lines[6] = lines[6].replace(old, "129.9")
    sheet.write_text("\n".join(lines) + "\n")
    said = f"oct.csv row 7 was {old}, now 129.9; no correction recorded"
    assert said in run("review", own_works).stdout
    facts = json.loads(run("review", own_works, "--json").stdout)
    assert [one["kind"] for one in facts["changed"]] == ["changed"]
    done = run("action", own_works, "correction", "--by", "MH", "--reason", "misread",
               "--reading", "row 7 of oct.csv", "--old", old, "--new", "129.9")  # fmt: skip
    assert done.stdout == "Recorded as A-01.\n"
    assert "no correction recorded" not in run("review", own_works).stdout


def test_action_refuses_what_says_too_little(own_works: Path) -> None:
    done = run("action", own_works, "hold", "--batch", "B9", "--by", "MH")
    assert done.returncode == 2 and 'there is no batch "B9"' in done.stderr
    assert not (own_works / "actions.csv").exists()


def test_card_writes_a_page(tmp_path: Path) -> None:
    done = run("card", DEMO, "--out", tmp_path / "card.html", "--product", "oat-honey")
    assert done.returncode == 0, done.stderr
    assert "Oat-and-honey bar" in (tmp_path / "card.html").read_text(encoding="utf-8")
