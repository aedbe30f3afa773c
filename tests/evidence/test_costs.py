"""What a level costs: pace and money by hand, given away or short, one odd batch alone."""

from dataclasses import replace

import pandas as pd
import pytest

import qa_tools as qa
from qa_tools.charts import Change, batch_means, since


@pytest.fixture(scope="module")
def change(demo_works: qa.Works) -> Change:
    jars = demo_works.weighings.table.query("product == 'rosemary-scrub' and stage == 'filled'")
    return since(batch_means(jars["net_g"], jars["batch"], base=12))


def test_the_pace_is_counted_from_the_first_day_of_packing(demo_works: qa.Works) -> None:
    # 16 batches of jars from 12 August to 29 October: 15 batches, 1484 jars in the 78 days after.
    pace = qa.pace(demo_works, "rosemary-scrub")
    assert pace.batches_a_year == pytest.approx(15 / 78 * 365.25)
    assert pace.packages_a_month == pytest.approx(1484 / 78 * 365.25 / 12)


def test_a_single_odd_batch_costs_its_own_packages(demo_works: qa.Works, change: Change) -> None:
    table = qa.fill_costs(demo_works, "rosemary-scrub", change)
    odd = table.iloc[1]
    assert (odd["level"], odd["against the label"]) == ("batch RS-1028 by itself", "short")
    # 100 jars of 247.5 g under a 250 g label, at 7.20 EUR a kg.
    assert (odd["g a package"], odd["for"], odd["kg"]) == (2.49, "100", 0.25)
    assert odd["EUR"] == pytest.approx(0.2493 * 7.20, abs=0.006)


def test_a_level_that_lasts_costs_every_month(demo_works: qa.Works, change: Change) -> None:
    risen = replace(change, verdict="lasting", level=256.0, size=2.0, lower=1.0, upper=3.0)
    table = qa.fill_costs(demo_works, "rosemary-scrub", risen)
    month = 1484 / 78 * 365.25 / 12
    assert table["against the label"].tolist() == ["given away", "given away"]
    assert table["g a package"].tolist() == [4.0, 6.0]
    assert table["EUR"].tolist() == [round(month * g / 1000 * 7.2, 2) for g in (4.0, 6.0)]
    assert table["likely between, g over the label"].tolist() == ["", "+5.0 to +7.0"]


def test_without_a_change_there_is_one_level(demo_works: qa.Works, change: Change) -> None:
    table = qa.fill_costs(demo_works, "rosemary-scrub", replace(change, verdict="none"))
    assert table["level"].tolist() == ["the level before"]


def test_no_cost_is_known_without_a_cost_per_kg(demo_works: qa.Works, change: Change) -> None:
    products = demo_works.products.assign(cost_per_kg=float("nan"))
    table = qa.fill_costs(replace(demo_works, products=products), "rosemary-scrub", change)
    assert table["EUR"].isna().all()
    assert table["kg"].notna().all()


def test_what_is_missing_is_asked_for(demo_works: qa.Works, change: Change) -> None:
    with pytest.raises(ValueError, match="no label of rose-oil; add one to labels"):
        qa.fill_costs(demo_works, "rose-oil", change)
    with pytest.raises(ValueError, match="the pace of rose-oil needs batches packed on two days"):
        qa.pace(demo_works, "rose-oil")
    batches = demo_works.batches.copy()
    batches.loc[batches["batch"] == "RS-1028", "packages"] = pd.NA
    with pytest.raises(ValueError, match="how many packages RS-1028 has"):
        qa.fill_costs(replace(demo_works, batches=batches), "rosemary-scrub", change)
