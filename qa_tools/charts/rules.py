"""Supplementary run rules, named by what they count: what each remembers from point to point."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from typing import Final, NamedTuple

# One watch: from its memory, where the point stands (in sd from the centre) and whether it is
# above (1), below (-1) or level with the point before (0), to its new memory and whether it calls.
Watch = Callable[[int, float, int], tuple[int, bool]]

FORMS: Final = (
    '"beyond 3", "8 on a side", "2 of 3 beyond 2", "6 rising or falling", "14 up and down", '
    '"15 within 1", "8 outside 1"'
)
_LONGEST: Final = 30
_NUMBER: Final = r"(\d+(?:\.\d+)?)"
_GRAMMAR: Final = [
    (kind, re.compile(pattern))
    for kind, pattern in (
        ("beyond", rf"beyond {_NUMBER}"),
        ("of", rf"(\d+) of (\d+) beyond {_NUMBER}"),
        ("side", r"(\d+) on a side"),
        ("trend", r"(\d+) rising or falling"),
        ("zigzag", r"(\d+) up and down"),
        ("within", rf"(\d+) within {_NUMBER}"),
        ("outside", rf"(\d+) outside {_NUMBER}"),
    )
]


class Rule(NamedTuple):
    """
    One rule as its name says it.

    Attributes
    ----------
    name : str
        As given, spaces tidied.
    says : str
        The same as a sentence's object: "8 points in a row on one side of the centre".
    means : str
        What may be behind it.
    sides : tuple of str
        What to call the sides it watches, "above" and "below"; none where it takes both together.
    many, window : int
        So many of so many points make the pattern.
    zones : tuple of float
        Distances from the centre at which the rule tells points apart, in sd.
    ordered : bool
        Whether it compares a point with the one before.
    growth : float
        Its run length grows as exp(growth s²) where its zones are s times as wide.
    watches : tuple of Watch
        What watches for it; the first sees high points, or what has no side; the second low ones.
    """

    name: str
    says: str
    means: str
    sides: tuple[str, ...]
    many: int
    window: int
    zones: tuple[float, ...]
    ordered: bool
    growth: float
    watches: tuple[Watch, ...]


def parse(rules: str | Sequence[str]) -> tuple[Rule, ...]:
    """
    Rules from their names.

    Parameters
    ----------
    rules : str or sequence of str
        "beyond 3": one point more than 3 sd from the centre. "2 of 3 beyond 2": on the same side.
        "8 on a side", "6 rising or falling", "14 up and down" (by turns), "15 within 1" (sd of the
        centre, on either side), "8 outside 1" (on either side): in a row. Any numbers do.

    Raises
    ------
    ValueError
        A name that is none of these, or a pattern that no point, or every point, would make.

    Examples
    --------
    >>> [rule.says for rule in parse(["8 on a side", "2 of 3 beyond 2"])]
    ['8 points in a row on one side of the centre',
     '2 of 3 points more than 2 sd from the centre, on the same side']
    """
    if not isinstance(rules, Iterable):
        raise ValueError(f"run rules are named by what they count: {FORMS}; got {rules!r}")
    names = [rules] if isinstance(rules, str) else list(rules)
    read = [_rule(name) for name in names]
    return tuple(dict(zip((rule.name for rule in read), read, strict=True)).values())


@cache
def _rule(given: str) -> Rule:
    name = " ".join(str(given).split())
    for kind, pattern in _GRAMMAR:
        if found := pattern.fullmatch(name):
            return _made(name, kind, [float(number) for number in found.groups()])
    raise ValueError(
        f"no run rule is called {given!r}; rules are named by what they count: {FORMS}"
    )


def _made(name: str, kind: str, numbers: list[float]) -> Rule:
    if kind == "beyond":
        numbers, kind = [1, 1, *numbers], "of"
    count = int(numbers[0])
    if kind == "of":
        window, zone = int(numbers[1]), numbers[2]
    else:
        window, zone = count, numbers[1] if len(numbers) > 1 else 0.0
    fewest = {"of": 1, "trend": 3, "zigzag": 4}.get(kind, 2)
    if not fewest <= count <= window <= _LONGEST:
        raise ValueError(
            f"{name!r} counts {count} of {window} points; it can count from {fewest} up, no more "
            f"than the points it looks at, which are at most {_LONGEST}"
        )
    if kind in ("of", "within", "outside") and zone == 0:
        raise ValueError(f"{name!r}: the distance from the centre is above 0; see also 'on a side'")
    says, means = _words(kind, count, window, zone)
    sides, watches = _watched(kind, count, window, zone)
    ordered = kind in ("trend", "zigzag")
    growth = 0.0 if kind == "within" else count * zone * zone / 2
    zones = () if ordered else (zone,)
    return Rule(name, says, means, sides, count, window, zones, ordered, growth, watches)


def _words(kind: str, count: int, window: int, zone: float) -> tuple[str, str]:
    """What the pattern is, and what may be behind it."""
    row = f"{count} points in a row"
    moved = "the level may have moved"
    match kind:
        case "side":
            return f"{row} on one side of the centre", moved
        case "of" if window == 1:
            return f"a point more than {zone:g} sd from the centre", "look what was different"
        case "of":
            beyond = f"points more than {zone:g} sd from the centre, on the same side"
            return f"{count} of {window} {beyond}", moved
        case "trend":
            says = f"{row} each higher, or each lower, than the one before"
            return says, "the level may be drifting"
        case "zigzag":
            means = "two levels may take turns, as of two people or two scales"
            return f"{row} up and down by turns", means
        case "within":
            means = "the limits may be too wide for these points"
            return f"{row} within {zone:g} sd of the centre", means
        case _:
            says = f"{row} more than {zone:g} sd from the centre, on either side"
            return says, "two levels may be mixed"


def _watched(
    kind: str, count: int, window: int, zone: float
) -> tuple[tuple[str, ...], tuple[Watch, ...]]:
    """The sides the rule tells apart, and what watches each of them, or both together."""
    match kind:
        case "trend":
            rising = _window(lambda _, step: step > 0, count - 1, count - 1)
            falling = _window(lambda _, step: step < 0, count - 1, count - 1)
            return ("rising", "falling"), (rising, falling)
        case "zigzag":
            return (), (_zigzag(count),)
        case "within":
            return (), (_window(lambda z, _: abs(z) < zone, count, window),)
        case "outside":
            return (), (_window(lambda z, _: abs(z) > zone, count, window),)
        case _:
            above = _window(lambda z, _: z > zone, count, window)
            below = _window(lambda z, _: z < -zone, count, window)
            return ("above", "below"), (above, below)


def _window(test: Callable[[float, int], bool], count: int, window: int) -> Watch:
    """Calls at a point that is the count-th of the last points to pass the test."""
    # Memory: a bit a point, the newest last. A bit that can no longer be one of `count` is dropped,
    # so that few memories are left to tell apart (as Champ and Woodall 1987 do).
    mask = (1 << (window - 1)) - 1

    def watch(memory: int, z: float, step: int) -> tuple[int, bool]:
        passed = test(z, step)
        call = passed and memory.bit_count() + 1 >= count
        bits = ((memory << 1) | passed) & mask
        kept, ones = 0, 0
        for age in range(bits.bit_length()):
            if bits >> age & 1:
                ones += 1
                if ones + window - 1 - age >= count:
                    kept |= 1 << age
        return kept, call

    return watch


def _zigzag(count: int) -> Watch:
    """Calls when count - 1 steps have gone up and down by turns."""
    # Memory: the steps by turns so far, negative where the last went down.

    def watch(memory: int, z: float, step: int) -> tuple[int, bool]:
        if step == 0:
            return 0, False
        turns = min(abs(memory) + 1, count - 1) if memory * step < 0 else 1
        return step * turns, turns == count - 1

    return watch
