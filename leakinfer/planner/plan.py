"""Where next: all candidates scored, costed, put in order and given a reason."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from leakinfer.catalogue.model import Method, SetUp, State, Tier
from leakinfer.circuit.model import Site
from leakinfer.job.belief import Belief
from leakinfer.job.finding import outcome_names
from leakinfer.job.job import Job
from leakinfer.job.wording import percent
from leakinfer.planner.candidates import cautions
from leakinfer.planner.costs import steps_for
from leakinfer.planner.decision import Problem, Worth, of_nothing, weigh, weigh_ahead
from leakinfer.planner.information import Score
from leakinfer.planner.model import Ask, Candidate, Minutes, Objective, Plan, Ranked, Stop
from leakinfer.planner.problem import Doable, Scored, looking_ahead, make_problem, scored
from leakinfer.planner.setups import TIERS, Way
from leakinfer.planner.stop import least_saving, stopping

PAID_BACK = 0.5  # of its minutes, that a test must save to be made before hoses end it, at least; judgement
OWN_ORDERS: tuple[Objective, ...] = (
    "expected_cost",
    "two_step",
)  # the program's own orders; the others say what they go by
AHEAD = 4  # candidates whose outcomes are followed one step further, where that is asked for


@dataclass(frozen=True, eq=False)
class Weighed:
    """What all answers about a belief share: the candidates, what they tell and cost, the decision over them.

    ``worth``: of ending now and of each candidate, in one step and an estimate of what follows. ``weight``: see
    :func:`with_weight`.
    """

    belief: Belief
    found: Scored
    problem: Problem
    worth: Worth
    weight: float = 1.0


def weighed(belief: Belief, *, consent: bool = True, found: Doable | None = None) -> Weighed:
    """All candidates of a belief, weighed. ``consent``: only what the customer has agreed to. ``found``: what can be
    done, where that is known already."""
    told = scored(belief, consent=consent, found=found)
    problem = make_problem(belief, told, consent=consent)
    return Weighed(belief, told, problem, weigh(problem))


def with_weight(here: Weighed, weight: float) -> Weighed:
    """The same, where a leak that is left weighs ``weight`` times as much as the settings say."""
    problem = replace(here.problem, missed=weight / here.weight * here.problem.missed)
    return replace(here, problem=problem, worth=weigh(problem), weight=weight)


def make_plan(belief: Belief, objective: Objective = "expected_cost") -> Plan:
    """Every possible test in order of worth, what is not allowed, and whether to stop.

    The first test is what to do next, unless the word is to stop: what is likely is proved as soon as that is quick,
    and before the end in any case. Tests that connect hoses come last as long as a test of a port that hoses would end
    is worth its minutes. What the customer would have to be asked for is weighed by :func:`dearer_work`, not here.

    Raises:
        InputError: a refrigerant that nobody knows, in facts that were not made by ``start_facts``.

    Example:
        >>> from leakinfer import Belief, Job, load_catalogue, load_system, make_plan, start_facts
        >>> system = load_system("ductless_split")
        >>> job = Job(system, load_catalogue(), start_facts(system, {"loss": {"kg": 0.3, "years": 2}}, "my job"))
        >>> first = make_plan(Belief(job)).next[0]
        >>> first.candidate.method, first.candidate.target, first.minutes.total < 5
        ('probe_point', 'liquid_valve_flare', True)
    """
    return plan_by(weighed(belief), objective)


def plan_by(here: Weighed, objective: Objective) -> Plan:
    """The plan of a belief that is weighed already, by an objective."""
    belief, worth = here.belief, here.worth
    if objective == "two_step":
        worth = weigh_ahead(here.problem, looking_ahead(belief, here.found.candidates, here.weight), AHEAD)
    ranked = _ranked(here, worth)
    ranked.sort(key=_order(here, tuple(ranked), objective))
    stop = stopping(belief, ranked, worth)
    if stop.prove is not None and _proves_first(belief, stop, stop.prove, objective):
        ranked = [stop.prove, *(test for test in ranked if test.candidate != stop.prove.candidate)]
    return Plan(tuple(ranked), here.found.refused, stop, objective, None, meanwhile(ranked), _notes(belief))


def _proves_first(belief: Belief, stop: Stop, proof: Ranked, objective: Objective) -> bool:
    """Whether what is likely is proved next: when nothing else is worth its minutes, or, in the program's own order, at
    once where that is quick. It must be done before a repair anyhow, and a leak that is proved explains the loss."""
    quick = not proof.steps and proof.minutes.total <= belief.job.catalogue.numbers["prove_at_once_minutes"]
    return not stop.pays or (quick and objective in OWN_ORDERS)


def dearer_work(belief: Belief, plan: Plan) -> Plan:
    """The plan with what would be worth asking the customer for, if it saves more than the best that is allowed."""
    agreed = TIERS.index(belief.job.facts.consent)
    if agreed == len(TIERS) - 1:
        return plan
    wider = weighed(belief, consent=False)
    dearer = [test for test in _ranked(wider, wider.worth) if TIERS.index(_tier(belief, test)) > agreed]
    best = min(dearer, key=lambda test: test.cost, default=None)
    allowed = min([plan.stop.at_stake, *(test.cost for test in plan.next)])
    if best is None or allowed - best.cost <= least_saving(belief.job.catalogue.numbers, plan.stop.at_stake):
        return plan
    return replace(plan, ask=Ask(_tier(belief, best), best, allowed - best.cost))


def _tier(belief: Belief, test: Ranked) -> Tier:
    """The dearest tier of a test and of what comes before it."""
    own = belief.job.catalogue.methods[test.candidate.method].tier
    return max((own, *(step.tier for step in test.steps)), key=TIERS.index)


def _ranked(here: Weighed, worth: Worth) -> list[Ranked]:
    """All candidates with their worth, in no order."""
    found, words = here.found, Words(here.belief, here.found.ways)
    rows = zip(found.candidates, found.scores, found.costs, worth.costs.tolist(), strict=True)
    return [words.ranked(*each) for each in rows]


def _order(
    here: Weighed, ranked: Sequence[Ranked], objective: Objective
) -> Callable[[Ranked], tuple[bool, bool, float, float]]:
    """What the tests are sorted by: those with hoses last as long as they must wait, then by preference.

    Where all others cost clearly more than one with hoses, those that it waits for come first: else cheap tests that
    tell next to nothing would be made for ever, since they do not lower what it promises. A port that nobody has looked
    at is looked at; another way to look must save some of its minutes.
    """
    numbers, methods = here.belief.job.catalogue.numbers, here.belief.job.catalogue.methods
    close = CostBands([test.cost for test in ranked], numbers["cost_margin_share"])

    def hoses(test: Ranked) -> bool:
        return methods[test.candidate.method].gauges or any(step.gauges for step in test.steps)

    free = min((test.cost for test in ranked if not hoses(test)), default=math.inf)
    held = objective in OWN_ORDERS and close.band(free) > 0
    idle, seen = (of_nothing(here.problem), _looked_at(here.belief.job)) if held else (0.0, frozenset())

    def awaited(test: Ranked) -> bool:
        if not test.perishable or test.repeat:
            return False
        if test.candidate.target in seen:
            return test.cost - idle < (1 - PAID_BACK) * test.minutes.total
        return test.bits_per_minute > numbers["stop_bits_per_minute"]

    waiting = any(map(awaited, ranked))

    def order(test: Ranked) -> tuple[bool, bool, float, float]:
        value = preference(objective, test.cost, test.bits, test.bits_per_minute, close)
        return waiting and hoses(test), waiting and held and not awaited(test), *value

    return order


def _looked_at(job: Job) -> frozenset[str]:
    """Sites that a test looked at, by themselves or within their area."""
    seen = set[str]()
    for finding in job.findings:
        method = job.catalogue.methods[finding.method]
        if method.kind == "point":
            seen.add(finding.target)
        elif method.kind in ("sweep", "spot"):
            seen.update(site.id for site in job.scope(method, finding.target))
    return frozenset(seen)


class CostBands:
    """Which costs cannot be told apart by a forecast that is good for a share ``margin`` of them: bands of that width,
    from the least cost up."""

    def __init__(self, costs: Sequence[float], margin: float) -> None:
        self.least, self.width = min(costs, default=0.0), math.log1p(margin)

    def band(self, cost: float) -> float:
        """0 for the least costs, 1 for the next band of them; the cost itself where bands have no width."""
        if not (self.width > 0 and 0 < self.least <= cost < math.inf):
            return cost
        return math.floor(math.log(cost / self.least) / self.width)


def preference(
    objective: Objective, cost: float, bits: float, bits_per_minute: float, close: CostBands
) -> tuple[float, float]:
    """What tests are sorted by, the least first; costs that cannot be told apart, by bits a minute."""
    value = {"bits": -bits, "bits_per_minute": -bits_per_minute}.get(objective, close.band(cost))
    return value, -bits_per_minute


def meanwhile(ranked: Sequence[Ranked]) -> Ranked | None:
    """The best test with hands on, in the same state of the system, while the first one waits: it is ready as things
    are, or by what is set up for the first one."""
    if not ranked or ranked[0].minutes.waiting <= 0:
        return None
    first = ranked[0]
    there = first.candidate.condition
    for test in ranked[1:]:
        here = test.candidate.condition
        set_up = here.sections == there.sections and all(step in first.steps for step in test.steps)
        ready = here.state == there.state and (set_up or not test.steps)
        if ready and test.minutes.waiting == 0 and test.candidate.target != first.candidate.target:
            return test
    return None


def _notes(belief: Belief) -> tuple[str, ...]:
    """Places whose air is likely to be full of refrigerant, so that a probe places nothing there."""
    names = {place.id: place.name for place in belief.job.system.places}
    likely = belief.job.catalogue.numbers["fouled_air_told"]
    doubtful = belief.air.doubtful_now()
    fouled = [place for place, spell in doubtful if belief.posterior.switch(spell)[1] >= likely]
    return tuple(
        f"{names[place]}: the probe answers everywhere, so its answers place nothing; the air may be full of gas "
        "from one large leak. Leave, air the place until the probe falls silent in the middle of it, then go on, "
        "less sensitive; bubbles and the ear do not mind"
        for place in fouled
    )


class Words:
    """Scores with their minutes and words."""

    def __init__(self, belief: Belief, there: dict[State, Way]) -> None:
        self.belief, self.job, self.there = belief, belief.job, there
        methods = self.job.catalogue.methods
        self.warned = {name: cautions(self.job, method.cautions) for name, method in methods.items()}
        self.outcomes = {name: outcome_names(method) for name, method in methods.items()}
        self.made = Counter((finding.method, finding.target) for finding in self.job.findings)
        self.last = {(finding.target, finding.method): finding.outcome for finding in self.job.findings}
        self._there: dict[tuple[str, str], str] = {}
        self._warned_of: dict[tuple[str, tuple[SetUp, ...]], tuple[str, ...]] = {}

    def ranked(self, candidate: Candidate, score: Score, spent: Minutes, cost: float) -> Ranked:
        """The whole answer about one test."""
        job = self.job
        method = job.catalogue.methods[candidate.method]
        site = job.site(candidate.target) if method.kind == "point" else None
        technique = job.technique(method, site) if site else None
        times = self.made[candidate.method, candidate.target]
        steps = steps_for(job, candidate, self.there)
        hoses = job.facts.gauges or any(step.gauges for step in steps)
        perishable = bool(site and job.catalogue.components[site.component].port and not hoses)
        return Ranked(
            candidate=candidate,
            cost=cost,
            bits=score.information.bits,
            minutes=spent,
            outcomes=dict(zip(self.outcomes[candidate.method], score.information.outcomes.tolist(), strict=True)),
            reason=self._reason(candidate, method, site, perishable, times),
            how=technique.how if technique else self._how(candidate, method),
            spoils=technique.spoils if technique else "",
            cautions=self._cautions(candidate, steps),
            steps=steps,
            repeat=times,
            perishable=perishable,
        )

    def _cautions(self, candidate: Candidate, steps: tuple[SetUp, ...]) -> tuple[str, ...]:
        """What the test can do to people, and what the work before it can."""
        if not steps:
            return self.warned[candidate.method]
        key = (candidate.method, steps)
        if key not in self._warned_of:
            told = [text for step in steps for text in step.cautions]
            own = self.job.catalogue.methods[candidate.method].cautions
            self._warned_of[key] = cautions(self.job, tuple(dict.fromkeys((*told, *own))))
        return self._warned_of[key]

    def _how(self, candidate: Candidate, method: Method) -> str:
        """The method's own way; of a circumstance, what to look for."""
        if method.kind != "exposure":
            return method.how
        return self.job.catalogue.exposures[self.job.exposure_of[candidate.target]].signs

    def _reason(self, candidate: Candidate, method: Method, site: Site | None, perishable: bool, times: int) -> str:
        """One sentence in words of the trade."""
        key = (method.kind, candidate.target)
        if key not in self._there:
            self._there[key] = self._why_there(method, candidate.target)
        words = self._there[key]
        if perishable:
            words += "; look before hoses go on, they hide it"
        if times:
            words += f"; made {'once' if times == 1 else f'{times} times'} already, "
            silent = self.last[candidate.target, method.id] == method.silent
            words += "a repeat tells less" if silent else "see whether it answers again"
        if site and not self.belief.detection.fair(method, site, candidate.condition):
            words += "; pressure or temperature is low here, silence would say little"
        return words

    def _why_there(self, method: Method, target: str) -> str:
        belief = self.belief
        if method.kind == "hold":
            inside = (name for site in self.job.scope(method, target) for name in belief.items[site.id])
            chance = belief.any_of({name: belief.masks[name] for name in inside})
            return f"tells whether, not where; {percent(chance)} that a leak that matters is in there"
        if method.kind == "total":
            return (
                f"tells how much is missing, and so whether it leaks; {percent(belief.any_that_matters())} that it does"
            )
        if method.kind == "point":
            return f"{percent(belief.matters_probability[target])} chance of a leak that matters here"
        sites = self.job.scope(method, target)
        together = 1 - math.prod(1 - belief.matters_probability[site.id] for site in sites)
        if method.kind == "exposure":
            return f"a look changes the odds of {_places(sites)}, together about {percent(together)}"
        return f"takes in {_places(sites)} at once, together about {percent(together)}"


def _places(sites: tuple[Site, ...]) -> str:
    return sites[0].name if len(sites) == 1 else f"{len(sites)} places"
