"""Where every package went, and what leads from a pack to what made it."""

from __future__ import annotations

from qa_tools.evidence.balances import balance
from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section


def trace(scope: Scope) -> Section:
    """The balance of each batch; pack codes and who the packages went to."""
    works = scope.works
    counts = balance(works)
    counts = counts[counts["batch"].isin(scope.names)].reset_index(drop=True)
    runs = works.batches[works.batches["batch"].isin(scope.names)]
    sent = works.dispatch[works.dispatch["batch"].isin(scope.names)]
    odd = counts[(counts["unexplained"].fillna(0) != 0) | (counts["in_stock"].fillna(0) < 0)]
    gaps = [
        Gap(f"{row['batch']}: {row['note']}", "Find out where they went, and write it down")
        for row in odd.to_dict("records")
    ]
    unknown = counts.loc[counts["made"].isna(), "batch"].tolist()
    if unknown:
        gaps.append(
            Gap(
                f"how many were made is not known of {len(unknown)} batches, so nothing shows "
                "where all packages went",
                "Fill in number_made in batches.csv",
            )
        )
    return Section(
        "trace",
        "Where the packages went",
        {"many": len(counts), "customers": int(sent["customer"].nunique()), "odd": len(odd)},
        {
            "balance": counts,
            "codes": runs[["batch", "product", "made_on", "packed_on", "pack_code", "packages"]],
            "sent": sent.reset_index(drop=True),
        },
        tuple(gaps),
    )
