"""The lots a week is about: a batch or its packing runs, what went out, what is held or settled."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple, cast

import numpy as np
import pandas as pd

from qa_tools.readings.dates import day_words
from qa_tools.readings.works import Works

# What the works did with a batch, by how the words in actions.csv begin.
HOLD = ("hold", "on hold", "held", "put on hold", "quarantine", "block", "stop")
RELEASE = ("release", "free", "clear", "ok")
AWAY = ("rework", "rebatch", "scrap", "destroy", "withdraw", "recall", "return")
OTHER = ("correct", "note", "inspect", "check", "train", "clean", "repair", "adjust", "top")


class Lot(NamedTuple):
    """
    What is judged together: a batch, or one packing run of it.

    `pack_code` is empty where the batch is one lot; `packages` is None where not known, `sent` what
    went out, `held` the id of an open hold, `held_for` its age (" for 12 days"), `settled` what
    was done since ("rework on 1 September (A-03)") and `away` whether that took it off sale.
    """

    batch: str
    pack_code: str
    packages: int | None
    packed_on: pd.Timestamp
    sell_from: pd.Timestamp
    sent: int
    held: str
    held_for: str
    settled: str
    away: bool

    @property
    def called(self) -> str:
        """The batch, with its pack code where it was packed in several runs."""
        return f"{self.batch} {self.pack_code}".strip()


def lots_of(
    works: Works, batch: str, rows: pd.DataFrame, as_of: pd.Timestamp
) -> Iterator[tuple[Lot, pd.DataFrame, str, str]]:
    """
    The lots of a batch, each with its weighings; a remark where runs had to be put together; and
    which runs were not weighed.

    Packing runs are told apart by the day of weighing: a package belongs to the last run packed on
    or before it. Where days or run days are missing, or packages were weighed before packing or on
    the shelf, the batch is one lot and the packages of its runs add up.
    """
    runs = works.batches[works.batches["batch"] == batch].sort_values("packed_on", kind="stable")
    if len(runs) < 2 or rows["stage"].eq("cut").all():
        yield _lot(works, batch, runs, "", as_of), rows, "", ""
        return
    days = runs["packed_on"].dt.normalize()
    at_packing = rows["stage"].isin(["packed", "filled", ""]).all() and rows["when"].notna().all()
    if not (at_packing and days.notna().all() and days.is_unique):
        remark = f"its {len(runs)} packing runs cannot be told apart by day: judged as one lot"
        yield _lot(works, batch, runs, "", as_of), rows, remark, ""
        return
    codes = [code or f"run {number}" for number, code in enumerate(runs["pack_code"], 1)]
    place = np.searchsorted(days, rows["when"].dt.normalize(), side="right") - 1
    place = place.clip(0)
    none = [code for number, code in enumerate(codes) if number not in place]
    unweighed = f"nothing was weighed of {', '.join(none)}" if none else ""
    for number in np.unique(place).tolist():
        run = runs.iloc[[number]]
        yield _lot(works, batch, run, codes[number], as_of), rows[place == number], "", unweighed
        unweighed = ""


def _lot(works: Works, batch: str, runs: pd.DataFrame, pack_code: str, as_of: pd.Timestamp) -> Lot:
    known = len(runs) and runs["packages"].notna().all()
    none = cast(pd.Timestamp, pd.NaT)
    now = _standing(works, batch, as_of)
    return Lot(
        batch=batch,
        pack_code=pack_code,
        packages=int(runs["packages"].sum()) if known else None,
        packed_on=runs["packed_on"].min() if len(runs) else none,
        sell_from=runs["sell_from"].min() if len(runs) else none,
        sent=_sent(works, batch, pack_code, as_of),
        held=now.held,
        held_for=now.held_for,
        settled=now.settled,
        away=now.away,
    )


def _sent(works: Works, batch: str, pack_code: str, as_of: pd.Timestamp) -> int:
    rows = _by(works.dispatch[works.dispatch["batch"] == batch], as_of)
    if pack_code:
        rows = rows[rows["pack_code"].isin(["", pack_code])]
    return int(pd.to_numeric(rows["quantity"]).sum())


def open_hold(works: Works, batch: str, as_of: pd.Timestamp) -> tuple[str, str]:
    """
    The id of an open hold on the batch and its age (" for 12 days"); empty where there is none.

    An entry that names it in `closes` ends it, and so does a later release of the batch.
    """
    now = _standing(works, batch, as_of)
    return now.held, now.held_for


def stopped(works: Works, before: pd.Timestamp) -> dict[str, str]:
    """
    The batches held, reworked or taken back before a day, each with what was done first.

    A hold counts though it was closed since: something was different about the batch.
    """
    actions = works.actions[works.actions["when"] < before].sort_values("when", kind="stable")
    what = actions["what"].str.strip()
    first = actions[what.str.casefold().str.startswith((*HOLD, *AWAY)) & (actions["batch"] != "")]
    return {
        str(row["batch"]): _entry(row) for row in first.drop_duplicates("batch").to_dict("records")
    }


class _Standing(NamedTuple):
    held: str
    held_for: str
    settled: str
    away: bool


def _standing(works: Works, batch: str, as_of: pd.Timestamp) -> _Standing:
    actions = _by(works.actions, as_of)
    closed = set(actions["closes"]) - {""}
    own = actions[actions["batch"] == batch].sort_values("when", kind="stable")
    what = own["what"].str.strip().str.casefold()
    freed = [i for i, word in enumerate(what) if word.startswith(RELEASE)]
    last_freed = max(freed, default=-1)
    for place, (word, key) in enumerate(zip(what, own["id"], strict=True)):
        if word.startswith(HOLD) and key not in closed and place > last_freed:
            return _Standing(str(key) or "no id", _age(own["when"].iloc[place], as_of), "", False)
    done = own[what.str.startswith((*RELEASE, *AWAY))]
    if done.empty:
        return _Standing("", "", "", False)
    last = done.iloc[-1].to_dict()
    away = str(last["what"]).strip().casefold().startswith(AWAY)
    return _Standing("", "", _entry(last), away)


def _age(since: Any, as_of: pd.Timestamp) -> str:
    """How long ago, in words that follow "on hold"; "" where not dated."""
    if pd.isna(since) or pd.isna(as_of):
        return ""
    days = (as_of.normalize() - pd.Timestamp(since).normalize()).days
    return f" for {days} day{'s' if days != 1 else ''}" if days > 0 else " since today"


def _entry(action: Mapping[Any, Any]) -> str:
    """An action in words: "rework on 1 September (A-03)"."""
    when = f" on {day_words(action['when'], year=False)}" if pd.notna(action["when"]) else ""
    key = f" ({action['id']})" if action["id"] else ""
    return f"{str(action['what']).strip()}{when}{key}"


def _by(rows: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """What was entered by the day of the review; undated entries count."""
    if pd.isna(as_of):
        return rows
    return rows[rows["when"].isna() | (rows["when"] < as_of.normalize() + pd.Timedelta(days=1))]
