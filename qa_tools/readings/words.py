"""Words for a stage, a fate and the like that we do not know: asked about, never guessed."""

from __future__ import annotations

from typing import Final

import numpy as np

from qa_tools.readings.answers import KINDS, SETTINGS, shown_words
from qa_tools.readings.headings import words_of
from qa_tools.readings.sift import Sift

# What an unknown word leaves open; such readings are in doubt.
_OPEN: Final = {
    "stage": "so it may be a stage that is not judged",
    "fate": "so these packages may not be among those sold",
}


def unknown(s: Sift) -> None:
    """One question for each file, column and word."""
    found = s.found
    for kind in KINDS:
        known = ["", *words_of(kind)]
        column = found.texts[kind]
        if all(word in known for word in column.values):
            continue
        strange = ~column.where(known.__contains__)
        where: dict[tuple[str, str], list[int]] = {}
        for number in np.flatnonzero(strange & s.open).tolist():
            where.setdefault((found.file[number], column[number]), []).append(number)
        for (file, word), numbers in where.items():
            rows = len({(found.sheet[number], found.row[number]) for number in numbers})
            told = (
                f'{found.short[file]}: {kind} "{word}" ({rows} row{"s" if rows > 1 else ""}) '
                "is none we know"
            )
            how = f"""correct it; or in {SETTINGS}: name '{kind} "{word}"', value """
            how += shown_words(kind)
            s.questions.append((file, f"{told}; known are {', '.join(known[1:])}", how))
            if kind in _OPEN:
                for number in numbers:
                    s.doubt.add(number, f"{told}, {_OPEN[kind]}: {how}.")
