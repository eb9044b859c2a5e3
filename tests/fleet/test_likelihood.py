"""The formulas of the likelihood against plain sums, numeric integration and simulated searches."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import integrate, stats

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.fleet.cells.model import BACKLOG, Cells
from leakinfer.fleet.ops import numpy_ops, tensor_ops
from leakinfer.fleet.rates.ages import band_hazards
from leakinfer.fleet.rates.data import HazardData, condensed, data_of, names_in
from leakinfer.fleet.rates.likelihood import expected, frailty, log_likelihood
from leakinfer.fleet.rates.priors import HazardPriors, priors_of
from leakinfer.fleet.settings import load_settings
from tests.fleet.made import cells_of

AGES = (0.0, 2.0, 5.0, 12.0)
YEAR = 365.25
DAYS = 36525


def small_cells() -> Cells:
    """Two classes in two kinds of system, one circumstance looked for or not, a missed search, a backlog, crews."""
    return cells_of(
        {
            "found": [
                ("flare", "ducted_split", "vibration", 1, 1, 6, 4, 1),
                ("return_bend", "walk_in_cooler", "", 0, 2, 3, 0, 0),
            ],
            "risk": [
                ("flare", "ducted_split", "vibration", 1, 1, "vibration", 1, 0, 0, DAYS),
                ("flare", "ducted_split", "vibration", 1, 1, "vibration?", 0, 1, 2, 2 * DAYS),
                ("return_bend", "walk_in_cooler", "", 0, 2, "", 2, 0, 0, 5 * DAYS),
                ("return_bend", "walk_in_cooler", "", 0, 2, "", BACKLOG, 2, 0, 700),
            ],
            "unplaced": [("ducted_split", 2)],
            "systems": [
                ("ducted_split", "crew one", 30, 0, 12, 4_800_000),
                ("ducted_split", "crew one", 30, 2, 3, 1_300_000),
                ("ducted_split", "", 28, 1, 5, 900_000),
            ],
            "sizes": [("flare", -26, 3), ("flare", -22, 1)],
            "looked": [("vibration", 40, 7)],
        },
        AGES,
    )


@pytest.fixture(scope="module")
def priors() -> HazardPriors:
    return priors_of(load_catalogue(), load_settings(), *names_in(small_cells()))


@pytest.fixture(scope="module")
def data(priors: HazardPriors) -> HazardData:
    return data_of(small_cells(), priors.classes, priors.exposures, priors.types)


def some_values(priors: HazardPriors, data: HazardData) -> dict[str, Any]:
    """Values with nothing equal to anything else."""
    return {
        "theta": np.array([1.3, 0.6]),
        "weibull": np.array([0.8, 1.4]),
        "type_log": np.array([0.2, -0.3]),
        "backlog": np.array([0.01, 0.004]),
        "size_median": np.array([2e-7, 5e-8]),
        "size_log_sd": np.array([2.1, 3.0]),
        "log_ratio": np.array([0.9]),
        "prevalence": np.array([0.2]),
        "found": np.array([0.7, 0.45]),
        "unknown_visit": 0.35,
        "placed": 0.8,
        "workmanship_sd": 0.6,
        "installer_sd": 0.4,
        "installer_log": np.full(len(data.installers), 0.25),
    }


def by_hand(priors: HazardPriors) -> dict[str, float]:
    """The expected leaks of both cells, written out from the definition."""
    share = [float(stats.lognorm.sf(priors.found_least, sd, scale=median)) for median, sd in ((2e-7, 2.1), (5e-8, 3.0))]
    flare, bend = priors.mean[0] * 1.3 * share[0], priors.mean[1] * 0.6 * share[1]

    def age(shape: float, low: float, high: float) -> float:
        return float(integrate.quad(lambda years: shape * (years / 10) ** (shape - 1) / (high - low), low, high)[0])

    ratio, doubt = np.exp(0.9), 1 + 0.2 * (np.exp(0.9) - 1)
    fresh = flare * age(0.8, 2, 5) * ratio * 100 * np.exp(0.2) * 0.7
    old = flare * age(0.8, 0, 2) * doubt * 200 * np.exp(0.2) * 0.7 * 0.3 * (1 - 0.35 * 0.7) ** 2
    bends = bend * age(1.4, 5, 12) * 500 * np.exp(-0.3) * 0.35 * 0.45
    backlog = 0.004 * share[1] * 700 * np.exp(-0.3) * 0.35 * 0.45 * 0.55**2
    return {
        "flare": 0.8 * (fresh + old),
        "flare_old": 0.8 * old,
        "bend": 0.8 * (bends + backlog),
        "bend_old": 0.8 * backlog,
    }


def test_expected_leaks_by_hand(priors: HazardPriors, data: HazardData) -> None:
    reached = expected(numpy_ops(), some_values(priors, data), data, priors)
    hand = by_hand(priors)
    assert reached.cell == pytest.approx([hand["flare"], hand["bend"]], rel=1e-9)
    assert reached.old == pytest.approx([hand["flare_old"], hand["bend_old"]], rel=1e-9)
    assert reached.type == pytest.approx([hand["flare"], hand["bend"]], rel=1e-9)
    assert reached.workmanship == pytest.approx([hand["flare"], 0.0], rel=1e-9)  # a bend is the factory's work


def test_joint_log_likelihood_by_hand(priors: HazardPriors, data: HazardData) -> None:
    values = some_values(priors, data)
    hand = by_hand(priors)
    total = stats.poisson.logpmf([6, 3], [hand["flare"], hand["bend"]]).sum() + np.log([720.0, 6.0]).sum()
    total += stats.binom.logpmf(1, 4, hand["flare_old"] / hand["flare"]) - np.log(4)
    bare = np.array([hand["flare"], hand["bend"]]) * 0.25
    total += 2 * np.log(bare[0]) - bare.sum()
    total += 7 * np.log(0.2) + 33 * np.log(0.8)
    spread = stats.norm(np.log(2e-7), 2.1)
    for place, leaks in ((-26, 3), (-22, 1)):
        inside = spread.sf(place / 4 * np.log(10)) - spread.sf((place + 1) / 4 * np.log(10))
        total += leaks * np.log(inside / spread.sf(np.log(priors.measured_least)))
    total += (
        data.groups.systems * frailty(numpy_ops(), values, data, expected(numpy_ops(), values, data, priors))
    ).sum()
    assert log_likelihood(numpy_ops(), values, data, priors) == pytest.approx(total, rel=1e-9)


def test_workmanship_against_numeric_integration(priors: HazardPriors, data: HazardData) -> None:
    """E[F^Y exp(-(F - 1) M)] over a lognormal with mean one, by adaptive quadrature."""
    values = some_values(priors, data)
    reached = expected(numpy_ops(), values, data, priors)
    found = frailty(numpy_ops(), values, data, reached)
    stretch = reached.workmanship[0] / data.groups.type_expected[0]
    for place in range(3):
        amount, leaks = data.groups.expected[place] * stretch, data.groups.leaks[place]
        known = data.groups.installer[place] >= 0
        shift, sd = (0.25, 0.6) if known else (0.0, np.hypot(0.6, 0.4))

        def inside(
            z: float, shift: float = shift, sd: float = sd, leaks: float = leaks, amount: float = amount
        ) -> float:
            factor = np.exp(shift + sd * z - sd**2 / 2)
            return float(factor**leaks * np.exp(-(factor - 1) * amount) * stats.norm.pdf(z))

        assert np.exp(found[place]) == pytest.approx(integrate.quad(inside, -9, 9)[0], rel=1e-5)


def test_tensors_give_the_same(priors: HazardPriors, data: HazardData) -> None:
    """One text of a formula, two libraries."""
    values = some_values(priors, data)
    plain = log_likelihood(numpy_ops(), values, data, priors)
    assert float(log_likelihood(tensor_ops(), _tensors(values), data, priors).eval()) == pytest.approx(plain, rel=1e-10)


def _tensors(values: dict[str, Any]) -> dict[str, Any]:
    import pytensor.tensor as pt

    return {name: pt.as_tensor_variable(np.asarray(value)) for name, value in values.items()}


def test_band_hazards_average_to_the_mean_of_ten_years() -> None:
    edges = np.array([0.0, 1.0, 4.0, 10.0, 30.0])
    bands = band_hazards(np.array([0.6, 1.0, 2.5]), edges, 10.0)
    assert bands[:, :3] @ np.diff(edges)[:3] == pytest.approx([10.0, 10.0, 10.0])
    assert bands[1] == pytest.approx(np.ones(4))


def test_empty_cells_add_nothing_but_their_time(priors: HazardPriors, data: HazardData) -> None:
    """A cell in which nothing was found lowers the likelihood by what it expects."""
    values = some_values(priors, data)
    none = replace(data, found=np.zeros(2), known_before=np.zeros(2), before=np.zeros(2))
    reached = expected(numpy_ops(), values, data, priors)
    gone = log_likelihood(numpy_ops(), values, data, priors) - log_likelihood(numpy_ops(), values, none, priors)
    share = reached.old[0] / reached.cell[0]
    told = 6 * np.log(reached.cell[0]) + 3 * np.log(reached.cell[1]) + np.log(share) + 3 * np.log(1 - share)
    assert gone == pytest.approx(told, rel=1e-9)


def test_condensed_data_have_the_same_likelihood(priors: HazardPriors, data: HazardData) -> None:
    """Empty cells of one class and type run together, the others stay."""
    more = dict(small_cells().tables)
    empty = [
        ("flare", "ducted_split", "", 1, 0, "", 0, 0, 0, DAYS),
        ("flare", "ducted_split", "", 1, 1, "", 0, 0, 0, 3 * DAYS),
        ("flare", "ducted_split", "", 1, 2, "", 0, 1, 0, 7 * DAYS),
    ]
    rows = [tuple(row) for row in more["risk"].itertuples(index=False)]
    wide = cells_of(
        {name: [tuple(row) for row in table.itertuples(index=False)] for name, table in more.items()}
        | {"risk": rows + empty},
        AGES,
    )
    whole = data_of(wide, priors.classes, priors.exposures, priors.types)
    small = condensed(whole)
    values = some_values(priors, whole)
    assert (whole.found.size, small.found.size, whole.amount.size, small.amount.size) == (5, 3, 7, 6)
    assert log_likelihood(numpy_ops(), values, small, priors) == pytest.approx(
        log_likelihood(numpy_ops(), values, whole, priors), rel=1e-12
    )
