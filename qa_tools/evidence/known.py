"""A name that has to be known; else the nearest, or what there is."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Final

_LISTED: Final = 12


def known(name: str, names: Iterable[str], what: str) -> str:
    """
    The name, where it is one of some.

    Parameters
    ----------
    name : str
    names : iterable of str
        Those there are; empty ones count for nothing.
    what : str
        What they are of, as the message says it.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        It is none of them; the nearest is suggested, in whatever case it is written.

    Examples
    --------
    >>> known("oh-0922", ["OH-0922", "CB-1016"], "batch")
    Traceback (most recent call last):
        ...
    ValueError: no batch is called "oh-0922"; is "OH-0922" meant?
    """
    there = list(dict.fromkeys(filter(None, names)))
    if name in there:
        return name
    folded = {one.casefold(): one for one in reversed(there)}
    near = difflib.get_close_matches(str(name).strip().casefold(), folded, n=1)
    if near:
        raise ValueError(f'no {what} is called "{name}"; is "{folded[near[0]]}" meant?')
    more = f" and {len(there) - _LISTED} more" if len(there) > _LISTED else ""
    listed = f"there are {', '.join(there[:_LISTED])}{more}" if there else "there is none"
    raise ValueError(f'no {what} is called "{name}"; {listed}')
