"""Where the world is as believed, the belief tells the truth: simulation-based calibration over the whole way.

A true system is drawn forward, without the engine; tests at random are answered by it; the engine's posterior then must
be calibrated. Talts et al. 2018, arXiv 1804.06788, and Modrak et al. 2025 (the joint log-likelihood among the ranked
quantities), both from memory. Score tests of a calibration's intercept and slope: Cox 1958 (from memory); each job
counts once, since sites of one job hang together. Bounds of four standard deviations: false alarm 1 in 15,000 each.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from leakinfer.inference import LevelTest, Posterior, SwitchTest, Table, draw
from leakinfer.job.belief import Belief, there_name
from leakinfer.job.detection import DAY
from leakinfer.study.world import World
from tests.study.world.made import CATALOGUE, away, drawn, every_test

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
JOBS, TESTS, SEED = 200, 6, 31
WITHOUT_FLOWS = ("point", "sweep", "spot", "exposure", "total")  # quick to solve, so many jobs
KINDS = (*WITHOUT_FLOWS, "hold", "gather")
MANY_JOBS = 1500
BINS = 8


def played(kinds: tuple[str, ...], jobs: int) -> Iterator[tuple[World, Belief]]:
    """Worlds, and the beliefs after tests picked without looking at their worth; hoses end tests of ports."""
    rng = np.random.default_rng(SEED)
    for made in drawn(jobs, SEED):
        job = made.start.job
        tests = every_test(job, kinds)
        for place in rng.integers(len(tests), size=TESTS):
            if job.hindrance(CATALOGUE.methods[tests[place].method], tests[place].target) is None:
                job = job.with_finding(made.answer(job, tests[place], 1.0))
        yield made, Belief(job)


@cache
def told(kinds: tuple[str, ...], count: int) -> dict[str, tuple[Array, Array, Ints]]:
    """By what was told: chances, what was true, and the job, one for each site or circumstance. No belief is kept: a
    thousand of them would take gigabytes."""
    rows: dict[str, list[tuple[float, bool, int]]] = {"leaks": [], "matters": [], "circumstances": []}
    for number, (made, belief) in enumerate(played(kinds, count)):
        there = made.answers.nature.there
        rows["circumstances"] += [(belief.circumstance(name), bool(there[name]), number) for name in belief.unsure]
        for what, chance, really in (
            ("leaks", belief.leak_probability, made.leaking),
            ("matters", belief.matters_probability, made.matters),
        ):
            rows[what] += [(chance[site.id], site.id in really, number) for site in belief.job.sites]
    return {what: _columns(found) for what, found in rows.items()}


def _columns(rows: list[tuple[float, bool, int]]) -> tuple[Array, Array, Ints]:
    chances, true, jobs = zip(*rows, strict=True)
    return np.clip(np.array(chances), 1e-9, 1 - 1e-9), np.array(true, dtype=float), np.array(jobs)


@pytest.mark.slow
@pytest.mark.parametrize("what", ["leaks", "matters", "circumstances"])
def test_chances_come_true_as_often_as_they_say(what: str) -> None:
    chances, true, jobs = told(KINDS, JOBS)[what]
    odds = np.log(chances / (1 - chances))
    for name, weight in {"intercept": np.ones(odds.size), "slope": odds}.items():
        score = away(list(np.bincount(jobs, weights=weight * (true - chances))))
        assert abs(score) < 4, (name, score)
    slope, spread = _slope(odds, true, jobs)
    assert abs(slope - 1) < 4 * spread, (slope, spread)
    assert spread < 0.15, spread  # so that chances which are plainly too bold or too timid are seen
    error, chance_alone = _calibration_errors(chances, true)
    assert error < 2 * chance_alone, (error, chance_alone)


@pytest.mark.slow
def test_a_slope_that_is_off_by_a_seventh_would_be_seen() -> None:
    """With so many jobs the bound of four standard deviations lies within 0.15 of one, by more than one of them."""
    chances, true, jobs = told(WITHOUT_FLOWS, MANY_JOBS)["leaks"]
    slope, spread = _slope(np.log(chances / (1 - chances)), true, jobs)
    assert 5 * spread < 0.15, (slope, spread)
    assert abs(slope - 1) < 4 * spread, (slope, spread)


def _slope(odds: Array, true: Array, jobs: Ints) -> tuple[float, float]:
    """Of the truth on the told odds, and its standard deviation by the scatter of whole jobs (Huber 1967, White 1982,
    from memory)."""
    line = optimize.minimize(lambda line: -_log_likelihood(line[0] + line[1] * odds, true), (0.0, 1.0)).x
    by = np.stack([np.ones(odds.size), odds], axis=1)  # (sites, 2)
    fitted = 1 / (1 + np.exp(-by @ line))
    scores = np.stack([np.bincount(jobs, weights=column * (true - fitted)) for column in by.T], axis=1)  # (jobs, 2)
    bread = np.linalg.inv((by * (fitted * (1 - fitted))[:, None]).T @ by)
    return float(line[1]), float(np.sqrt((bread @ scores.T @ scores @ bread)[1, 1]))


def _calibration_errors(chances: Array, true: Array) -> tuple[float, float]:
    """Expected calibration error in ten bins of equal size, and what chance alone gives on average: of each bin the
    mean of |normal|, sqrt(2 / pi) of its standard deviation. Twice that is some four standard deviations above it."""
    bins = np.array_split(np.argsort(chances), 10)
    error = sum(abs(float((true[part] - chances[part]).sum())) for part in bins) / chances.size
    spread = sum(np.sqrt((chances[part] * (1 - chances[part])).sum()) for part in bins) / chances.size
    return error, float(np.sqrt(2 / np.pi) * spread)


def _log_likelihood(odds: Array, true: Array) -> float:
    return float((true * odds - np.logaddexp(0, odds)).sum())


@pytest.mark.slow
def test_the_truth_ranks_evenly_among_draws() -> None:
    # number of leaking copies, and the joint log-likelihood of all findings by level; 49 draws, ties at random
    rng, ranks = np.random.default_rng(32), {"leaks": list[int](), "log-likelihood": list[int]()}
    for made, belief in played(("point", "sweep", "spot", "exposure"), JOBS):
        assert isinstance(belief.posterior, Posterior)
        draws, (states, switches) = draw(belief.posterior, 49, rng), _true_states(made, belief)
        both = {name: np.concatenate([draws.states[name], copies]) for name, copies in states.items()}
        hidden = {name: np.append(values, switches.get(name, 0)) for name, values in draws.switches.items()}
        leaks = np.sum([(copies > 0).sum(1) for copies in both.values()], axis=0)
        for name, values in (("leaks", leaks), ("log-likelihood", _of_findings(belief, both, hidden))):
            noisy = values + 1e-9 * rng.random(values.size)
            ranks[name].append(int((noisy[:-1] < noisy[-1]).sum()))
    for name, found in ranks.items():
        counts = np.histogram(found, bins=BINS, range=(-0.5, 49.5))[0]
        expected = np.histogram(np.arange(50), bins=BINS, range=(-0.5, 49.5))[0] * len(found) / 50
        assert stats.chisquare(counts, expected).pvalue > 1e-4, name


def _true_states(made: World, belief: Belief) -> tuple[dict[str, Ints], dict[str, int]]:
    """Of the truth: (1, copies) by site, and the values of the switches that findings hang on."""
    answers, states, hidden = made.answers, dict[str, Ints](), dict[str, int]()
    for site in belief.job.sites:
        leaking = answers.nature.leaks.get(site.id, np.zeros(0, dtype=int))
        states[site.id] = np.concatenate([leaking, np.zeros(site.count - leaking.size, dtype=int)])[None]
    for item in belief.air.items():
        states[item.name] = np.zeros((1, 1), dtype=int)
    for switch in belief.model.switches:
        kind, _, rest = switch.name.partition(":")
        if kind == "blind":
            reach, _, site_id = rest.partition(":")
            hidden[switch.name] = int(answers.hides(CATALOGUE.methods[reach], belief.job.site(site_id)))
        elif switch.name.startswith(DAY):
            hidden[switch.name] = int(answers.lots.share("day", switch.name) >= 0.5)
    return states, hidden | {there_name(name): int(there) for name, there in answers.nature.there.items()}


def _of_findings(belief: Belief, states: dict[str, Ints], hidden: dict[str, Ints]) -> Array:
    """(draws,): log-likelihood of the findings by level and of the looks, by the definition of a noisy-MAX."""
    total = np.zeros(next(iter(states.values())).shape[0])
    for seen in belief.model.observations:
        test, outcome = seen.test, seen.outcome
        if isinstance(test, SwitchTest):
            total += np.log(test.likelihood[hidden[test.switch], outcome])
        elif isinstance(test, LevelTest):
            total += np.log(_at_most(test, outcome, states, hidden) - _at_most(test, outcome - 1, states, hidden))
    return total


def _at_most(test: LevelTest, level: int, states: dict[str, Ints], hidden: dict[str, Ints]) -> Array:
    """(draws,): P(no copy and nothing else shows more than a level)."""
    if level < 0:
        return np.zeros(1)
    found: Array = np.asarray(test.background[: level + 1].sum())
    for item, table in test.emit.items():
        found = found * _site_at_most(table, level, states[item], hidden)
    return found


def _site_at_most(table: Table, level: int, states: Ints, hidden: dict[str, Ints]) -> Array:
    """(draws,): the same of one site, whose copies are in ``states`` (draws, copies)."""
    rows = table.values[tuple(hidden[name] for name in table.switches)][..., : level + 1].sum(-1)
    by_draw = np.broadcast_to(rows, (states.shape[0], rows.shape[-1]))
    return np.asarray(np.take_along_axis(by_draw, states, axis=1).prod(1))
