"""The sections of the audit pack, in their order: one function and one template each."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Section
from qa_tools.evidence.pack.sections.batches import batches
from qa_tools.evidence.pack.sections.books import books
from qa_tools.evidence.pack.sections.charts import charts
from qa_tools.evidence.pack.sections.checklist import checklist
from qa_tools.evidence.pack.sections.log import log
from qa_tools.evidence.pack.sections.methods import methods
from qa_tools.evidence.pack.sections.nonconforming import nonconforming
from qa_tools.evidence.pack.sections.not_used import not_used
from qa_tools.evidence.pack.sections.plan import plan
from qa_tools.evidence.pack.sections.scales import scales
from qa_tools.evidence.pack.sections.statement import statement
from qa_tools.evidence.pack.sections.summary import summary
from qa_tools.evidence.pack.sections.trace import trace
from qa_tools.evidence.pack.sections.wires import wires
from qa_tools.evidence.pack.sections.worked import worked

SECTIONS: Final[tuple[Callable[[Scope], Section], ...]] = (
    statement,
    summary,
    batches,
    nonconforming,
    charts,
    wires,
    scales,
    plan,
    trace,
    log,
    not_used,
    books,
    worked,
    methods,
    checklist,
)
