"""Cutter wires: which one is slack or stands off its place, from the weights of cut bars."""

from qa_tools.decisions.wires.study import WireStudy, study

__all__ = ["WireStudy", "study"]
