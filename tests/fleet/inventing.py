"""Plans and truths of invented fleets with one thing at a time, for tests."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from msgspec.structs import replace as changed

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.fleet.invented.make import Plan, Truth, load_invented, mild_truth

CATALOGUE = load_catalogue()
CLASSES = (
    "brazed_joint",
    "cap_plastic",
    "drier_suction",
    "fin_tube",
    "flare",
    "service_valve_stem",
    "tube_run",
    "valve_core",
)


def a_plan(**given: Any) -> Plan:
    """A plan of eight classes, other parts as shipped but for what is given."""
    return changed(load_invented().plan, **({"systems": 300, "classes": CLASSES} | given))


def plain(plan: Plan, rate: float, **given: Any) -> Truth:
    """A truth with ``rate`` leaks a component-year at any age, no circumstances, workmanship or types that matter."""
    truth = mild_truth(CATALOGUE, 1, plan)
    classes, exposures, types = len(truth.classes), len(truth.exposures), len(truth.types)
    simple: dict[str, Any] = {
        "mean": np.full(classes, rate),
        "weibull": np.ones(classes),
        "ratio": np.ones(exposures),
        "type_factor": np.ones(types),
        "installer_log_sd": 0.0,
        "installer_factor": np.ones(plan.installers),
        "workmanship_log_sd": 0.0,
        "fails": np.zeros(classes),
        "found": np.full(classes, 0.7),
        "found_least": 0.0,
    }
    return replace(truth, **(simple | given))
