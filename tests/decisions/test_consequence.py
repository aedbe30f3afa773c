"""What a wire costs: against weights simulated with it and without, and by hand where plain."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm
from wire_cuts import FloatArray, cut, table

import qa_tools as qa
from qa_tools.books.draws import count_test, mean_test
from qa_tools.books.limits import below, limits
from qa_tools.books.plans import inspected
from qa_tools.decisions.wires.matters import matters

EU, UK, US = "eu-76-211", "uk-2006-659", "us-hb133"
LOT = {"declared": "130 g", "books": [UK, US], "lot_size": 108, "loss_percent": 8.0}


def slack(wander: float, wires: int = 8, wire: int = 5) -> FloatArray:
    sds = np.full(wires, 0.15)
    sds[wire - 1] = wander
    return sds


def studied(
    wander: FloatArray, *, offset: object = 0.0, loaves: int = 80, seed: int = 1, ends: str = ""
) -> qa.wires.WireStudy:
    how = {"ends": ends or "both trimmed"}
    weights = cut(np.random.default_rng(seed), loaves, wander, offset=offset, **how)
    return qa.wires.study(table(weights), spacing_mm=25, **how)


def test_what_a_wander_adds_to_the_spread_is_what_weights_without_it_show() -> None:
    spread = {}
    for wander in (0.15, 0.6):
        weights = cut(np.random.default_rng(2), 4000, slack(wander))
        spread[wander] = float(np.std(weights))
    found = qa.wires.consequence(studied(slack(0.6), loaves=2000), 5, **LOT).effect.loc["wander"]
    assert found["mm"] == pytest.approx(0.6, rel=0.05)
    assert found["without_mm"] == pytest.approx(0.15, rel=0.03)
    assert found["adds_cut_g"] == pytest.approx(spread[0.6] - spread[0.15], rel=0.08)
    assert found["adds_packed_g"] == pytest.approx(0.92 * found["adds_cut_g"], rel=1e-9)
    assert found["beside_g"] == pytest.approx(0.92 * 5.85 * math.sqrt(0.6**2 - 0.15**2), rel=0.05)


def test_what_an_offset_adds_is_what_weights_without_it_show() -> None:
    offset = np.zeros(8)
    offset[2] = 0.7
    spread = [
        float(np.std(cut(np.random.default_rng(3), 4000, slack(0.15), offset=by)))
        for by in (0.0, offset)
    ]
    found = qa.wires.consequence(studied(slack(0.15), offset=offset, loaves=2000), 3, **LOT)
    row = found.effect.loc["offset"]
    assert row["mm"] == pytest.approx(0.7, abs=0.03)
    assert row["adds_cut_g"] == pytest.approx(spread[1] - spread[0], rel=0.08)
    assert row["beside_g"] == pytest.approx(0.92 * 5.85 * 0.7, rel=0.05)
    assert found.effect.loc["wander", "more_g"] == pytest.approx(0, abs=0.02)


@pytest.mark.parametrize("ends", ["both trimmed", "from a stop"])
def test_today_is_what_the_cut_bars_lead_to(ends: str) -> None:
    study = studied(slack(0.4), ends=ends, loaves=400)
    weights = study.fit.loaves.weights * 0.92
    found = qa.wires.consequence(study, 5, **LOT)
    assert found.mean_g == pytest.approx(weights.mean())
    assert found.sd_g == pytest.approx(weights.std(), rel=0.03)


def test_targets_and_chances_are_those_of_the_two_spreads() -> None:
    found = qa.wires.consequence(
        studied(slack(0.6)), 5, **LOT, mean=131.0, sd=2.4, sd_between=0.5, risk=0.02,
        cost_per_kg=9.0, bars_a_month=2000,
    )  # fmt: skip
    lots = {"lot_size": 108, "sd_between": 0.5}
    row = found.effect.loc["wander"]
    less = 2.4 - row["adds_packed_g"]
    now, without = (qa.fill_target(sd, "130 g", [UK, US], risk=0.02, **lots) for sd in (2.4, less))
    tests = found.targets.query("cause == 'wander' and requirement != 'average'")
    wanted = now.requirements.query("requirement != 'average'")
    assert tests["target_g"].tolist() == wanted["mean_g"].tolist()
    assert tests["without_g"].tolist() == pytest.approx(
        without.requirements.query("requirement != 'average'")["mean_g"].tolist(), abs=1e-6
    )
    assert row["target_g"] == now.target
    assert row["money_a_month"] == pytest.approx(row["more_g"] / 1000 * 9 * 2000)
    chances = found.books.query("cause == 'wander'")
    for column, sd in (("chance", 2.4), ("chance_without", less)):
        assert chances[column].tolist() == pytest.approx(
            [qa.chance_of_rejection(131, sd, "130 g", book, **lots) for book in (UK, US)], rel=1e-6
        )


def test_wires_leave_the_average_of_whole_loaves_as_it_is() -> None:
    """What one bar gains its neighbour loses: so says the model, and so do simulated loaves."""
    means = [cut(np.random.default_rng(4), 500, slack(one)).mean(axis=1) for one in (0.15, 0.9)]
    assert np.std(means[0] - means[1]) < 0.05
    found = qa.wires.consequence(studied(slack(0.6)), 5, **LOT).targets
    assert (found.loc[found["requirement"] == "average", "more_g"] == 0).all()


def test_bars_beside_the_wire_are_short_as_often_as_said() -> None:
    study = studied(slack(0.7), loaves=2000)
    found = qa.wires.consequence(study, 5, **LOT, mean=128.0).books
    short = found.query("cause == 'wander' and book == 'uk-2006-659'").iloc[0]
    bars = cut(np.random.default_rng(5), 40_000, slack(0.7)) * 0.92
    beside = bars[:, [4, 5]] - bars.mean() + 128.0
    limit = limits("130 g", UK).short_g
    assert short["short"] == pytest.approx((beside < limit).mean(), rel=0.1)
    calm = cut(np.random.default_rng(6), 40_000, slack(0.15)) * 0.92
    light = norm.cdf((limit - 128.0) / calm[:, [4, 5]].std())
    assert short["short_without"] == pytest.approx(light, rel=0.5)


@pytest.mark.parametrize("book", [EU, US])
@pytest.mark.parametrize("wander", [0.3, 0.6])
def test_one_normal_spread_for_all_bars_moves_the_target_little(book: str, wander: float) -> None:
    """Draws from bars of which two spread more, a tenth of a gram off the target either way."""
    wires = np.pad(slack(wander), 1)
    per_mm, other = 5.0, 0.8
    sds = np.sqrt(per_mm**2 * (wires[:-1] ** 2 + wires[1:] ** 2) + other**2)
    random = np.random.default_rng(7)
    plan, limit = inspected(qa.rulebook(book), 108), limits("120 g", book)
    slot = random.integers(9, size=(100_000, plan.n_all))
    bars = random.normal(size=slot.shape) * sds[slot]

    def rejected(mean: float) -> float:
        fails = np.minimum(
            count_test(below(bars + mean, limit.short_g), plan, plan.n_all),
            mean_test(bars + mean - limit.target_g, plan),
        )
        return float((fails < 0).mean())

    found = qa.fill_target(float(np.sqrt(np.mean(sds**2))), "120 g", book, lot_size=108)
    target = found.requirements["mean_g"].iloc[0]
    assert rejected(target + 0.1) < 0.0105
    assert rejected(target - 0.1) > 0.0095


def test_a_wire_as_its_fellows_costs_nothing() -> None:
    found = qa.wires.consequence(studied(slack(0.15), seed=8), 2, **LOT)
    assert found.effect["more_g"].abs().max() < 0.02
    assert found.effect["adds_packed_g"].max() < 0.05
    assert str(found).startswith("wire 2 from the stop (between bars 2 and 3), at 1")
    assert "a month" not in str(found)


def test_the_summary_says_how_often_bars_beside_the_wire_are_short() -> None:
    found = qa.wires.consequence(
        studied(slack(0.6)), 5, **LOT, mean=131.0, cost_per_kg=9, bars_a_month=1000
    )
    said = str(found).splitlines()[1]
    short = found.books["short"].max()
    effect = found.effect.loc["wander"]
    assert said.startswith(f"  wander {effect['mm']:.2f} mm: {effect['adds_packed_g']:.1f} g more ")
    assert f"of the two bars beside it {100 * short:.1f} % short by more than allowed" in said
    assert "nothing more to fill" in said
    dearer = replace(found, effect=found.effect.assign(more_g=0.44, money_a_month=3.96))
    assert "; 0.4 g more to fill (4 EUR a month); of the" in dearer.words("wander", "EUR")


def test_refused() -> None:
    study = studied(slack(0.6))
    with pytest.raises(ValueError, match="there is no wire 9: they are 1 to 8"):
        qa.wires.consequence(study, 9, **LOT)
    with pytest.raises(ValueError, match=r"sd=0.5 g of packed bars is less than the wires alone"):
        qa.wires.consequence(study, 5, **LOT, sd=0.5)
    with pytest.raises(ValueError, match="loss_percent=100"):
        qa.wires.consequence(study, 5, **(LOT | {"loss_percent": 100}))


# Advice by a book.
def test_a_wander_matters_from_a_quarter_of_t_on_the_bars_beside_it() -> None:
    """120 g: T 5.4 g, 1.35 g on bars of 5.85 g a millimetre less 8 %: 0.25 mm above fellows."""
    study = studied(slack(0.15), loaves=2000)
    found = matters(study.fit, study.base_mm, "120 g", [EU, US], 8)
    assert found.book == EU
    assert found.offset_mm == pytest.approx(1.35 / (5.85 * 0.92), rel=0.01)
    assert found.wander_mm == pytest.approx(math.hypot(0.15, found.offset_mm), rel=0.01)
    assert found.added_g(found.wander_mm) == pytest.approx(1.35)


def test_the_book_decides_whether_a_sure_wander_matters() -> None:
    study = studied(slack(0.34), loaves=200)
    assert study.wires.loc[4, "advice"] == "retension"
    small = qa.wires.advise(study, "120 g", [EU, US], loss_percent=8).wires.loc[4]
    assert small["advice"] == "retension"
    assert "g of spread on the bars beside it where eu-76-211 allows 5.4 g" in small["reason"]
    large = qa.wires.advise(study, "1 kg", EU, loss_percent=8).wires.loc[4]
    assert large["advice"] == "watch"
    assert "too little, or too unsure" in large["reason"]


def test_the_book_decides_whether_a_sure_offset_matters() -> None:
    offset = np.zeros(8)
    offset[2] = -0.35
    study = studied(slack(0.15), offset=offset, loaves=200)
    move = qa.wires.advise(study, "120 g", EU, loss_percent=8).wires.loc[2]
    assert move["advice"] == "move"
    assert "g from one bar to the next where eu-76-211 allows 5.4 g, steadily" in move["reason"]
    watch = qa.wires.advise(study, "500 g", EU).wires.loc[2]
    assert (watch["advice"], watch["reason"][-30:]) == (
        "watch",
        "sure, but too little to matter"[-30:],
    )


def test_without_a_book_fellows_decide() -> None:
    study = studied(slack(0.15))
    found = matters(study.fit, 0.15)
    assert (found.wander_mm, found.offset_mm, found.book) == (0.3, 0.15, "")
    with pytest.raises(ValueError, match="or neither"):
        matters(study.fit, 0.15, "120 g")
