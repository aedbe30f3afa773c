"""What is not used and why, what is in doubt, what is only pointed out: the rules in order."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from qa_tools.readings import (
    against,
    corrections,
    lives,
    naming,
    netting,
    slips,
    sold,
    twice,
    unsaid,
    words,
)
from qa_tools.readings.answers import Answers
from qa_tools.readings.records import Records
from qa_tools.readings.sift import Sift


def apply(
    found: Records,
    lists: Mapping[str, pd.DataFrame],
    answers: Answers,
    copies: Mapping[str, str],
    unitless: set[str],
) -> Sift:
    """
    Put every reading through the rules; a reading keeps the first reason it is left out for.

    The parameters are those of `Sift`.
    """
    s = Sift(found, lists, answers, copies, unitless)
    corrections.applied(s)
    unreadable(s)
    twice.copied_files(s)
    naming.names(s)
    lives.not_believed(s)
    naming.days(s)
    naming.stages(s)
    words.unknown(s)
    against.declared(s)
    netting.said(s)
    unsaid.ways(s)
    netting.net(s)
    twice.pasted(s)
    twice.again(s)
    against.above_double(s)
    slips.answered(s)
    sold.replaced(s)
    sold.fates(s)
    against.below_half(s)
    twice.two_weights(s)
    lives.outside_life(s)
    against.far_from_batch(s)
    return s


def unreadable(s: Sift) -> None:
    """What holds no weight that can be read, or none above zero."""
    problem = s.found.problem
    bad = problem.where(lambda one: bool(one[0]))
    summed, overfull = s.found.summed, s.found.overfull
    for number in np.flatnonzero(bad | summed | overfull).tolist():
        if overfull[number]:
            s.refuse(
                number,
                "the row has more numbers than there are headings: a decimal comma in a file "
                "separated by commas cannot be told from a separator",
                "save the file with semicolons, or with decimal points",
            )
        elif summed[number]:
            s.refuse(number, "the row sums up others; it is no weighing", "")
        else:
            s.refuse(number, *problem[number])
    zero = s.open & ~(s.found.grams > 0)
    for number in np.flatnonzero(zero).tolist():
        s.refuse(number, f"{s.as_read(number)} is not above zero")
