"""
Fill-weight quality assurance for small makers.

Put a week of weighings in a folder; ask which batches hold what their label says under each
market's rules, what to do about those that do not, and keep the evidence. Nothing is imported
before it is used.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOME = {
    "read_works": "readings.works",
    "Works": "readings.works",
    "read_weights": "readings.weighings",
    "Weighings": "readings.weighings",
    "ReadingError": "readings.weighings",
    "Declaration": "readings.quantities",
    "rulebooks": "books.rulebook",
    "rulebook": "books.rulebook",
    "RuleBook": "books.rulebook",
    "SamplingPlan": "books.plans",
    "label_check": "books.label",
    "LabelCheck": "books.label",
    "own_check": "books.own",
    "OwnCheck": "books.own",
    "judge": "books.official",
    "Verdict": "books.official",
    "judge_lots": "books.lots",
    "chance_of_rejection": "books.chance",
    "rejection_by_test": "books.chance",
    "chance_by_setting": "books.chance",
    "rejection_outlook": "books.outlook",
    "Outlook": "books.outlook",
    "oc_curve": "books.curve",
    "OCCurve": "books.curve",
    "fill_target": "decisions.target",
    "FillTarget": "decisions.target",
    "review": "evidence.review",
    "Review": "evidence.review",
    "cutters": "evidence.cutters",
    "Cutters": "evidence.cutter",
    "weekly_page": "evidence.page",
    "pace": "evidence.costs",
    "fill_costs": "evidence.costs",
}
_ROOMS = {"charts": "charts", "wires": "decisions.wires", "evidence": "evidence"}

__all__ = [*_HOME, *_ROOMS]


def __getattr__(name: str) -> Any:
    if name in _ROOMS:
        return import_module(f"{__name__}.{_ROOMS[name]}")
    if name not in _HOME:
        raise AttributeError(f"qa_tools has no {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
