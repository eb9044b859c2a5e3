"""The shipped priors against rankings of the trade and against published totals, by simulating a fleet of splits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue
from leakinfer.catalogue.reader import load_catalogue

Floats = NDArray[np.float64]

SYSTEMS = 20_000
YEARS = 10.0
CHARGE = 3000.0  # g of R-410A, a usual ducted split (from memory)
NOTICED = 0.25  # share of the charge lost when someone calls for service (judgement)
VISIT = 14 / 365.25  # years until the visit (judgement)

# part, class, count, exposures that may touch it: one common ducted split with two coils of forty tubes
INVENTORY = (
    ("ports", "valve_core", 2, ("cap_missing", "cap_seal_lost", "recent_service")),
    ("ports", "cap_brass_seal", 2, ("cap_seal_lost", "recent_service")),
    ("outdoor coil", "fin_tube", 40, ("coastal_air",)),
    ("outdoor coil", "return_bend", 40, ()),
    ("outdoor coil", "coil_header", 2, ()),
    ("outdoor unit", "service_valve_body", 2, ("overheated_valve_body",)),
    ("outdoor unit", "service_valve_stem", 2, ()),
    ("outdoor unit", "cap_hex_metal", 2, ()),
    ("outdoor unit", "brazed_joint", 16, ()),
    ("outdoor unit", "drier_liquid", 1, ("outdoor_steel",)),
    ("outdoor unit", "compressor_shell", 1, ()),
    ("outdoor unit", "shell_underside", 1, ("leaf_litter",)),
    ("outdoor unit", "terminal_feedthrough", 1, ()),
    ("outdoor unit", "stub", 3, ("vibration",)),
    ("outdoor unit", "switch_brazed", 2, ()),
    ("outdoor unit", "tube_run", 4, ("tube_rubbing",)),
    ("indoor coil", "fin_tube", 40, ("indoor_vapours",)),
    ("indoor coil", "return_bend", 40, ()),
    ("indoor coil", "coil_header", 2, ()),
    ("indoor coil", "distributor", 1, ()),
    ("indoor coil", "capillary", 6, ("tube_rubbing",)),
    ("indoor coil", "metering_device", 1, ()),
    ("indoor coil", "brazed_joint", 8, ()),
    ("line set", "line_set", 1, ("insulation_wet",)),
    ("line set", "brazed_joint", 6, ()),
    ("elsewhere", "elsewhere", 1, ()),
)


@dataclass(frozen=True)
class Leaks:
    """Leaks of a fleet. ``part`` (n,) index into INVENTORY, ``start`` (n,) years, ``rate`` (n,) g/yr standing."""

    part: NDArray[np.int64]
    start: Floats
    rate: Floats


def grams_a_year(size: Floats) -> Floats:
    """Laminar leak of R-410A standing at 21.1 C, from the size in Pa m3/s of air, 1 bar to vacuum.

    q2 = q1 (eta1 / eta2) (pu2^2 - pd2^2) / (pu1^2 - pd1^2): EN 1779 annex, from memory. Pressure 14.9 bar absolute:
    R-410A chart, about 201 psig at 70 F. Viscosity at 20 C: air 18.21, R-410A 12.65 uPa s, M 72.585 g/mol (CoolProp).
    """
    flow = size * (18.21 / 12.65) * (14.9**2 - 1.013**2)
    return flow * 72.585 * 3.15576e7 / (8.314463 * 293.15)


def simulate(catalogue: Catalogue, rng: np.random.Generator) -> Leaks:
    """All leaks that begin in the first ten years of SYSTEMS equal new systems."""
    skill = catalogue.shared["workmanship"]
    factor = rng.lognormal(-(skill.log_sd**2) / 2, skill.log_sd, SYSTEMS)
    parts, starts, sizes = [], [], []
    for place, (_, name, count, exposures) in enumerate(INVENTORY):
        component = catalogue.components[name]
        hazard = np.full(SYSTEMS, component.hazard.mean) * (factor if name in skill.classes else 1.0)
        for exposure in (catalogue.exposures[each] for each in exposures):
            there = rng.random(SYSTEMS) < exposure.prevalence.value
            hazard *= np.where(there, rng.lognormal(np.log(exposure.ratio.median), exposure.ratio.log_sd, SYSTEMS), 1)
        number = int(rng.poisson(hazard * count * YEARS).sum())
        parts.append(np.full(number, place))
        starts.append(YEARS * rng.random(number) ** (1 / component.age.weibull))
        sizes.append(truncated(rng, component.size.median, component.size.log_sd, number, catalogue))
    return Leaks(np.concatenate(parts), np.concatenate(starts), grams_a_year(np.concatenate(sizes)))


def truncated(rng: np.random.Generator, median: float, log_sd: float, number: int, catalogue: Catalogue) -> Floats:
    """Lognormal sizes inside the grid, by drawing again."""
    sizes = rng.lognormal(np.log(median), log_sd, number)
    while (outside := (sizes < catalogue.sizes.least) | (sizes > catalogue.sizes.greatest)).any():
        sizes[outside] = rng.lognormal(np.log(median), log_sd, int(outside.sum()))
    return sizes


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture(scope="module")
def leaks(catalogue: Catalogue) -> Leaks:
    return simulate(catalogue, np.random.default_rng(20240607))


def by_part(leaks: Leaks) -> dict[str, int]:
    """Number of leaks by part of the system."""
    counts: dict[str, int] = {}
    for place, row in enumerate(INVENTORY):
        counts[row[0]] = counts.get(row[0], 0) + int((leaks.part == place).sum())
    return counts


def test_a_split_acquires_five_to_ten_leaks_in_a_hundred_years(leaks: Leaks) -> None:
    """Target: judgement. DECC 2014 (greenbuildingadvisor.com): 10 % of UK residential heat pumps had a detectable leak.

    Over 200 seeds: mean 0.0751, standard deviation 0.0007. False alarm below 1e-9.
    """
    assert 0.05 < len(leaks.rate) / (SYSTEMS * YEARS) < 0.10


def test_a_good_third_of_the_leaks_reach_thirty_grams_a_year(leaks: Leaks) -> None:
    """Found leaks, France 2014-15: 57 % near 5 g/yr, so 43 % are larger (AFCE, Cemafroid, Irstea).

    Over 200 seeds: mean 0.395, standard deviation 0.004. False alarm below 1e-9.
    """
    assert 0.25 < float(np.mean(leaks.rate >= 30.0)) < 0.5


def test_most_of_the_loss_comes_from_few_leaks(leaks: Leaks) -> None:
    """France 2014-15: 4 % of the leaks found carry 91.6 % of the mass (AFCE, Cemafroid, Irstea; iifiir.org).

    A guard, not a validation: the spreads were widened when an earlier set gave 64 %. Ours still carry less than the
    survey's, since the size grid ends at 90 kg/yr. Only leaks that a detector of about 3 g/yr finds are compared.
    Over 200 seeds: mean 0.680, standard deviation 0.016. False alarm below 1e-5.
    """
    found = np.sort(leaks.rate[leaks.rate >= 3.0])[::-1]
    share = float(found[: round(0.04 * found.size)].sum() / found.sum())
    assert 0.6 < share < 0.97


def test_yearly_loss_is_inside_the_published_ranges(leaks: Leaks) -> None:
    """Lowest: 0.54 % of charge a year, split AC, German contractors 2024 (ki-portal.de); highest: 10 %, IPCC 2006
    V3 Ch7 Table 7.9, residential and commercial AC (from memory; its low end is 1 %, which ours stays under).

    A leak runs until a quarter of the charge is gone and the visit two weeks later, is repaired, and the charge is
    made up; leaks are taken one by one. Over 200 seeds: mean 0.0058, standard deviation 0.0001. False alarm below 1e-3.
    """
    until_noticed = NOTICED * CHARGE / leaks.rate + VISIT
    lost = np.minimum(leaks.rate * np.minimum(until_noticed, YEARS - leaks.start), CHARGE)
    assert 0.0054 < lost.sum() / (SYSTEMS * YEARS * CHARGE) < 0.10


def test_parts_of_a_split_come_in_the_order_of_the_trade(leaks: Leaks) -> None:
    """Indoor coil, then ports, then outdoor coil (shares told by contractors and courses, low confidence).

    Over 200 seeds the two gaps are 870 and 2,780 leaks with standard deviations of about 110 and 80.
    False alarm below 1e-9.
    """
    counts = by_part(leaks)
    assert counts["indoor coil"] > counts["ports"] > counts["outdoor coil"]


def test_elsewhere_is_a_few_percent(leaks: Leaks) -> None:
    """Judgement: a place nobody listed keeps some weight but does not lead.

    Over 200 seeds: mean 0.040, standard deviation 0.002. False alarm below 1e-9.
    """
    assert 0.01 < by_part(leaks)["elsewhere"] / len(leaks.rate) < 0.08


def average_ratio(catalogue: Catalogue, name: str) -> float:
    """Mean factor of an exposure that nobody has looked at."""
    exposure = catalogue.exposures[name]
    mean = exposure.ratio.median * math.exp(exposure.ratio.log_sd**2 / 2)
    return 1 + exposure.prevalence.value * (mean - 1)


def test_core_and_cap_come_first_on_an_outdoor_unit(catalogue: Catalogue) -> None:
    """Common practice, no source: ports before anything else. At ten years the cumulative hazard is ten times the mean.

    Counted groups (coil, joints, tube runs) count as one site here, which is harder than one by one.
    """
    hazards: dict[tuple[str, str], float] = {}
    for part, name, count, exposures in INVENTORY:
        if part in ("ports", "outdoor coil", "outdoor unit"):
            factor = math.prod(average_ratio(catalogue, each) for each in exposures)
            each = catalogue.components[name].hazard.mean * factor
            hazards[part, name] = each if part == "ports" else each * count
    ranked = sorted(hazards, key=lambda key: -hazards[key])
    assert ranked[:2] == [("ports", "valve_core"), ("ports", "cap_brass_seal")]


def test_core_comes_first_at_every_middle_age_without_exposures(catalogue: Catalogue) -> None:
    """Common practice, no source. Cumulative hazard: mean * 10 * (age / 10)^shape, ages 5 to 15 years."""
    outdoors = {name for part, name, _, _ in INVENTORY if part in ("ports", "outdoor coil", "outdoor unit")}
    for age in (5.0, 10.0, 15.0):
        total = {
            name: catalogue.components[name].hazard.mean * 10 * (age / 10) ** catalogue.components[name].age.weibull
            for name in outdoors
        }
        assert max(total, key=lambda name: total[name]) == "valve_core"


def test_classes_rank_as_the_trade_has_it(catalogue: Catalogue) -> None:
    """Common practice, no source, except the flare: ETSU 1997 and trade press put flares far above brazed joints."""
    mean = {name: component.hazard.mean for name, component in catalogue.components.items()}
    assert mean["cap_plastic"] > mean["cap_brass_seal"] > mean["cap_hex_metal"]
    assert mean["flare"] > 10 * mean["brazed_joint"]
    assert mean["drier_suction"] > mean["drier_liquid"]
    assert mean["switch_screwed"] > mean["switch_brazed"]
    assert mean["shell_underside"] > mean["compressor_shell"]
    assert catalogue.components["brazed_joint"].age.weibull < 1 < catalogue.components["accumulator"].age.weibull


@pytest.mark.parametrize("flares", [4, 8])
def test_flares_lead_on_a_ductless_split(catalogue: Catalogue, flares: int) -> None:
    """Trade sources put flares at 40 to 60 % there (low confidence): above the one port and above both coils' bends."""
    mean = {name: component.hazard.mean for name, component in catalogue.components.items()}
    port = mean["valve_core"] * average_ratio(catalogue, "cap_missing") + mean["cap_brass_seal"]
    assert flares * mean["flare"] * average_ratio(catalogue, "flare_doubtful") > port
    assert flares * mean["flare"] > 40 * mean["return_bend"]


def test_no_exposure_lowers_a_hazard(catalogue: Catalogue) -> None:
    """Every circumstance listed is one that the trade counts as a reason to look there first."""
    assert all(exposure.ratio.median > 1 for exposure in catalogue.exposures.values())


def test_core_hazard_agrees_with_the_one_count(catalogue: Catalogue) -> None:
    """8 of 61 used cores leaked (Pistochini & McMurry 2024, doi 10.1080/23744731.2024.2370218, abstract).

    Without any cap the share leaking after nine years (age: judgement) must lie in the Jeffreys interval 0.064 to 0.232
    (computed from 8 of 61 with Beta(8.5, 53.5)).
    """
    core, missing = catalogue.components["valve_core"], catalogue.exposures["cap_missing"].ratio.median
    total = core.hazard.mean * missing * 10 * 0.9**core.age.weibull
    share = 1 - (1 + total / core.hazard.gamma_shape) ** -core.hazard.gamma_shape
    assert 0.064 < share < 0.232
