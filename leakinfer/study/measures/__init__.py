"""From the tables of a study to figures with intervals: who was sooner, who missed less, and were the chances right?"""

from leakinfer.study.measures.results import Results, results, summary
from leakinfer.study.measures.values import (
    BASE,
    DEFAULT,
    EVERY,
    Arm,
    Bin,
    Calibration,
    Curve,
    Information,
    Interval,
    Pair,
    Score,
    Stopping,
    Suffering,
)

__all__ = [
    "BASE",
    "DEFAULT",
    "EVERY",
    "Arm",
    "Bin",
    "Calibration",
    "Curve",
    "Information",
    "Interval",
    "Pair",
    "Results",
    "Score",
    "Stopping",
    "Suffering",
    "results",
    "summary",
]
