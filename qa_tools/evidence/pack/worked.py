"""Published figures and worked examples, rerun on this machine: what its answers can be held to."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from itertools import zip_longest
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools import charts, wires
from qa_tools.books.curve import oc_curve
from qa_tools.books.limits import limits
from qa_tools.books.official import judge
from qa_tools.books.rulebook import rulebook
from qa_tools.charts.subgroups import as_subgroups
from qa_tools.decisions.wires.sums import rising, wander_gain, wander_run_length
from qa_tools.decisions.wires.tension import Wire, string_newtons, tension_change
from qa_tools.readings.quantities import parse_quantity
from qa_tools.statistics.components import components
from qa_tools.statistics.finite import hypergeometric_cdf, mean_interval, most_short
from qa_tools.statistics.tolerance import of_sample, sds_above, tolerance_limit

Found = float | str | Sequence[float | str]

COLUMNS: Final = ["what", "expected", "found", "agrees", "source", "grade"]
_NEWTONS_A_POUND: Final = 0.45359237 * 9.80665
_MM_AN_INCH: Final = 25.4
# Of one weighing in both made-up cutters: a repeat of 0.15 g on a scale of 0.1 g.
_NOISE_G: Final = math.sqrt(0.15**2 + 0.1**2 / 12)


def worked_examples() -> pd.DataFrame:
    """
    Every example, worked out now.

    Returns
    -------
    DataFrame
        what, expected (as its source prints it), found, agrees (to the printed digits), source,
        grade. One that cannot be worked out has the reason as found, and does not agree.

    Examples
    --------
    >>> found = worked_examples()
    >>> bool(found["agrees"].all())
    True
    >>> found.iloc[0][["what", "expected", "found"]].tolist()
    ['Maximum allowable variation of a 113 g label, g', '7.2', '7.2']
    """
    return pd.DataFrame([_worked(case) for case in cases()], columns=COLUMNS)


def summary(found: pd.DataFrame) -> str:
    """How many agree, in a line: what a source prints, apart from what it does not print."""
    own = found["grade"] == "computed"
    printed, computed = (found.loc[rows, "agrees"] for rows in (~own, own))
    return (
        f"{printed.sum()} of {len(printed)} published examples rerun here agree to the printed "
        f"digits, and {computed.sum()} of {len(computed)} worked out apart from this program"
    )


@cache
def cases() -> tuple[Mapping[str, Any], ...]:
    """The examples as worked.toml has them."""
    text = files("qa_tools.evidence.pack").joinpath("worked.toml").read_text(encoding="utf-8")
    return tuple(tomllib.loads(text)["case"])


def _worked(case: Mapping[str, Any]) -> dict[str, Any]:
    expected = str(case["expect"])
    try:
        found = CALLS[case["call"]](*case["give"])
        agrees, shown = agreeing(found, expected), _shown(found, expected)
    except Exception as reason:  # whatever fails on this machine is what is to be shown
        agrees, shown = False, f"{type(reason).__name__}: {reason}"
    told = {name: case[name] for name in ("what", "source", "grade")}
    return told | {"expected": expected, "found": shown, "agrees": agrees}


def agreeing(found: Found, expected: str) -> bool:
    """
    Whether what was found rounds to what is printed, one by one where there are several.

    Examples
    --------
    >>> agreeing(0.50279, "0.503"), agreeing(0.504, "0.503"), agreeing("accept", "accept")
    (True, False, True)
    >>> agreeing([30, 0.503, "none"], "30 0.503 none"), agreeing([30, 0.503], "30 0.503 1")
    (True, False)
    """
    each, printed = _each(found), expected.split()
    return len(each) == len(printed) and all(map(_alike, each, printed))


def _alike(found: float | str, printed: str) -> bool:
    if isinstance(found, str):
        return found == printed
    # half a unit of the last printed digit, and what doubles leave of a tie
    return bool(abs(found - float(printed)) <= 0.5 * 10.0 ** -_places(printed) * (1 + 1e-9))


def _places(printed: str) -> int:
    return len(printed.partition(".")[2])


def _each(found: Found) -> list[float | str]:
    return [found] if isinstance(found, str | float | int) else list(found)


def _shown(found: Found, expected: str) -> str:
    """What was found, with two digits more than are printed, so that it can be seen how near."""
    both = zip_longest(_each(found), expected.split(), fillvalue="")
    return " ".join(
        one if isinstance(one, str) else np.format_float_positional(
            one, precision=_places(printed) + 2, trim="-"
        )
        for one, printed in both
    ).strip()  # fmt: skip


# ---------------------------------------------------------------- the calls, by name


def _numbers(text: str) -> list[float]:
    """Numbers in a line: "99.6 101.2"; or, of many that are equal, "2 x 480, 123 x 501.5"."""
    if " x " not in text:
        return [float(one) for one in text.split()]
    counted = (part.split(" x ") for part in text.split(", "))
    return [float(one) for times, one in counted for _ in range(int(times))]


def _tolerance(book: str, *declared: str) -> list[float]:
    return [rulebook(book).tolerable_deficiency(one) for one in declared]


def _in_pounds(book: str, *declared: str) -> list[float]:
    """What may be short, in pounds."""
    return [grams / 453.59237 for grams in _tolerance(book, *declared)]


def _in_ounces(book: str, *declared: str) -> list[float]:
    return [pounds * 16 for pounds in _in_pounds(book, *declared)]


def _excess(book: str, *declared: str) -> list[float]:
    return [rulebook(book).tolerable_excess(one) for one in declared]


def _pieces(book: str, *declared: str) -> list[float]:
    return [rulebook(book).tolerable_pieces(int(one)) for one in declared]


def _plan(book: str, lot: str, test: str = "non-destructive") -> list[float | str]:
    """Packages for the mean and its factor; then each stage: packages, accept, reject."""
    plan = rulebook(book).plan(int(lot), test=test)
    mean = ["none" if part is None else part for part in (plan.mean_n, plan.factor)]
    return [*mean, *(number for stage in plan.count_stages for number in stage)]


def _to_weigh(book: str, *lots: str) -> list[float]:
    return [rulebook(book).plan(int(lot)).n for lot in lots]


def _factor_used(book: str, lot: str, *sizes: str) -> list[float]:
    """The factor that decides at each number weighed."""
    found = [rulebook(book).plan(int(lot), n=int(n)).factor for n in sizes]
    return [math.nan if one is None else one for one in found]


def _factor_from_t(book: str, lot: str, test: str = "non-destructive") -> float:
    """Worked out from Student's t, whatever is printed."""
    return rulebook(book).plan(int(lot), test=test).exact_factor or math.nan


def _verdict(book: str, declared: str, lot: str, weights: str) -> str:
    return judge(_numbers(weights), declared, book, lot_size=int(lot)).outcome


def _passes_by_share(book: str, lot: str, test: str, shares: str) -> list[float]:
    curve = oc_curve(book, int(lot), test=test).by_share[book]
    return curve.loc[_numbers(shares)].tolist()


def _passes_by_mean(book: str, lot: str, test: str, sds_short: str) -> list[float]:
    curve = oc_curve(book, int(lot), test=test).by_mean[book]
    return curve.loc[_numbers(sds_short)].tolist()


def _grams_tested(book: str, declared: str) -> float:
    return limits(declared, book).declared_g


def _grams(*declared: str) -> list[float]:
    return [float(parse_quantity(one).grams) for one in declared]


def _constants(n: str, *names: str) -> list[float]:
    return [float(getattr(charts.constants(int(n)), name)) for name in names]


def _individuals(values: str, d2: str) -> list[float]:
    """Centre, mean moving range, and both limits with d2 as the source rounds it."""
    chart = charts.individuals(_numbers(values))
    assert chart.spread is not None
    moving = float(np.mean(chart.spread.centre))
    centre, reach = float(np.mean(chart.centre)), 3 * moving / float(d2)
    return [centre, moving, centre - reach, centre + reach]


def _mean_range(*subgroups: str) -> list[float]:
    """Centre, mean range, sigma, both limits of the mean, upper limit of the range."""
    chart = charts.mean_range([np.array(_numbers(one)) for one in subgroups])
    assert chart.spread is not None
    found = (chart.centre, chart.spread.centre, chart.sigma)
    return [float(np.mean(one)) for one in (*found, chart.lower, chart.upper, chart.spread.upper)]


def _ewma(values: str) -> list[float]:
    chart = charts.ewma(_numbers(values), target=50, sd=2.0539, weight=0.3)
    return chart.points["value"].tolist()


def _cusum(values: str) -> list[float]:
    """Upper sums, in data units: k 0.3175 and h 4.1959 of a standard deviation of 1."""
    chart = charts.cusum(_numbers(values), target=325, sd=1, k=0.3175, h=4.1959)
    return chart.points["high"].tolist()


def _run_lengths(chart: str, shifts: str, design: Mapping[str, Any]) -> list[float]:
    return [charts.run_length(chart, shift, **design) for shift in _numbers(shifts)]


def _mean_and_sd(values: str) -> list[float]:
    group = as_subgroups([np.array(_numbers(values))])
    return [group.means().item(), group.sds().item()]


def _neighbours(values: str) -> float:
    """Correlation of each reading with the next."""
    return float(charts.diagnostics(_numbers(values))["figure"]["neighbours"])


def _between_groups(*groups: str) -> list[float]:
    """F of groups of one size, and the standard deviation within them."""
    table = as_subgroups([np.array(_numbers(one)) for one in groups])
    squares = float((table.sds() ** 2 * (table.sizes - 1)).sum())
    found = components(table.sizes, table.means(), squares)
    return [1 + int(table.sizes[0]) * (found.between / found.within) ** 2, found.within]


def _mean_interval(values: str) -> list[float]:
    return list(mean_interval(_numbers(values)))


def _at_most(short: str, lot: str, bad: str, n: str) -> float:
    """Chance of at most so many bad ones among n drawn from a lot."""
    return hypergeometric_cdf(int(short), int(lot), int(bad), int(n))


def _accepted_at(accept: str, n: str, chances: str) -> list[float]:
    """Per cent bad at which a plan accepts with each chance."""
    return [100 * most_short(int(accept), int(n), None, 1 - one) for one in _numbers(chances)]


def _tolerance_factors(n: str, confidence: str, coverages: str) -> list[float]:
    sample = of_sample(0.0, 1.0, int(n))
    return [-tolerance_limit(sample, one, float(confidence)) for one in _numbers(coverages)]


def _index(mean: str, sd: str, limit: str) -> float:
    """Distance of the mean from a lower limit, over three standard deviations."""
    return sds_above(of_sample(float(mean), float(sd), 50), float(limit)).estimate / 3


@cache
def _loaves(name: str) -> pd.DataFrame:
    """Weights of a made-up cutter: a row a loaf, a column a slot, from 1 on."""
    with files("qa_tools.evidence.pack").joinpath(f"worked_{name}.csv").open() as file:
        table = pd.read_csv(file, index_col="loaf", comment="#")
    return table.set_axis(range(1, table.shape[1] + 1), axis=1).rename_axis(columns="slot")


@cache
def _studied(name: str, spacing_mm: str, first_loaf: str) -> pd.DataFrame:
    bars = pd.DataFrame({"net": _loaves(name).loc[int(first_loaf) :].stack()}).reset_index()
    study = wires.study(bars, spacing_mm=float(spacing_mm), noise_g=_NOISE_G)
    return study.wires.set_index("wire")


def _wires(column: str, *studied: str) -> list[float]:
    return _studied(*studied)[column].tolist()


def _advised(advice: str, *studied: str) -> list[float]:
    """The wires to which this is advised."""
    given = _studied(*studied)["advice"]
    return given[given == advice].index.tolist()


def _watched(name: str, spacing_mm: str, wander_mm: str, limit: str, wire: str) -> list[Any]:
    """Largest sum of one wire, its loaf, and the first loaf beyond the limit; faces by shares."""
    weights, spacing = _loaves(name).to_numpy(), float(spacing_mm)
    slots, total = weights.shape[1], weights.sum(axis=1)
    place = np.arange(1, slots)
    faces = spacing * (slots * weights.cumsum(axis=1)[:, :-1] / total[:, None] - place)
    per_gram = np.mean((slots * spacing / total) ** 2)
    noise = _NOISE_G**2 * per_gram * place * (slots - place) / slots
    score = faces / np.sqrt(float(wander_mm) ** 2 + noise)
    # in squares less k, as printed: the log likelihood ratio of twice the wander, over 3/8
    sums = rising(wander_gain(score, np.ones_like(score), 1.0, 2.0))[:, int(wire) - 1] * 8 / 3
    beyond = np.flatnonzero(sums > float(limit))
    return [sums.max(), sums.argmax() + 1, beyond[0] + 1 if beyond.size else "none"]


def _watch_lengths(ratio: str, limit: str, true_ratios: str) -> list[float]:
    """Loaves to a signal; ratios of variance, the limit in squares."""
    made = float(ratio)
    height, design = float(limit) * (1 - 1 / made) / 2, math.sqrt(made)
    return [
        wander_run_length(height, math.sqrt(true), design=design) for true in _numbers(true_ratios)
    ]


def _string_pounds(lb_per_in: str, length_in: str, hz: str) -> float:
    """A pound as string makers' tables have it: with a gravity of 386.4 in/s²."""
    grams_a_metre = float(lb_per_in) * 453.59237 / (_MM_AN_INCH / 1000)
    newtons = string_newtons(float(hz), grams_a_metre, float(length_in) * _MM_AN_INCH)
    return newtons / (0.45359237 * 386.4 * _MM_AN_INCH / 1000)


def _wire_pounds(diameter_mm: str, length_mm: str, hz: str) -> float:
    wire = _music(diameter_mm, length_mm)
    return string_newtons(float(hz), wire.g_per_m, wire.length_mm) / _NEWTONS_A_POUND


def _breaking(*diameters_mm: str) -> list[float]:
    return [_music(one).breaking_n or math.nan for one in diameters_mm]


def _bow(diameter_mm: str, length_mm: str, newtons: str, newtons_a_metre: str) -> list[float]:
    """Bow without stretch, bow, tension while it cuts."""
    found = _music(diameter_mm, length_mm).bow(float(newtons), float(newtons_a_metre))
    return [found.unstretched_mm, found.mm, found.loaded_n]


def _warming(frame: str, *diameters_mm: str) -> list[float]:
    return [_music(one).warming(1, frame) for one in diameters_mm]


def _flat(*cents: str) -> list[float]:
    return [tension_change(float(one)) for one in cents]


def _music(diameter_mm: str, length_mm: str = "100") -> Wire:
    return Wire("music wire", float(diameter_mm), float(length_mm))


CALLS: Final[Mapping[str, Callable[..., Found]]] = {
    call.__name__.removeprefix("_"): call
    for call in (
        *(_tolerance, _in_pounds, _in_ounces, _excess, _pieces, _plan, _to_weigh, _factor_used),
        *(_factor_from_t, _verdict, _passes_by_share, _passes_by_mean, _grams_tested),
        *(_grams, _constants, _individuals, _mean_range, _ewma, _cusum, _run_lengths),
        *(_mean_and_sd, _neighbours, _between_groups, _mean_interval, _at_most, _accepted_at),
        *(_tolerance_factors, _index, _wires, _advised, _watched, _watch_lengths),
        *(_string_pounds, _wire_pounds, _breaking, _bow, _warming, _flat),
    )
}
