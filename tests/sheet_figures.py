"""
Operating characteristics of acceptance sampling, typed once from the reference sheet.

Source: the sheet on the average quantity system, section 7 (computed there with SciPy for the plans
of Directive 76/211/EEC Annex II 2 and SI 2006/659 Schedule 2).
"""

from __future__ import annotations

EU, UK = "eu-76-211", "uk-2006-659"
# Which book, lot size and test has the plan.
PLANS = {
    "EU 30/30": (EU, 100, "non-destructive"),
    "EU 50/50": (EU, 501, "non-destructive"),
    "EU 80/80": (EU, 3201, "non-destructive"),
    "n 50, c 3": (UK, 100, "single"),
    "n 80, c 5": (UK, 501, "single"),
    "n 125, c 7": (UK, 3201, "single"),
    "destructive n 20, c 1": (EU, 100, "destructive"),
}
SHARES = [0.01, 0.02, 0.025, 0.03, 0.05, 0.07, 0.09, 0.10, 0.15]
COUNT_OC = {  # first table: acceptance against the true share below Q - T, large lot
    "EU 30/30": [0.9966, 0.9761, 0.9565, 0.9299, 0.7636, 0.5506, 0.3563, 0.2773, 0.0637],
    "EU 50/50": [0.9998, 0.9946, 0.9849, 0.9666, 0.7812, 0.4900, 0.2483, 0.1666, 0.0166],
    "EU 80/80": [1.0000, 0.9954, 0.9829, 0.9550, 0.6475, 0.2754, 0.0853, 0.0444, 0.0013],
    "n 50, c 3": [0.9984, 0.9822, 0.9638, 0.9372, 0.7604, 0.5327, 0.3303, 0.2503, 0.0460],
    "n 80, c 5": [0.9998, 0.9946, 0.9848, 0.9667, 0.7892, 0.5082, 0.2634, 0.1769, 0.0140],
    "n 125, c 7": [1.0000, 0.9962, 0.9864, 0.9648, 0.7117, 0.3461, 0.1162, 0.0601, 0.0009],
    "destructive n 20, c 1": [
        0.9831, 0.9401, 0.9118, 0.8802, 0.7358, 0.5869, 0.4516, 0.3917, 0.1756,
    ],
}  # fmt: skip
SHIFTS = [0, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0]
MEAN_OC = {  # last table: acceptance at (Q - true mean) / sigma of SHIFTS; shifts at 0.50 and 0.10
    "destructive n 20, c 1": (
        [0.9950, 0.9849, 0.9606, 0.9113, 0.7030, 0.3899, 0.0677], 0.631, 0.948,
    ),
    "EU 30/30": ([0.9950, 0.9802, 0.9383, 0.8471, 0.4969, 0.1498, 0.0050], 0.499, 0.748),
    "EU 50/50": ([0.9950, 0.9708, 0.8867, 0.7005, 0.2007, 0.0138, 0.0000], 0.377, 0.565),
    "EU 80/80": ([0.9950, 0.9708, 0.8867, 0.7005, 0.2007, 0.0138, 0.0000], 0.377, 0.565),
}  # fmt: skip
