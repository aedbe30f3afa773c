"""
Variance components against the outside world.

strd_sirstv.csv: NIST Statistical Reference Datasets, one-way analysis of variance, SiRstv, with its
certified sums of squares. nist_lithography.csv: NIST/SEMATECH e-Handbook pmc613.htm, 30 cassettes x
3 wafers x 5 sites, here as wafer means (repository usnistgov/dataplot, public domain); its printed
components are from memory, confirmed by recomputation from the data.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from qa_tools.charts import batch_means
from qa_tools.statistics.components import Components, components

DATA = Path(__file__).parent / "data"


def of(readings: pd.Series, batch: pd.Series) -> Components:
    by = readings.groupby(batch)
    away = readings - by.transform("mean")
    return components(by.size().to_numpy(), by.mean().to_numpy(), float((away**2).sum()))


def test_certified_sums_of_squares() -> None:
    rows = pd.read_csv(DATA / "strd_sirstv.csv")
    between, within = 5.11462616e-02 / 4, 2.16636560e-01 / 20
    found = of(rows["y"], rows["group"])
    assert found.within**2 == pytest.approx(within, rel=1e-9)
    assert found.within == pytest.approx(0.104076068334656, rel=1e-9)
    assert found.between**2 == pytest.approx((between - within) / 5, rel=1e-7)


def test_cassettes_of_the_lithography_example() -> None:
    rows = pd.read_csv(DATA / "nist_lithography.csv")
    found = of(rows["width"], rows["cassette"])
    assert found.between**2 == pytest.approx(0.26452376, abs=5e-9)
    assert found.between == pytest.approx(0.514319, abs=5e-7)
    assert found.within**2 == pytest.approx(0.4253482 / 5, abs=5e-8)
    assert found.mean == pytest.approx(2.53228434, abs=5e-9)
    chart = batch_means(rows["width"], rows["cassette"], unit="µm")
    reach = 3 * np.sqrt(0.26452376 + 0.4253482 / 15)
    assert chart.upper - chart.centre == pytest.approx(reach, rel=1e-6)


def test_unbalanced_batches_as_a_general_mixed_model_has_them() -> None:
    import statsmodels.formula.api as smf

    random = np.random.default_rng(4)
    for _ in range(4):
        batch = np.repeat(np.arange(12), random.integers(1, 9, 12))
        weight = 120 + random.normal(0, 1.5, 12)[batch] + random.normal(0, 1, len(batch))
        rows = pd.DataFrame({"weight": weight, "batch": batch})
        model = smf.mixedlm("weight ~ 1", rows, groups="batch").fit(reml=True)
        found = of(rows["weight"], rows["batch"])
        assert found.between**2 == pytest.approx(float(model.cov_re.iloc[0, 0]), rel=1e-4)
        assert found.within**2 == pytest.approx(model.scale, rel=1e-4)
        assert found.mean == pytest.approx(model.params["Intercept"], abs=1e-4)
