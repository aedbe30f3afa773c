"""Control charts: limits, the points that signal, and why. Numbers only; pictures draw them."""

from qa_tools.charts.batches import batch_means, chance_outside
from qa_tools.charts.capability import Capability, capability
from qa_tools.charts.change import Change, since
from qa_tools.charts.chart import ControlChart
from qa_tools.charts.design import Design, design
from qa_tools.charts.diagnostics import diagnostics
from qa_tools.charts.factors import Constants, constants
from qa_tools.charts.phases import Base
from qa_tools.charts.run_length import rule_prices, run_length, run_length_quantiles
from qa_tools.charts.shewhart import individuals, mean_range, mean_sd
from qa_tools.charts.small import cusum, ewma

__all__ = [
    "Base",
    "Capability",
    "Change",
    "Constants",
    "ControlChart",
    "Design",
    "batch_means",
    "capability",
    "chance_outside",
    "constants",
    "cusum",
    "design",
    "diagnostics",
    "ewma",
    "individuals",
    "mean_range",
    "mean_sd",
    "rule_prices",
    "run_length",
    "run_length_quantiles",
    "since",
]
