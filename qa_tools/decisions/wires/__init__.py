"""Cutter wires: which one is slack or stands off its place, from the weights of cut bars."""

from qa_tools.decisions.wires.study import WireStudy, study
from qa_tools.decisions.wires.watch import WireWatch, watch

__all__ = ["WireStudy", "WireWatch", "study", "watch"]
