"""The front door: its names and signatures, which notebooks and automation rely on."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import qa_tools as qa

# Frozen: a change here is a change for every notebook, and belongs in the changelog.
SIGNATURES = {
    "read_works": "(folder)",
    "read_weights": "(source, products, *, declared, unit)",
    "rulebooks": "()",
    "rulebook": "(name)",
    "own_check": (
        "(net, declared, book, *, lot_size, group, confidence, unit, group_total, tare_sd, tare_n)"
    ),
    "judge": (
        "(net, declared, book, *, lot_size, group, test, unit, in_order, "
        "group_total, tare_sd, tare_n)"
    ),
    "judge_lots": "(table, books, *, lot, net, declared, lot_size)",
    "review": "(works, week, books, *, as_of)",
    "weekly_page": "(review, out)",
    "charts.constants": "(n)",
    "charts.mean_range": "(subgroups, *, unit)",
    "charts.mean_sd": "(subgroups, *, unit)",
    "charts.individuals": "(values, *, unit, what)",
}
ATTRIBUTES = {
    "Works": (
        "weighings products labels batches settings tare cure scales scale_checks wires plan "
        "actions dispatch documents unread questions"
    ),
    "Weighings": "table not_used sources",
    "RuleBook": "tolerable_deficiency plan",
    "SamplingPlan": "count_stages mean_n factor sample",
    "Verdict": "outcome pull may_ship tests own",
}


def _shape(function: object) -> str:
    signature = inspect.signature(function)  # type: ignore[arg-type]
    bare = [
        inspect.Parameter(name, parameter.kind) for name, parameter in signature.parameters.items()
    ]
    return str(inspect.Signature(bare))


@pytest.mark.parametrize("name", SIGNATURES)
def test_signatures_are_frozen(name: str) -> None:
    found: object = qa
    for part in name.split("."):
        found = getattr(found, part)
    assert _shape(found) == SIGNATURES[name]


@pytest.mark.parametrize("name", ATTRIBUTES)
def test_attributes_are_kept(name: str) -> None:
    kind = getattr(qa, name)
    fields = set(getattr(kind, "__dataclass_fields__", ())) | set(dir(kind))
    assert set(ATTRIBUTES[name].split()) <= fields


def test_completion_and_the_typed_front_door_list_the_same_names() -> None:
    stub = Path(str(qa.__file__)).with_suffix(".pyi").read_text(encoding="utf-8")
    typed = {
        alias.asname
        for node in ast.walk(ast.parse(stub))
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert typed == set(qa.__all__)
    assert typed <= set(dir(qa))


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no 'chart'"):
        _ = qa.chart  # type: ignore[attr-defined]


def test_importing_costs_nothing_heavy() -> None:
    code = (
        "import sys, qa_tools as qa; qa.judge([120.5] * 12, '120 g', 'us-hb133', lot_size=108);"
        "heavy = {'pandas', 'plotly', 'scipy.stats', 'statsmodels', 'rich'};"
        "print(sorted(heavy & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
