"""
Operating characteristics as published, given back by `oc_curve` and `chance_of_rejection`.

Source: the reference sheet on the average quantity system, section 7 (computed there with SciPy for
the plans of Directive 76/211/EEC Annex II 2 and SI 2006/659 Schedule 2), the error risks of
Handbook 133 (sheet of US net contents, 9.1) and of C.R.C., c. 417 (sheet on Canada, 1.6), and the
sheet of statistical check values, section 6.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from sheet_figures import COUNT_OC, EU, MEAN_OC, PLANS, SHARES, SHIFTS, UK

import qa_tools as qa
from qa_tools.books.chance import chance_of_rejection
from qa_tools.books.curve import OCCurve, oc_curve
from qa_tools.statistics.counting import acceptance


def curve(key: str) -> OCCurve:
    book, size, test = PLANS[key]
    return oc_curve(book, size, test=test)


@pytest.mark.parametrize("key", PLANS)
def test_acceptance_against_the_share_short(key: str) -> None:
    found = curve(key).by_share.iloc[:, 0].loc[SHARES]
    assert found.tolist() == pytest.approx(COUNT_OC[key], abs=5.1e-5)


@pytest.mark.parametrize(
    "key, at_95, at_50, at_10",
    [
        ("EU 30/30", 2.635, 7.484, 13.563), ("EU 50/50", 3.307, 6.931, 11.188),
        ("EU 80/80", 3.064, 5.717, 8.747), ("n 50, c 3", 2.779, 7.295, 12.876),
        ("n 80, c 5", 3.317, 7.058, 11.285), ("n 125, c 7", 3.224, 6.119, 9.237),
        ("destructive n 20, c 1", 1.807, 8.251, 18.096),
    ],
)  # fmt: skip
def test_shares_accepted_at_given_chances(
    key: str, at_95: float, at_50: float, at_10: float
) -> None:
    """Second table."""
    book, size, test = PLANS[key]
    stages = qa.rulebook(book).plan(size, test=test).count_stages
    found = [
        100
        * brentq(lambda p, c=chance: acceptance(stages, [np.array([p])])[0, 0, 0] - c, 1e-4, 0.5)
        for chance in (0.95, 0.50, 0.10)
    ]
    assert found == pytest.approx([at_95, at_50, at_10], abs=5.1e-4)


@pytest.mark.parametrize(
    "key, at_25, at_5", [("EU 30/30", 34.0, 37.8), ("EU 50/50", 56.1, 67.8),
                         ("EU 80/80", 90.9, 117.3)],
)  # fmt: skip
def test_average_sample_numbers(key: str, at_25: float, at_5: float) -> None:
    """Second table, last columns: a first stage left open is neither accepted nor rejected."""
    book, size, test = PLANS[key]
    first, second = qa.rulebook(book).plan(size, test=test).count_stages
    share = [np.array([0.025, 0.05])]
    settled = acceptance([(first.n, first.accept, first.accept + 1)], share)[0, 0]
    unrejected = acceptance([(first.n, first.reject - 1, first.reject)], share)[0, 0]
    found = first.n + second.n * (unrejected - settled)
    assert found.tolist() == pytest.approx([at_25, at_5], abs=0.051)


@pytest.mark.parametrize("key", MEAN_OC)
def test_acceptance_against_the_shift_of_the_mean(key: str) -> None:
    passes, at_50, at_10 = MEAN_OC[key]
    line = curve(key).by_mean.iloc[:, 0]
    assert line.loc[SHIFTS].tolist() == pytest.approx(passes, abs=5.1e-5)
    found = np.interp([0.5, 0.9], 1 - line.to_numpy(), line.index.to_numpy())
    assert found == pytest.approx([at_50, at_10], abs=1e-3)


@pytest.mark.parametrize("key", MEAN_OC)
def test_the_whole_test_where_the_mean_decides(key: str) -> None:
    """A spread of 0.5 g against a TNE of 5.4 g: no package comes near it."""
    book, size, test = PLANS[key]
    found = [
        1 - chance_of_rejection(120 - shift / 2, 0.5, "120 g", book, lot_size=size, test=test)
        for shift in SHIFTS
    ]
    assert found == pytest.approx(MEAN_OC[key][0], abs=5.1e-5)


@pytest.mark.parametrize("key", PLANS)
@pytest.mark.parametrize("share", [0.01, 0.02, 0.025])
def test_the_whole_test_where_the_counts_decide(key: str, share: float) -> None:
    """A mean a standard deviation over the label, so that the mean passes all but always."""
    from scipy.special import ndtri

    book, size, test = PLANS[key]
    sd = 5.4 / (-float(ndtri(share)) - 1)
    found = 1 - chance_of_rejection(120 + sd, sd, "120 g", book, lot_size=size, test=test)
    assert found == pytest.approx(COUNT_OC[key][SHARES.index(share)], abs=5.1e-5)


@pytest.mark.parametrize(
    "book, lot_size, risk",
    [("us-hb133", 100, 0.025), ("us-hb133", 1000, 0.025), ("us-hb133", 5000, 0.025),
     ("us-hb133", 5, 0.025), ("ca-crc-417", 48, 0.005), ("ca-crc-417", 1000, 0.005),
     ("ca-crc-417", 20_000, 0.005), (EU, 200, 0.005), (EU, 1000, 0.005), (UK, 5000, 0.005)],
)  # fmt: skip
def test_a_lot_exactly_at_the_label_fails_as_often_as_published(
    book: str, lot_size: int, risk: float
) -> None:
    """The printed factors are rounded to three digits: 0.5 % of the risk either way."""
    found = chance_of_rejection(120, 0.4, "120 g", book, lot_size=lot_size)
    assert found == pytest.approx(risk, rel=0.015)


@pytest.mark.parametrize(
    "book, lot_size, test, risk",
    [(EU, 200, "destructive", 0.005), (UK, 5000, "destructive", 0.005), (UK, 200, "single", 0.005),
     ("us-hb133", 5, "category B", 0.5), ("us-hb133", 100, "category B", 0.5),
     ("us-hb133", 1000, "category B", 0.5)],
)  # fmt: skip
def test_the_other_tests_fail_a_lot_exactly_at_the_label_as_often_as_published(
    book: str, lot_size: int, test: str, risk: float
) -> None:
    """Category B has no allowance: about half the time (sheet of US net contents, 9.1)."""
    found = chance_of_rejection(120, 0.4, "120 g", book, lot_size=lot_size, test=test)
    assert found == pytest.approx(risk, rel=0.015)


def test_single_plan_52_3() -> None:
    """Check values 6.1, NIST/SEMATECH e-Handbook 6.2.3.2 (pmc232), printed to 0.001."""
    published = [.998, .98, .93, .845, .739, .62, .502, .394, .300, .223, .162, .115]  # fmt: skip
    found = acceptance([(52, 3, 4)], [np.arange(1, 13) / 100])[0, 0]
    assert found == pytest.approx(published, abs=1.1e-3)


def test_letter_k() -> None:
    """Check values 6.2, MIL-STD-105E / ISO 2859-1 letter K, n = 125, c = 3: the binomial row."""
    rows = {0.99: 0.664, 0.95: 1.100, 0.90: 1.403, 0.75: 2.032, 0.50: 2.930, 0.25: 4.053,
            0.10: 5.266, 0.05: 6.086, 0.01: 7.813}  # fmt: skip
    found = acceptance([(125, 3, 4)], [np.array(list(rows.values())) / 100])[0, 0]
    assert found == pytest.approx(list(rows), abs=1e-3)
