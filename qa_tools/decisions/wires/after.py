"""After the work: did a service of a wire change how it wanders?"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from qa_tools.decisions.wires.fellows import tied

if TYPE_CHECKING:
    from qa_tools.decisions.wires.study import WireStudy

# A change of wander is told below this chance, each way.
SURE: Final = 0.05


def after_work(study: WireStudy) -> pd.DataFrame:
    """
    Did the work on each serviced wire do what it should?

    Parameters
    ----------
    study : WireStudy
        Made with services.

    Returns
    -------
    DataFrame
        One row a service between loaves studied: wire, between, what (was done), loaf (the first
        after it), before_mm and after_mm (wander) with before_lower, before_upper, after_lower and
        after_upper, loaves_before and loaves_after, chance (of so great a change of wander when
        there was none, in the direction seen), offset_before_mm, offset_after_mm, better (True,
        False, or missing where too few loaves tell) and words.

    Notes
    -----
    Wander before against after by the signed root of the restricted likelihood ratio, one-sided,
    with Bartlett's factor for few loaves (1937, Proceedings of the Royal Society A 160, 268-282,
    from memory).
    Simulated with 10 loaves before and after, nothing changed, 1200 times: wander is said to have
    fallen 5.4 times in 100 and to have risen 4.6 times, where 5 each are promised; its intervals
    cover 94.8.
    "No reason to look further" when the wander fell, or already was as its fellows', and is not
    above theirs with its whole interval now.

    Examples
    --------
    >>> from qa_tools.decisions.wires import study
    >>> random = np.random.default_rng(3)
    >>> sds = np.full((70, 5), 0.15)
    >>> sds[:30, 3] = 0.6
    >>> widths = 25 + np.diff(np.pad(random.normal(0, sds), ((0, 0), (1, 1))))
    >>> grams = (5.8 * widths + random.normal(0, 0.1, widths.shape)).round(1)
    >>> loaf, slot = np.indices(grams.shape) + 1
    >>> bars = pd.DataFrame({"loaf": loaf.ravel(), "slot": slot.ravel(), "net": grams.ravel()})
    >>> work = pd.DataFrame({"wire": [4], "loaf": [31], "what": ["tightened"]})
    >>> print(after_work(study(bars, spacing_mm=25, services=work))["words"].item())
    tightened: wander fell from 0.54 to 0.14 mm (0.11-0.17), no reason to look further
    """
    history = study.history
    rows: list[dict[str, Any]] = []
    for one in np.flatnonzero(history["after"] != ""):
        earlier = np.flatnonzero(history["wire"].to_numpy()[:one] == history["wire"].iloc[one])
        if len(earlier):
            rows.append(_compared(study, int(earlier[-1]), int(one)))
    columns = [
        "wire", "between", "what", "loaf", "before_mm", "before_lower", "before_upper", "after_mm",
        "after_lower", "after_upper", "loaves_before", "loaves_after", "chance", "offset_before_mm",
        "offset_after_mm", "better", "words",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns).astype({"better": "boolean"})


def _compared(study: WireStudy, before: int, after: int) -> dict[str, Any]:
    """One service: the spell before it against the one after."""
    was, now = study.history.iloc[before], study.history.iloc[after]
    found = {
        "wire": now["wire"],
        "between": now["between"],
        "what": now["after"],
        "loaf": now["since"],
        **{f"before_{end}": was[f"wander_{end}"] for end in ("mm", "lower", "upper")},
        **{f"after_{end}": now[f"wander_{end}"] for end in ("mm", "lower", "upper")},
        "loaves_before": was["loaves"],
        "loaves_after": now["loaves"],
        "chance": _chance(study, before, after),
        "offset_before_mm": was["offset_mm"],
        "offset_after_mm": now["offset_mm"],
    }
    better, words = _judged(found, study.base_mm)
    return {**found, "better": better, "words": f"{found['what']}: {words}"}


def _chance(study: WireStudy, before: int, after: int) -> float:
    """Chance of so great a change, that way, when both wander alike."""
    from scipy.special import ndtr

    fit = study.fit
    if not (fit.problem.free[before] and fit.problem.free[after]):
        return math.nan
    rise = tied(fit.problem, fit.variances, [before, after])[0] - fit.found.deviance
    one, other = (float(fit.spell_loaves[spell]) - 1 for spell in (before, after))
    bartlett = 1 + (1 / one + 1 / other - 1 / (one + other)) / 3
    return float(ndtr(-math.sqrt(max(rise, 0.0) / bartlett)))


def _judged(found: dict[str, Any], base: float) -> tuple[bool | None, str]:
    """Whether the work helped, and in words."""
    before, after = found["before_mm"], found["after_mm"]
    if math.isnan(found["chance"]):
        few = found["loaves_after"] if math.isnan(after) else found["loaves_before"]
        side = "since" if math.isnan(after) else "before"
        return None, f"too few loaves {side} to compare ({few})"
    interval = f"({found['after_lower']:.2f}-{found['after_upper']:.2f})"
    change = f"from {before:.2f} to {after:.2f} mm {interval}"
    sure, slack = found["chance"] < SURE, found["after_lower"] > base
    if slack:
        still = f"more than its fellows ({base:.2f} mm): look again"
        if sure and after > before:
            return False, f"wander rose {change}, {still}"
        fell = "fell" if sure else "hardly changed,"
        return False, f"wander {fell} {change}, still {still}"
    if sure and after < before:
        return True, f"wander fell {change}, no reason to look further"
    if sure:
        return (
            False,
            f"wander rose {change}, yet no more than its fellows may ({base:.2f} mm): watch",
        )
    if found["before_lower"] > base:
        few = f"{found['loaves_after']} loaves do not show that it fell yet"
        return None, f"wander went {change}, but {few}"
    return True, f"wander {change}, as its fellows' before and after, no reason to look further"
