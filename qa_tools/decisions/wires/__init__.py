"""Cutter wires: which one is slack or stands off its place, from the weights of cut bars."""

from qa_tools.decisions.wires.after import after_work
from qa_tools.decisions.wires.consequence import Consequence, advise, consequence
from qa_tools.decisions.wires.daily import loaves_a_day
from qa_tools.decisions.wires.pitch import Pitches, pitches
from qa_tools.decisions.wires.study import WireStudy, study
from qa_tools.decisions.wires.tension import Bow, Tension, Wire, cents, tension_change
from qa_tools.decisions.wires.watch import WireWatch, watch
from qa_tools.decisions.wires.wear import wear

__all__ = [
    "Bow",
    "Consequence",
    "Pitches",
    "Tension",
    "Wire",
    "WireStudy",
    "WireWatch",
    "advise",
    "after_work",
    "cents",
    "consequence",
    "loaves_a_day",
    "pitches",
    "study",
    "tension_change",
    "watch",
    "wear",
]
