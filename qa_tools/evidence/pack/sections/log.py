"""What was changed in the sheets since they were first logged, and the corrections recorded."""

from __future__ import annotations

from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section
from qa_tools.readings.changed import NORMAL, Change, ever_changed, in_words
from qa_tools.readings.log import check_chain, log_path, logged


def log(scope: Scope) -> Section:
    """Corrections with who, when and why; edits nobody recorded; whether the log is whole."""
    works = scope.works
    changes = ever_changed(works)
    told = [in_words(Change(*row)) for _, *row in changes.itertuples(index=False, name=None)]
    kinds = changes["kind"].tolist()
    explained = changes["explained"].tolist()
    open_ = [
        words
        for words, kind, why in zip(told, kinds, explained, strict=True)
        if kind not in (*NORMAL, "list changed") and not why
    ]
    path = log_path(works.folder)
    problems = check_chain(path)
    gaps = [
        Gap(words, "Record the correction: qa-tools action FOLDER correction ...")
        for words in open_
    ]
    gaps += [Gap(f"the log of readings is not whole: {words}", "Keep it as it is, and say why") for
             words in problems]  # fmt: skip
    if not path.is_file():
        gaps.append(
            Gap(
                "no log of what was read is kept, so that later edits of a sheet would not show",
                "Run qa-tools review FOLDER --log each week",
            )
        )
    corrections = works.actions[works.actions["reading"] != ""]
    columns = ["id", "when", "reading", "old", "new", "reason", "by", "approved_by"]
    return Section(
        "log",
        "Corrections, and what was changed since it was read",
        {
            "there": path.is_file(),
            "at": logged(works.folder).at,
            "problems": problems,
            "changes": told,
            "open": len(open_),
        },
        {"corrections": corrections[columns].reset_index(drop=True), "changes": changes},
        tuple(gaps),
    )
