"""What an auditor would look for and not find, gathered from every section."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from qa_tools.evidence.pack.section import Section


def gaps(sections: Sequence[Section]) -> Section:
    """Every gap with its section and how to close it; nothing is glossed over."""
    found = table(sections)
    return Section("gaps", "Gaps", {"many": len(found)}, {"gaps": found})


def table(sections: Sequence[Section]) -> pd.DataFrame:
    """One row a gap: section, what, to_do."""
    rows = [
        {"section": section.title, "what": gap.what, "to_do": gap.to_do}
        for section in sections
        for gap in dict.fromkeys(section.gaps)
    ]
    return pd.DataFrame(rows, columns=["section", "what", "to_do"])
