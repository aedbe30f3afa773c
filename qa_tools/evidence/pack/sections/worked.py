"""Software checked here: the published examples, rerun on the machine that built the pack."""

from __future__ import annotations

from qa_tools.evidence.pack.manifest import software
from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section
from qa_tools.evidence.pack.worked import summary, worked_examples


def worked(scope: Scope) -> Section:
    """Every example with what its source prints and what came out here."""
    found = worked_examples()
    wrong = found[~found["agrees"]]
    gaps = [
        Gap(f"{row['what']}: {row['found']} came out, {row['expected']} is printed",
            "Do not rely on this machine's figures before it is known why")
        for row in wrong.to_dict("records")
    ]  # fmt: skip
    shown = found.assign(agrees=found["agrees"].map({True: "yes", False: "NO"}))
    return Section(
        "worked", "Software checked here", {"summary": summary(found), "software": software()},
        {"examples": shown}, tuple(gaps),
    )  # fmt: skip
