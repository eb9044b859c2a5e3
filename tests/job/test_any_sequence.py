"""Whatever is told in whatever order: chances stay chances, the order of findings is no matter, undo takes back all.

``LEAKINFER_SEQUENCES=500`` tries so many sequences, other ones each time, in place of the few that are always the same.
"""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from msgspec import to_builtins

from leakinfer.circuit.model import System
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.events import AIRED, FACTS, FINDING, REPAIR, RETURN, begin_body, body_of, job_of
from leakinfer.job.job import Job
from leakinfer.planner.candidates import may_charge
from leakinfer.planner.plan import make_plan
from leakinfer.session.jobfile import opened, tell
from leakinfer.store import Event, create, live

from . import sequences
from .small import CATALOGUE

MORE = int(os.environ.get("LEAKINFER_SEQUENCES", "0"))
MOST_RETURNS = 1  # a job with more sums takes seconds a step
ENDS_A_RUN = (REPAIR, RETURN, AIRED)  # findings before tell of another system than those after
MAY_CONTRADICT = "impossible"  # the one reason to refuse a test that the planner allows


def answers(belief: Belief) -> dict[str, float]:
    """All that is said of a job, by name."""
    groups: dict[str, Mapping[str, float]] = {
        "leaks": belief.leak_probability,
        "matters": belief.matters_probability,
        "unit": belief.unit_probability,
        "grams": belief.expected_g_per_year,
        "there": {name: belief.circumstance(name) for name in belief.unsure},
    }
    told = {f"{group} {name}": value for group, values in groups.items() for name, value in values.items()}
    told |= {"any leak": belief.any_leak, "any at all": belief.any_at_all, "not a leak": belief.not_a_leak}
    return {**told, "evidence": belief.posterior.log_evidence}


def is_chance(value: float) -> bool:
    return 0.0 <= value <= 1.0


class Search(RuleBasedStateMachine):
    """One job file, and beside it what was answered after each event that still holds."""

    @initialize(begun=sequences.beginnings())
    def begin(self, begun: tuple[System, dict[str, Any]]) -> None:
        system, facts = begun
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name) / "job"
        create(self.path, begin_body(system, facts, CATALOGUE)).close()
        self.job, self.events = self.read()
        self.belief = Belief(self.job)
        self.past = [answers(self.belief)]
        self.planned: tuple[Event, ...] = ()

    def teardown(self) -> None:
        if hasattr(self, "folder"):
            self.folder.cleanup()

    def read(self) -> tuple[Job, tuple[Event, ...]]:
        with opened(self.path) as held:
            return held.job, tuple(live(held.journal.events()))

    def tell(self, kind: str, body: Mapping[str, Any]) -> str:
        """Tell the file one more event; the reason if it was refused, and then nothing was written."""
        try:
            with opened(self.path) as held:
                _, self.belief = tell(held, kind, body, where="told")
        except InputError as refused:
            assert self.read()[1] == self.events
            return refused.line()
        self.job, self.events = self.read()  # as another program would read it
        self.past.append(answers(self.belief))
        return ""

    @rule(data=st.data(), times=st.integers(1, 3))
    def test(self, data: st.DataObject, times: int) -> None:
        for _ in range(times):
            finding = data.draw(sequences.findings(self.job, may_charge(self.belief)))
            refused = self.tell(FINDING, body_of(finding))
            assert not refused or MAY_CONTRADICT in refused

    @rule(data=st.data(), kind=st.sampled_from([FACTS, FACTS, REPAIR, RETURN, "aside"]))
    def tell_what_is_no_test(self, data: st.DataObject, kind: str) -> None:
        if kind == FACTS:
            self.tell(FACTS, data.draw(sequences.facts(self.job)))  # what does not fit the others is refused
        elif kind == REPAIR:
            assert not self.tell(REPAIR, data.draw(sequences.repairs(self.job)))
        elif kind == "aside":
            assert not self.tell(*data.draw(sequences.asides(self.job)))
        elif len(self.job.returns) < MOST_RETURNS:
            refused = self.tell(RETURN, data.draw(sequences.returns(self.job)))
            assert not refused or MAY_CONTRADICT in refused

    @precondition(lambda self: len(self.past) > 1)
    @rule()
    def undo(self) -> None:
        with opened(self.path) as held:
            held.journal.undo_last("")
        self.past.pop()
        self.job, self.events = self.read()
        self.belief = Belief(self.job)
        assert answers(self.belief) == pytest.approx(self.past[-1], rel=1e-12, abs=1e-12)

    @precondition(lambda self: len(self.job.findings) > 1 and self.belief.exact)
    @rule(data=st.data())
    def tell_in_another_order(self, data: st.DataObject) -> None:
        """The findings of each run change places, where that is allowed: a port is gone once hoses are on."""
        other = reordered(self.events, data)
        try:
            job = job_of(other, CATALOGUE, "other").with_facts(to_builtins(self.job.facts))
        except InputError:
            return
        assert answers(Belief(job)) == pytest.approx(self.past[-1], rel=1e-9, abs=1e-9)

    @precondition(lambda self: self.planned != self.events)
    @rule()
    def plan(self) -> None:
        self.planned = self.events
        plan = make_plan(self.belief)
        for test in (*plan.next, *([plan.ask.first] if plan.ask else [])):
            assert all(map(math.isfinite, (test.cost, test.bits, test.minutes.total)))
            assert test.bits >= -1e-12
            assert test.minutes.total > 0
            assert all(map(is_chance, test.outcomes.values()))
            assert math.fsum(test.outcomes.values()) == pytest.approx(1.0, abs=1e-9)
        stop = plan.stop
        assert is_chance(stop.another)
        assert all(map(math.isfinite, (stop.at_stake, stop.worth, stop.expected_g_per_year)))

    @invariant()
    def chances_are_chances(self) -> None:
        told, belief = self.past[-1], self.belief
        grams = [value for name, value in told.items() if name.startswith("grams")]
        assert all(math.isfinite(value) and value >= 0 for value in grams)
        assert math.isfinite(told["evidence"])
        chances = {n: v for n, v in told.items() if not n.startswith("grams") and n != "evidence"}
        assert {name: value for name, value in chances.items() if not is_chance(value)} == {}
        self.unions_hold(belief)

    def unions_hold(self, belief: Belief) -> None:
        """P(any) lies between the greatest of its parts and their sum (Boole's inequality), for units and for all."""
        if not belief.exact:
            return
        leaks, matters = belief.leak_probability, belief.matters_probability
        parts: list[tuple[float, Iterable[float]]] = [(belief.any_leak, leaks.values())]
        parts += [(belief.any_at_all, matters.values())]
        parts += [(belief.unit_probability[u], [matters[s] for s in sites]) for u, sites in belief.units.items()]
        for whole, each in parts:
            found = list(each)
            assert max(found) - 1e-9 <= whole <= math.fsum(found) + 1e-9


def reordered(events: Sequence[Event], data: st.DataObject) -> list[Event]:
    """The events with the findings of each run in another order, at the places where findings were."""
    other = list(events)
    runs: list[list[int]] = [[]]
    for place, event in enumerate(events):
        if event.kind == FINDING:
            runs[-1].append(place)
        elif event.kind in ENDS_A_RUN:
            runs.append([])
    for run in runs:
        for place, taken in zip(run, data.draw(st.permutations(run)), strict=True):
            other[place] = events[taken]
    return other


TestAnySequence = Search.TestCase
TestAnySequence.settings = settings(
    max_examples=MORE or 24,
    stateful_step_count=12,
    derandomize=not MORE,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
)
