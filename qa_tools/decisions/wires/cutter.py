"""The cutter: which face between bars each wire makes, and what its displacement does to a bar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

Ends = Literal["both trimmed", "from a stop"]
ENDS: Final = get_args(Ends)


@dataclass(frozen=True, eq=False)
class Cutter:
    """
    Wires across a loaf, counted from the stop: wire j cuts between bar j and bar j + 1.

    Attributes
    ----------
    spacing : array of shape (bars,)
        Width of each bar as the cutter is meant to cut it, mm, from the stop on.
    ends : str
        ``"both trimmed"``: both end faces of a loaf lie where they should, mould faces or trimmed.
        ``"from a stop"``: the loaf is pushed home on a stop and its last bar takes what is left.
    end_wires_counted : bool
        Whether the numbers on the cutter count the wire that trims the end at the stop as wire 1.
    """

    spacing: FloatArray
    ends: Ends
    end_wires_counted: bool = False

    @property
    def bars(self) -> int:
        """Bars of the longest loaf."""
        return len(self.spacing)

    @property
    def places(self) -> FloatArray:
        """Where the faces 0 to bars are meant to lie, mm from the stop; wire j makes face j."""
        return np.concatenate([[0.0], np.cumsum(self.spacing)])

    def number(self, face: int) -> int:
        """The cutter's own number of the wire that makes a face."""
        return face + self.end_wires_counted

    def face(self, number: int) -> int:
        """The face made by a wire with this number on the cutter, 1 to bars - 1 between bars."""
        return number - self.end_wires_counted

    def name(self, face: int) -> str:
        """A wire as people find it: its number and the bars on its sides."""
        ends = {0: "trims the end at the stop", self.bars: "trims the far end"}
        beside = ends.get(face, f"between bars {face} and {face + 1}")
        return f"wire {self.number(face)} from the stop ({beside})"


def cutter(
    spacing_mm: float | Sequence[float] | FloatArray,
    bars: int,
    ends: str,
    *,
    end_wires_counted: bool = False,
) -> Cutter:
    """
    A cutter of so many bars from one spacing, or from the width of each bar.

    Raises
    ------
    ValueError
        A spacing that is not a positive number, as many widths as there are not bars, ends that
        are neither, or a loaf of a single bar.

    Examples
    --------
    >>> harp = cutter(25, 10, "both trimmed")
    >>> harp.name(5), harp.places[-1]
    ('wire 5 from the stop (between bars 5 and 6)', np.float64(250.0))
    >>> cutter(25, 10, "both trimmed", end_wires_counted=True).name(0)
    'wire 1 from the stop (trims the end at the stop)'
    """
    if ends not in ENDS:
        raise ValueError(f"ends={ends!r}: say {' or '.join(map(repr, ENDS))}")
    if bars < 2:
        raise ValueError(
            "every loaf has a single bar, so no wire stands between two: weigh all bars of a loaf"
        )
    try:
        spacing = np.asarray(spacing_mm, dtype=float)
    except (TypeError, ValueError):
        spacing = np.zeros(1)  # refused below, as what is no width
    if not (np.isfinite(spacing).all() and (spacing > 0).all()):
        raise ValueError(f"spacing_mm={spacing_mm!r}: give millimetres above 0, as numbers")
    if spacing.ndim == 0:
        spacing = np.full(bars, float(spacing))
    if spacing.shape != (bars,):
        raise ValueError(
            f"spacing_mm has {spacing.size} widths, but loaves have up to {bars} bars: "
            "give one width for all bars, or one for each from the stop on"
        )
    return Cutter(spacing, ends, end_wires_counted)  # type: ignore[arg-type]


def faces_to_bars(bars: int) -> FloatArray:
    """
    How the displacements of faces 0 to bars change the widths of the bars, shape (bars, bars + 1).

    A bar gains what its far face moves away from the stop and loses what its near face does.

    Examples
    --------
    >>> faces_to_bars(2)
    array([[-1.,  1.,  0.],
           [ 0., -1.,  1.]])
    """
    return np.eye(bars, bars + 1, 1) - np.eye(bars, bars + 1)
