"""A small job's posterior written out from the facts with scipy, sharing with the project only its files and the flow
through one hole. Loops over all states in the open; the loss is a convolution on a grid of 1 g. A site is tight, or has
a leak of one of three sizes that is always open, or of the middle size that the highest pressure or running opens.

The job: a port core on the liquid line whose cap may be missing, two equal brazed joints, a rusted suction drier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy import integrate, stats

from leakinfer.catalogue.model import ComponentClass, Exposure, Grade, Method
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.physics.flow import leak_rate
from leakinfer.physics.properties import load_properties

from .small import BREEZE, VALVES, coarse, found, job_on, site, spot, system, told

Array = NDArray[np.float64]

CATALOGUE = coarse(modes=True)
SIZES = np.array([1e-6, 1e-5, 1e-4])  # Pa m3/s, the coarse catalogue's
HOLES = np.array([*SIZES, SIZES[1], SIZES[1]])  # open always, three times; near the highest pressure; while running
STATES = 1 + HOLES.size
AGE, TIGHT_AGO, LOSS_YEARS, LOSS_KG, CHARGE_G = 8.0, 5.0, 2.0, 0.35, 2000
SECONDS = 365.25 * 86400
FLUID = load_properties().fluid("R-410A")
SITES = ("core", "joint 1", "joint 2", "drier")
CLASSES = {"core": "valve_core", "joint 1": "brazed_joint", "joint 2": "brazed_joint", "drier": "drier_suction"}

FINDINGS: tuple[Finding, ...] = (
    found("probe_point", "core", "silent"),
    found("probe_point", "core", "silent", BREEZE),
    found("bubbles", "core", "slow_foam"),
    found("probe_sweep", VALVES, "response"),
    found("oil_look", "ground", "oil", false_causes=("old_oil",)),
    found("look", "core:cap_missing", "absent"),
)


def the_job() -> Job:
    """The same job in the project's terms."""
    made = system(
        site("core", "valve_core", "liquid_line", exposures=("cap_missing",)),
        site("joints", "brazed_joint", count=2),
        site("drier", "drier_suction", exposures=("outdoor_steel",)),
        spots=(spot("ground", "core", "joints", "drier"),),
    )
    facts = {
        "age_years": AGE,
        "tight_years_ago": TIGHT_AGO,
        "loss": {"kg": LOSS_KG, "years": LOSS_YEARS},
        "circumstances": {"drier:outdoor_steel": True},
    }
    return told(job_on(made, CATALOGUE, **facts), *FINDINGS)


def expected_leaks(component: ComponentClass, since: float, until: float) -> float:
    """Weibull cumulative hazard between two ages, the mean rate quoted over ten years."""
    shape = component.age.weibull
    return float(10 * component.hazard.mean * ((until / 10) ** shape - (since / 10) ** shape))


def leak_chance(expected: float, gamma_shape: float, log_sd: float = 0.0) -> float:
    """1 - E exp(-expected x gamma x ratio), gamma with mean 1, ratio lognormal with median 1; by quadrature."""
    gamma = stats.gamma(gamma_shape, scale=1 / gamma_shape)

    def tight(ratio: float) -> float:
        value, _ = integrate.quad(
            lambda u: math.exp(-expected * ratio * gamma.ppf(u)), 0, 1, epsabs=1e-11, epsrel=1e-11, limit=200
        )
        return float(value)

    if log_sd == 0:
        return 1 - tight(1.0)
    points, weights = np.polynomial.hermite_e.hermegauss(24)
    mixed = sum(w * tight(math.exp(log_sd * p)) for p, w in zip(points, weights, strict=True))
    return 1 - float(mixed / weights.sum())


def prior(name: str, factor: float, cap_missing: bool) -> Array:
    """(STATES,): tight, or leaking with each size and mode."""
    component = CATALOGUE.components[CLASSES[name]]
    ratios: list[Exposure] = []
    if name == "core" and cap_missing:
        ratios.append(CATALOGUE.exposures["cap_missing"])
    if name == "drier":
        ratios.append(CATALOGUE.exposures["outdoor_steel"])
    expected = expected_leaks(component, AGE - TIGHT_AGO, AGE) * (factor if name != "drier" else 1.0)
    spread = sum(exposure.ratio.log_sd**2 for exposure in ratios) ** 0.5
    leaks = leak_chance(expected * math.prod(e.ratio.median for e in ratios), component.hazard.gamma_shape, spread)
    edges = np.sqrt(SIZES[1:] * SIZES[:-1])
    below = stats.lognorm.cdf(edges, s=component.size.log_sd, scale=component.size.median)
    near, running = (CATALOGUE.numbers[f"mode_{mode}_share"] for mode in ("near_highest", "while_running"))
    sizes = (1 - near - running) * np.diff([0.0, *below, 1.0])
    return np.concatenate([[1 - leaks], leaks * sizes, [leaks * near, leaks * running]])


def opens_at(name: str) -> float:
    """Pa that opens what only the highest pressure opens: running at 20 C outdoors on the liquid line; standing on the
    suction line, which running makes cold."""
    return FLUID.bubble_pressure(273.15 + 20 + 15) if name == "core" else FLUID.dew_pressure(273.15 + 20)


def grams(name: str, pressure_pa: float, celsius: float, phase: str, running: bool = False) -> Array:
    """(STATES,): g/yr to the air from each state."""
    rate = leak_rate(HOLES, FLUID, pressure_pa, 101325.0, celsius + 273.15, phase)  # type: ignore[arg-type]
    is_open = np.array([True, True, True, pressure_pa >= opens_at(name), running])
    return np.concatenate([[0.0], is_open * rate * 1000 * SECONDS])


def over_the_year(name: str) -> Array:
    """(STATES,): one fifth running at 30 C outdoors, else standing at 15 C; 22 C indoors."""
    standing = grams(name, FLUID.dew_pressure(273.15 + 15), 15, "vapour")
    if name == "core":
        return 0.2 * grams(name, FLUID.bubble_pressure(273.15 + 30 + 15), 30, "liquid", True) + 0.8 * standing
    return 0.2 * grams(name, FLUID.dew_pressure(273.15 + 22 - 19), 30, "vapour", True) + 0.8 * standing


NOW = {name: grams(name, FLUID.dew_pressure(273.15 + 22), 24, "vapour") for name in SITES}  # g/yr standing, by state
NOW_GAS = NOW["core"] / (1000 * SECONDS) / FLUID.molar_mass * 8.314462618 * 293.15  # Pa m3/s at 20 C


def curve(grade: Grade, lapse: float, rate: Array) -> Array:
    """P(at least this grade), by state; nothing where nothing leaks."""
    power = rate**grade.slope
    return np.asarray((1 - lapse) * power / (power + grade.rate50**grade.slope))


def reach(method: Method, name: str) -> float:
    """Chance that the spot can be reached by the method, or by the one whose reach it shares."""
    owner = CATALOGUE.methods[method.reach_of or method.id]
    technique = owner.techniques.get(CLASSES[name])
    hidden = owner.unreachable if technique is None or technique.unreachable is None else technique.unreachable
    return 1 - hidden


def probe_findings(states: Sequence[int], false_alarm: float) -> float:
    """Silence at the core in still air and in a breeze, then a response of the sweep; one reach of the core for all.

    The breeze divides the rate by 6, to the power 1.4 on one day and 0.6 on another.
    """
    method = CATALOGUE.methods["probe_point"]
    grade, open_ = method.grades[0], reach(method, "core")
    still, bad, good = (
        1 - curve(grade, method.lapse, NOW["core"] / method.air["breeze"] ** power)[states[0]]
        for power in (0, 1.4, 0.6)
    )
    quiet = open_ * still * (bad + good) / 2
    within = quiet * any_response("probe_sweep", NOW, states, false_alarm, core_reach=1.0)
    beyond = (1 - open_) * any_response("probe_sweep", NOW, states, false_alarm, core_reach=0.0)
    return float((1 - grade.false_alarm) ** 2 * (within + beyond))


def slow_foam(core: int) -> float:
    """Foam, and nothing faster, from the leak or by itself."""
    method = CATALOGUE.methods["bubbles"]
    slow, fast = method.grades
    open_ = reach(method, "core")
    at_least = [open_ * curve(grade, method.lapse, NOW_GAS)[core] for grade in (slow, fast)]
    none = (1 - at_least[0]) * (1 - slow.false_alarm)
    not_fast = (1 - at_least[1]) * (1 - fast.false_alarm)
    return float(not_fast - none)


def any_response(
    method_id: str, rates: dict[str, Array], states: Sequence[int], false_alarm: float, core_reach: float | None = None
) -> float:
    """1 - P(nobody speaks); the two joints share their reach. ``core_reach``: whether the core is known to be open."""
    method = CATALOGUE.methods[method_id]
    miss = [
        1 - curve(method.grades[0], method.lapse, rates[name])[state] for name, state in zip(SITES, states, strict=True)
    ]
    open_ = {name: reach(method, name) for name in SITES}
    if core_reach is not None:
        open_["core"] = core_reach
    quiet = open_["core"] * miss[0] + 1 - open_["core"]
    quiet *= open_["joint 1"] * miss[1] * miss[2] + 1 - open_["joint 1"]
    quiet *= open_["drier"] * miss[3] + 1 - open_["drier"]
    return float(1 - (1 - false_alarm) * quiet)


def lost(name: str) -> Array:
    """(STATES, CHARGE_G + 1): chance of each gram that one leak has lost by now, the charge at most."""
    shape = CATALOGUE.components[CLASSES[name]].age.weibull
    begin, interval, now = AGE - TIGHT_AGO, AGE - LOSS_YEARS, AGE
    before = (interval**shape - begin**shape) / (now**shape - begin**shape)
    table = np.zeros((STATES, CHARGE_G + 1))
    for state, rate in enumerate(over_the_year(name)):
        most = rate * LOSS_YEARS
        table[state] = before * point(most) + (1 - before) * box(most)
    return table


def point(amount: float) -> Array:
    cells = np.zeros(CHARGE_G + 1)
    low = min(int(amount), CHARGE_G)
    share = amount - low if low < CHARGE_G else 0.0
    cells[low] += 1 - share
    if share:
        cells[low + 1] += share
    return cells


def box(most: float) -> Array:
    """Evenly between nothing and ``most``."""
    if most < 1e-9:
        return point(0.0)
    edges = np.clip(np.arange(CHARGE_G + 1) + 0.5, 0, most) / most
    return np.diff(np.concatenate([[0.0], edges[:-1], [1.0]]))


def added(one: Array, likelihood: Array) -> Array:
    """(CHARGE_G + 1,): the likelihood by grams that all others have lost; the sum stops at the charge."""
    ends = np.concatenate([likelihood, np.full(CHARGE_G, likelihood[-1])])
    return np.convolve(ends, one[::-1], mode="valid")


def loss_likelihood() -> Array:
    """(CHARGE_G + 1,): of the reported loss, by grams leaked; the first charge was put right long before."""
    error = math.hypot(0.2 * LOSS_KG * 1000, 50.0)
    missing = np.arange(CHARGE_G + 1)
    return np.asarray(0.99 * stats.norm.pdf(LOSS_KG * 1000, missing, error) + 0.01 / CHARGE_G)


def losses() -> dict[tuple[int, ...], float]:
    """By states of all sites, the likelihood of the loss."""
    tables, likelihood = {name: lost(name) for name in SITES}, loss_likelihood()
    chances: dict[tuple[int, ...], float] = {}
    for core, drier in product(range(STATES), repeat=2):
        rest = added(tables["core"][core], added(tables["drier"][drier], likelihood))
        for joint in range(STATES):
            last = tables["joint 2"] @ added(tables["joint 1"][joint], rest)
            chances.update({(core, joint, other, drier): float(last[other]) for other in range(STATES)})
    return chances


def posterior() -> tuple[dict[tuple[int, ...], float], float]:
    """By states of core, joints and drier their posterior, and the evidence of all that was found."""
    look = CATALOGUE.exposures["cap_missing"].look
    missing = CATALOGUE.exposures["cap_missing"].prevalence.value
    caps = {True: missing * (1 - look.sensitivity), False: (1 - missing) * look.specificity}
    oil = CATALOGUE.methods["oil_look"]
    old = next(cause.false_alarm for cause in oil.false_causes if cause.id == "old_oil")
    oil_alarm = 1 - (1 - oil.grades[0].false_alarm) * (1 - old)
    low = oil.low_side_share  # all but the core sit in the suction line
    yearly = {name: over_the_year(name) * (1 if name == "core" else low) for name in SITES}
    chances, weights = losses(), _weights(caps)
    sweep_alarm = CATALOGUE.methods["probe_sweep"].grades[0].false_alarm
    for states in weights:
        weights[states] *= chances[states] * slow_foam(states[0]) * probe_findings(states, sweep_alarm)
        weights[states] *= any_response("oil_look", yearly, states, oil_alarm)
    evidence = sum(weights.values())
    return {states: weight / evidence for states, weight in weights.items()}, evidence


def _weights(caps: dict[bool, float]) -> dict[tuple[int, ...], float]:
    """By states their prior, workmanship and the cap mixed in; three workmanship nodes of mean 1, as its file asks."""
    log_sd = CATALOGUE.shared["workmanship"].log_sd
    points, shares = np.polynomial.hermite_e.hermegauss(3)
    weights = dict.fromkeys(product(range(STATES), repeat=4), 0.0)
    for point, share in zip(points, shares / shares.sum(), strict=True):
        factor = math.exp(log_sd * point - log_sd**2 / 2)
        joint, drier = prior("joint 1", factor, False), prior("drier", factor, False)
        core = caps[True] * prior("core", factor, True) + caps[False] * prior("core", factor, False)
        for states in weights:
            weights[states] += share * core[states[0]] * joint[states[1]] * joint[states[2]] * drier[states[3]]
    return weights
