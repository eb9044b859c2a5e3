"""The optimum of a small case once more, by plain recursion over single findings: an oracle for the tables."""

from __future__ import annotations

from leakinfer.study.small.case import Case
from leakinfer.study.small.situation import SmallSituation, start


def brute_force(case: Case) -> float:
    """The least expected total cost."""

    def best(here: SmallSituation) -> float:
        ends = [float(case.stop(here.weight))]
        for test in here.left:
            trial = case.trials[test]
            chances = here.weight @ trial.answers
            later = sum(c * best(here.then(test, n)) for n, c in enumerate(chances) if c > 0)
            ends.append(float(case.change[here.now, trial.state] + trial.minutes + later))
        return min(ends)

    return best(start(case))
