"""Every policy beside the optimum of small cases, exact over the whole tree."""

from __future__ import annotations

import numpy as np
import pytest

from leakinfer.study.model import Policy, Situation
from leakinfer.study.policies import POLICIES
from leakinfer.study.small import regrets
from leakinfer.study.small.case import Case
from leakinfer.study.small.cases import make_cases
from leakinfer.study.small.optimum import first_costs, optimum
from leakinfer.study.small.situation import SmallSituation, cost_of

CLOSE = 1e-9
QUICK = [name for name in POLICIES if name != "two_step"]


class Optimal:
    """Solves what is left of the case at every point of it."""

    name = "optimal"

    def choose(self, here: Situation) -> int | None:
        assert isinstance(here, SmallSituation)
        case = here.case
        left = tuple(case.trials[test] for test in here.left)
        rest = Case(here.weight, case.missed, case.wrong, left, case.change, here.now)
        costs = first_costs(rest) if left else np.array([np.inf])
        return int(np.argmin(costs)) if costs.min() < float(case.stop(here.weight)) else None


def test_the_optimal_policy_has_no_regret() -> None:
    (row,) = regrets([Optimal()], cases=6, seed=4)
    assert row.mean == pytest.approx(1, abs=CLOSE)
    assert row.worst == pytest.approx(1, abs=CLOSE)
    assert row.above == pytest.approx(0, abs=1e-6)
    assert row.within == 1


@pytest.mark.parametrize("name", QUICK)
def test_no_policy_beats_the_optimum(name: str) -> None:
    for case, best in make_cases(6, 5):
        assert cost_of(case, POLICIES[name].choose) >= best * (1 - CLOSE)


@pytest.mark.slow
def test_two_steps_do_not_beat_the_optimum_and_come_near() -> None:
    (row,) = regrets([POLICIES["two_step"]], cases=10, seed=6)
    assert 1 - CLOSE <= row.mean <= 1.03


def test_the_default_comes_nearer_than_fixed_lists_and_chance() -> None:
    """Exact expectations; nothing is drawn but the cases. Margins: half of what was measured on other cases."""
    worse = ("checklist", "coil_first", "walk_order", "random", "most_likely", "bits")
    row = {one.policy: one for one in regrets([POLICIES[n] for n in ("expected_cost", *worse)], cases=12, seed=7)}
    assert row["expected_cost"].mean <= 1.03
    for name in worse:
        assert row[name].mean > row["expected_cost"].mean + 0.03


def test_regrets_are_ratios_over_the_cases_by_hand() -> None:
    """To end at once costs the price of ending: a ratio that needs no policy of ours."""

    class Never:
        name = "never"

        def choose(self, here: Situation) -> int | None:
            return None

    cases = make_cases(5, 8)
    ratio = [float(case.stop(case.worlds)) / optimum(case) for case, _ in cases]
    (row,) = regrets([Never()], cases=5, seed=8)
    assert (row.policy, row.cases) == ("never", 5)
    assert row.mean == pytest.approx(np.mean(ratio))
    assert row.worst == pytest.approx(max(ratio))


def test_lots_differ_and_are_the_same_again() -> None:
    (case, _), *_ = make_cases(1, 9)
    random: Policy = POLICIES["random"]
    drawn = [cost_of(case, random.choose, lots=lots) for lots in range(8)]
    assert drawn == [cost_of(case, random.choose, lots=lots) for lots in range(8)]
    assert len(set(drawn)) > 1


def test_what_was_made_is_told_in_order_with_its_way() -> None:
    """Two states: the way there is part of a test's minutes when it is made from the other, and not again."""
    case = next(case for case, _ in make_cases(20, 10) if {trial.state for trial in case.trials} >= {0, 1})
    here = SmallSituation(case, (), 0)
    test = next(n for n, trial in enumerate(case.trials) if trial.state == 1)
    option, later = here.options[test], here.then(test, 1)
    assert option.minutes == pytest.approx(case.trials[test].minutes + case.change[0, 1])
    assert option.set_up == pytest.approx(case.change[0, 1])
    assert later.made[0].option == option
    assert later.made[0].responded
    assert later.place == option.place
    assert all(again.set_up == 0 for again in later.options if again.place == later.place)
