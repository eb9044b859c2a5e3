"""An invented learned file over the shipped catalogue: some numbers moved, some did not."""

from __future__ import annotations

from msgspec.structs import replace

from leakinfer.catalogue.learned import (
    LearnedComponent,
    LearnedExposure,
    LearnedInstaller,
    LearnedMethod,
    LearnedPriors,
    LearnedShared,
    LearnedSystem,
    Moved,
    PredictiveCheck,
    Provenance,
)
from leakinfer.catalogue.model import Catalogue, ComponentClass, Exposure, Method
from leakinfer.catalogue.reader import load_catalogue

CATALOGUE = load_catalogue()
LEFT_OUT = ("shaft_seal", "elsewhere")  # component classes that the fleet does not have
RATES = {"cap_plastic": 2.6, "valve_core": 1.9, "flare": 0.45, "brazed_joint": 1.25, "return_bend": 0.8}
RATIOS = {"cap_missing": 1.7, "vibration": 0.55, "coastal_air": 1.3}
HALF = {"probe_point": 2.4, "bubbles": 0.7, "dye_look": 1.3, "tracer_point": 1.1}


def moved(shipped: float, times: float = 1.0, wide: float = 1.4) -> Moved:
    """A number that moved so many times, with an interval a factor ``wide`` to either side."""
    value = shipped * times
    return Moved(value, value / wide, value * wide, shipped)


def share(shipped: float, value: float, wide: float = 0.3) -> Moved:
    """A share that moved, with an interval that lies within 0 and 1."""
    return Moved(value, value * (1 - wide), value + (1 - value) * wide, shipped)


def example(catalogue: Catalogue = CATALOGUE) -> LearnedPriors:
    """The whole file."""
    classes = [part for name, part in catalogue.components.items() if name not in LEFT_OUT]
    return LearnedPriors(
        provenance=_provenance(catalogue),
        component=tuple(_component(part, number) for number, part in enumerate(classes)),
        exposure=tuple(_exposure(part, number) for number, part in enumerate(catalogue.exposures.values())),
        system=(
            LearnedSystem("ducted_split", moved(1.0, 1.1, 1.2)),
            LearnedSystem("ductless_split", moved(1.0, 1.45, 1.2)),
            LearnedSystem("our_own_kind", moved(1.0, 0.7, 1.5)),
        ),
        shared=(LearnedShared("workmanship", moved(catalogue.shared["workmanship"].log_sd, 1.2, 1.1)),),
        installer=tuple(
            LearnedInstaller(name, leaks, leaks / times, moved(1.0, times, 1.5))
            for name, leaks, times in (
                ("Crew A & B", 31, 1.9),
                ("Crew <north>", 12, 1.02),
                ("Crew $ and $", 4, 0.5),
                ("", 40, 1.1),
            )
        ),
        method=tuple(_method(catalogue.methods[name], times) for name, times in HALF.items()),
        check=(
            PredictiveCheck("valve_core", "found_by_class", 61, 58.2, 44, 74, 0.71),
            PredictiveCheck("flare", "found_by_class", 12, 10.1, 4, 17, 0.6),
            PredictiveCheck("sight_glass", "found_by_class", 0, 1.2, 0, 4, 0.55),
            PredictiveCheck("four or more", "leaks_a_system", 9, 5.5, 1, 11, 0.11),
        ),
        level=moved(1.0, 1.22, 1.15),
        placed=0.83,
    )


def untrusted(catalogue: Catalogue = CATALOGUE) -> LearnedPriors:
    """The same from a fit that failed."""
    learned = example(catalogue)
    why = ("R-hat 1.240 at theta[3] is above 1.01: chains disagree", "17 divergences: raise the acceptance target")
    origin = replace(learned.provenance, trusted=False, reasons=why, worst_rhat=1.24, divergences=17)
    return replace(learned, provenance=origin)


def _component(part: ComponentClass, number: int) -> LearnedComponent:
    times, leaks = RATES.get(part.id, 1.0 + 0.01 * number), 60 if part.id in RATES else number % 4
    wide = 1.3 if part.id in RATES else 2.5
    return LearnedComponent(
        id=part.id,
        leaks=leaks,
        component_years=1000.0 + 250.0 * number,
        mean=moved(part.hazard.mean, times, wide),
        gamma_shape=moved(part.hazard.gamma_shape, (part.hazard.gamma_shape + leaks) / part.hazard.gamma_shape, 1.0),
        weibull=moved(part.age.weibull, 0.8 if part.id == "flare" else 1.0 + 0.01 * number, 1.2),
        size_median=moved(part.size.median, 1.0 + 0.03 * number, 1.8),
        size_log_sd=moved(part.size.log_sd, 0.95, 1.1),
        found_at_search=share(0.8, 0.45 if part.id == "return_bend" else 0.82),
    )


def _exposure(part: Exposure, number: int) -> LearnedExposure:
    there = 0.3 if part.id == "cap_missing" else part.prevalence.value
    return LearnedExposure(
        id=part.id,
        ratio=moved(part.ratio.median, RATIOS.get(part.id, 1.0), 1.25 if part.id in RATIOS else 2.0),
        log_sd=moved(part.ratio.log_sd, 0.6, 1.0),
        prevalence=share(part.prevalence.value, there, 0.2),
        looked=20 * number,
    )


def _method(method: Method, times: float) -> LearnedMethod:
    return LearnedMethod(
        id=method.id,
        trials=240,
        rate50=moved(method.grades[0].rate50, times, 1.5),
        lapse=share(method.lapse, method.lapse * 1.5),
        unreachable=share(method.unreachable, method.unreachable * 1.2),
        false_alarm=share(method.grades[0].false_alarm, 0.09 if method.id == "probe_point" else 0.02),
    )


def _provenance(catalogue: Catalogue) -> Provenance:
    return Provenance(
        made="2026-11-25",
        data="5d" * 32,
        rows=48_210,
        rows_left_out=317,
        systems=1204,
        first_day="2014-03-02",
        last_day="2026-10-30",
        shipped=catalogue.digest,
        versions={"leakinfer": "0.3.0", "pymc": "5.28.0"},
        seed=7,
        chains=4,
        draws=1000,
        worst_rhat=1.004,
        least_ess=911.0,
        divergences=0,
        trusted=True,
    )
