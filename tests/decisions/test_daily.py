"""How many loaves a day: the table against watching simulated loaves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from wire_cuts import cut, table

import qa_tools as qa


def test_a_delay_of_so_many_days_takes_that_share_of_the_loaves() -> None:
    found = qa.wires.loaves_a_day(10, (1, 3), times_base=(1.5, 2.5))
    assert found[1].tolist() == [math.ceil(one) for one in found["loaves"]]
    assert found[3].tolist() == [math.ceil(one / 3) for one in found["loaves"]]
    assert found.index.tolist() == [1.5, 2.5]


def test_fewer_false_alarms_take_longer() -> None:
    few, many = (qa.wires.loaves_a_day(8, false_alarm=one)["loaves"] for one in (1000, 100))
    assert (few > many).all()


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"wires": 0}, "wires=0"),
        ({"days": (0, 1)}, "working days above 0"),
        ({"times_base": (1.0,)}, "wanders more"),
        ({"false_alarm": 10}, "50 to 100,000"),
    ],
)
def test_refused(wrong: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        qa.wires.loaves_a_day(**({"wires": 8} | wrong))  # type: ignore[arg-type]


@pytest.mark.slow
def test_watching_takes_as_many_loaves() -> None:
    """A wire at three times the base after 60 loaves: 4.1 loaves and a half at most."""
    random, delays = np.random.default_rng(1), []
    sds = np.full((90, 10), 0.15)
    sds[60:, 4] = 0.45
    for _ in range(300):
        signals = qa.wires.watch(qa.wires.study(table(cut(random, 90, sds)), spacing_mm=25)).signals
        late = signals[(signals["loaf"] > 60) & (signals["wire"] == 5)]
        if len(late):  # else an alarm by chance before was still on
            delays.append(late["loaf"].iloc[0] - 60)
    assert len(delays) > 290
    expected = qa.wires.loaves_a_day(10, times_base=(3.0,))["loaves"].item()
    assert np.mean(delays) == pytest.approx(expected, rel=0.12)
