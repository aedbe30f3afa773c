"""The commands: readable answers, the same facts as JSON, exit 2 with a reason on bad input."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from demo_works import DEMO


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


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["review", "no-such-folder"], "no-such-folder"),
        (["review", str(DEMO), "--week", "soon"], "not a week"),
        (["review", str(DEMO), "--week", "2020-W01"], "no weighing is dated"),
        (["review", str(DEMO), "--books", "eu-76-21"], "did you mean 'eu-76-211'"),
    ],
)
def test_bad_input_ends_with_2_and_its_reason(words: list[str], reason: str) -> None:
    done = run(*words)
    assert done.returncode == 2
    assert reason in done.stderr and "Traceback" not in done.stderr


def test_judge_refuses_a_volume(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_text("weight\n120\n", encoding="utf-8")
    done = run("judge", path, "--declared", "250 mL", "--lot-size", "9", "--book", "us-hb133")
    assert done.returncode == 2 and "density" in done.stderr
