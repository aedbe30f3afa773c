"""The front door: its names and signatures, which notebooks and automation rely on."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import qa_tools as qa

# Frozen: a change here is a change for every notebook, and belongs in the changelog.
SIGNATURES = {
    "read_works": "(folder)",
    "read_weights": "(source, products=None, *, declared=None, unit=None)",
    "rulebooks": "()",
    "rulebook": "(name)",
    "label_check": "(declared, book, *, goods=None)",
    "own_check": (
        "(net, declared, book, *, lot_size=None, group=None, confidence=0.95, unit='g', "
        "group_total=None, tare_sd=0.0, tare_n=0, handled=0)"
    ),
    "judge": (
        "(net, declared, book, *, lot_size, group=None, test='non-destructive', unit='g', "
        "in_order=True, group_total=None, tare_sd=0.0, tare_n=0, handled=0)"
    ),
    "judge_lots": (
        "(table, books, *, lot='batch', net='net_g', declared='declared_g', lot_size, "
        "test='non-destructive', order=None)"
    ),
    "chance_of_rejection": (
        "(mean, sd, declared, book, *, lot_size, sd_between=0.0, test='non-destructive', unit='g')"
    ),
    "rejection_by_test": (
        "(mean, sd, declared, book, *, lot_size, sd_between=0.0, test='non-destructive', unit='g')"
    ),
    "chance_by_setting": (
        "(mean, sd, declared, book, *, lot_size, sd_between=0.0, batches=4, "
        "test='non-destructive', unit='g')"
    ),
    "rejection_outlook": (
        "(net, declared, book, *, lot_size, group=None, test='non-destructive', unit='g')"
    ),
    "oc_curve": "(books, lot_size, *, test='non-destructive')",
    "fill_target": (
        "(sd, declared, books, *, lot_size, sd_between=0.0, risk=0.01, test='non-destructive', "
        "unit='g')"
    ),
    "review": "(works, week=None, books=None, *, as_of=None)",
    "weekly_page": "(review, out)",
    "charts.constants": "(n)",
    "charts.mean_range": "(subgroups, *, base=None, robust=False, unit='g')",
    "charts.mean_sd": "(subgroups, *, base=None, robust=False, unit='g')",
    "charts.individuals": "(values, *, base=None, robust=False, unit='g', what='reading')",
    "charts.batch_means": ("(values, batch, *, base=None, unit='g')"),
    "charts.chance_outside": "(batches, *, among=False)",
    "charts.ewma": (
        "(values, *, target=None, sd=None, weight=0.2, width=3.0, side='both', base=None, unit='g')"
    ),
    "charts.cusum": (
        "(values, *, target=None, sd=None, k=0.5, h=5.0, head_start=0.0, side='both', base=None, "
        "unit='g')"
    ),
    "charts.capability": ("(values, *, lower, twice=None, batch=None, confidence=0.95, unit='g')"),
    "charts.diagnostics": ("(values, *, batch=None, step=None, unit='g')"),
    "charts.run_length": ("(chart, shift=None, *, subgroups=None, n=None, **design)"),
    "charts.run_length_quantiles": (
        "(chart, shift=None, *, q=(0.05, 0.25, 0.5, 0.75, 0.95), subgroups=None, n=None, **design)"
    ),
    "charts.rule_prices": ("(rules, *, width=3.0, a_year=None)"),
    "charts.ControlChart.with_rules": "(self, rules)",
    "wires.study": (
        "(bars, *, spacing_mm, ends='both trimmed', services=None, noise_g=None, net='net', "
        "end_wires_counted=False, confidence=0.95)"
    ),
    "wires.watch": "(study, *, false_alarm=300)",
    "cutters": "(works, cutter=None, *, until=None)",
    "wires.pitches": "(wires, *, share=0.5, cutters=None)",
    "wires.advise": "(study, declared, books, *, loss_percent=0.0)",
    "wires.consequence": (
        "(study, wire, declared, books, *, lot_size, loss_percent=0.0, mean=None, sd=None, "
        "sd_between=0.0, risk=0.01, cost_per_kg=nan, bars_a_month=nan)"
    ),
    "wires.wear": "(study, declared=None, books=(), *, loss_percent=0.0)",
    "wires.after_work": "(study)",
    "wires.loaves_a_day": (
        "(wires, days=(1, 2, 5, 10), *, times_base=(1.5, 2.0, 3.0), false_alarm=300)"
    ),
    "Works.changes": "(works)",
    "Works.log_readings": "(works, at=None)",
    "Works.record_action": (
        "(works, what, *, by, batch='', reason='', when=None, cause='', approved_by='', "
        "checked_on=None, closes='', reading='', old='', new='')"
    ),
    "evidence.build": (
        "(works, start, end, out, products=None, batches=None, *, without_names=False, "
        "paper='A4', key=None, made_at=None)"
    ),
    "evidence.verify": "(pack, expect=None, *, key=None)",
    "evidence.trace": (
        "(works, *, batch=None, pack_code=None, scale=None, tare_lot=None, wire=None, cutter=None, "
        "start=None, end=None)"
    ),
    "evidence.balance": "(works, batch=None)",
    "evidence.planned": "(works, start=None, end=None)",
    "evidence.checklist": "(works, start=None, end=None, products=None, batches=None)",
    "evidence.bench_card": "(works, out, product=None, *, paper='A4')",
    "evidence.make_key": "(path)",
    "charts.design": ("(shift, *, sd, within, every, sides=2, subgroups=None, n=None, unit='g')"),
}
ATTRIBUTES = {
    "Works": (
        "weighings products labels batches settings tare cure scales scale_checks wires plan "
        "actions dispatch documents unread questions folder name"
    ),
    "Weighings": "table not_used sources unread questions",
    "RuleBook": "tolerable_deficiency plan name title edition jurisdiction judged_at source words",
    "SamplingPlan": "count_stages mean_n factor sample lot_size test n figures",
    "Verdict": (
        "outcome pull may_ship tests own reason headline plan draws figures from_memory to_dict"
    ),
    "OwnCheck": (
        "mean mean_lower mean_upper over finding headline short short_twice short_upper "
        "short_twice_upper lightest n lot_size groups confidence to_dict"
    ),
    "Review": (
        "title week as_of to_do findings batches checks pull fresh giveaway charts cutters wires "
        "tests rules from_memory not_used unread questions files show figure to_dict"
    ),
    "wires.WireStudy": (
        "wires history displacements scores causes set_aside finding base_mm noise_g remainder_mm "
        "confidence cutter figure wander_figure loaf_figure"
    ),
    "Cutters": "studied refused refusals services lines findings pitches to_dict",
    "wires.WireWatch": "signals wander_sums move_sums wander_limit move_limit false_alarm",
    "charts.ControlChart": (
        "centre lower upper points signals figure spread finding sigma unit note patterns"
    ),
    "evidence.Built": "folder zip identity seal gaps notes to_dict",
    "evidence.Verified": "ok problems identity seal sealed signed notes to_dict",
    "evidence.Trace": "headline tables notes show to_dict",
    "evidence.Planned": "table checks questions",
    "evidence.Checklist": "table",
    "FillTarget": "target giveaway binding requirements risk",
    "wires.Consequence": "wire name effect targets books mean_g sd_g risk",
}


def _named(name: str) -> Any:
    found: Any = qa
    for part in name.split("."):
        found = getattr(found, part)
    return found


def _shape(function: Any) -> str:
    signature = inspect.signature(function)
    bare = [one.replace(annotation=one.empty) for one in signature.parameters.values()]
    return str(inspect.Signature(bare))


@pytest.mark.parametrize("name", SIGNATURES)
def test_signatures_are_frozen(name: str) -> None:
    assert _shape(_named(name)) == SIGNATURES[name]


@pytest.mark.parametrize("name", ATTRIBUTES)
def test_attributes_are_kept(name: str) -> None:
    kind = _named(name)
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
