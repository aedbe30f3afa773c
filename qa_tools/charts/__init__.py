"""Control charts: limits, the points that signal, and why. Numbers only; pictures draw them."""

from qa_tools.charts.chart import ControlChart
from qa_tools.charts.factors import Constants, constants
from qa_tools.charts.shewhart import individuals, mean_range, mean_sd

__all__ = ["Constants", "ControlChart", "constants", "individuals", "mean_range", "mean_sd"]
