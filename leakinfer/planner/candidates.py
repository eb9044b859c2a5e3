"""Every test that could be made, in every condition that helps it, and those that must not or cannot be, with why."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from msgspec.structs import replace

from leakinfer.catalogue.model import Method, State, Tier
from leakinfer.circuit.conditions import CARBON_DIOXIDE, CHARGED, UNDER_TEST_GAS, Condition
from leakinfer.circuit.model import WHOLE
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief, unsure
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.physics.refrigerants import refrigerant
from leakinfer.planner.model import Candidate, NotAllowed
from leakinfer.planner.setups import TIERS, barrier, ways, what_bars

GUARDED = "running: hands go behind a panel there; stop it and lock the power off first"


@dataclass(frozen=True)
class Reach:
    """The states that tests may be planned in. ``consent``: only those that the customer has agreed to; ``charging``:
    whether refrigerant may be charged."""

    job: Job
    consent: bool = True
    charging: bool = True

    def bars(self, tier: Tier, tools: tuple[str, ...]) -> str | None:
        """Why work may not be done: for want of tools, and of consent where that counts."""
        return barrier(self.job, tier if self.consent else TIERS[0], tools)

    @cached_property
    def states(self) -> frozenset[State]:
        """States that can be reached from the present one."""
        return frozenset(ways(self.job, consent=self.consent, charging=self.charging))

    @cached_property
    def heats(self) -> bool:
        """Whether the system can run in heating."""
        return all(section.heating_side != "none" for section in self.job.system.sections)

    @cached_property
    def conditions(self) -> dict[State, tuple[Condition, ...] | str]:
        """By state the conditions to plan in, or why there is none."""
        return {state: self._of_state(state) for state in self.states}

    def _of_state(self, state: State) -> tuple[Condition, ...] | str:
        """The whole circuit in a state; running in cooling and in heating, test gas at the lowest rating."""
        job = self.job
        present = job.condition()
        if state == present.state and state != "running":
            return (present,)
        if state in UNDER_TEST_GAS:
            try:
                return (replace(job.condition(state), test_kpa=planned_kpa(job)),)
            except InputError as error:
                return f"{error.what}; give it as a fact"
        modes = [job.condition(state, heating=heating) for heating in ((False, True) if self.heats else (False,))]
        if job.facts.refrigerant == CARBON_DIOXIDE and state != present.state:
            return "R-744: no pressure is assumed; bring the system there and read the gauges"
        return tuple(modes) if state == "running" else (job.condition(state),)

    def isolated(self, isolation: str, state: State) -> Condition | str:
        """Test gas in an isolation alone, at the lowest rating in there; or a vacuum."""
        job = self.job
        shut_in = job.facts.test_isolation == isolation and job.facts.state == state
        if shut_in:
            return job.condition()
        sections = job.sections_of(isolation)
        if state == "vacuum":
            return replace(job.condition(state), sections=sections)
        try:
            return replace(job.condition(state), test_kpa=planned_kpa(job, sections), sections=sections)
        except InputError as error:
            return f"{error.what}; give it as a fact"


def may_charge(belief: Belief) -> bool:
    """Whether the system is tight enough, as far as anyone knows, to be charged."""
    return belief.any_that_matters() < belief.job.catalogue.numbers["charging_risk"]


def planned_kpa(job: Job, sections: tuple[str, ...] = ()) -> float:
    """Test pressure to plan with: the lowest rating that it reaches, rounded down to what a gauge can be set to."""
    step, rating = job.catalogue.numbers["test_pressure_step_kpa"], job.rating_kpa(sections)
    if rating < step:
        raise InputError(f"a rating of {rating:g} kPa is too low for a test", where="ratings", allowed=f"{step:g} kPa")
    return rating // step * step


def possible(belief: Belief, *, consent: bool = True) -> tuple[list[Candidate], list[NotAllowed]]:
    """All candidates, and what is left out with its reason."""
    return possible_in(belief.job, charging=may_charge(belief), consent=consent)


def possible_in(job: Job, *, charging: bool, consent: bool = True) -> tuple[list[Candidate], list[NotAllowed]]:
    """As :func:`possible`, without a belief. ``charging``: whether refrigerant may be charged."""
    reach = Reach(job, consent, charging)
    allowed: list[Candidate] = []
    refused: list[NotAllowed] = []
    made = _no_news(job)
    for method in job.catalogue.methods.values():
        barred = _barred(job, method, reach)
        if barred:
            refused.append(NotAllowed(method.id, WHOLE, barred))
            continue
        for target in _targets(job, method):
            reason = _skipped(job, method, target) or job.hindrance(method, target)
            reason = reason or _shut_off_barred(job, method, target, reach)
            if reason:
                refused.append(NotAllowed(method.id, target, reason))
            else:
                fresh = [c for c in _with_conditions(job, method, target, reach) if _key(job, c) not in made]
                safe = [candidate for candidate in fresh if not _behind_a_guard(job, candidate)]
                allowed += safe
                if fresh and not safe:
                    refused.append(NotAllowed(method.id, target, GUARDED))
    return allowed, refused


def _behind_a_guard(job: Job, candidate: Candidate) -> bool:
    """Whether hands would go behind a panel while the system runs: there the power is locked off first."""
    if candidate.condition.state != "running" or not job.catalogue.methods[candidate.method].hands_in:
        return False
    return any(place.id == candidate.place and place.open_minutes > 0 for place in job.system.places)


def _key(job: Job, candidate: Candidate | Finding) -> tuple[object, ...]:
    """What makes a test the same as one before: all but small changes of temperature."""
    told, method = candidate.condition, job.catalogue.methods[candidate.method]
    if method.any_state:
        return candidate.method, candidate.target
    circuit = (told.state, told.heating, told.test_kpa, told.sections)
    return candidate.method, candidate.target, circuit, told.air, told.shroud


def _no_news(job: Job) -> frozenset[tuple[object, ...]]:
    """Tests of this visit, since when nothing was repaired, that would tell nothing new if they were made again at
    once: those that said nothing, and looks at what stays as it is."""
    methods = job.catalogue.methods
    return frozenset(
        _key(job, finding)
        for finding in job.findings[job.turns[-1] :]
        if methods[finding.method].any_state or finding.outcome == methods[finding.method].silent
    )


def _barred(job: Job, method: Method, reach: Reach) -> str | None:
    """Why a method cannot be used at all now: safety first, then consent and tools, then the state of the system."""
    if method.ignites and refrigerant(job.facts.refrigerant).flammable:
        return f"{job.facts.refrigerant} burns: no spark and no flame"
    needs = [job.catalogue.setups[aid] for aid in method.needs if aid not in job.facts.aids]
    tools = (*method.tools, *(tool for aid in needs for tool in aid.tools))
    for tier in (method.tier, *(aid.tier for aid in needs)):
        reason = reach.bars(tier, tools)
        if reason:
            return reason
    if needs and job.facts.state not in CHARGED:
        return f"{needs[0].name}: with a charged system only"
    if method.any_state:
        return None
    reasons = [found for state in method.states if isinstance(found := reach.conditions.get(state), str)]
    if any(isinstance(reach.conditions.get(state), tuple) for state in method.states):
        return None
    return reasons[0] if reasons else what_bars(job, method.states[0])


def _targets(job: Job, method: Method) -> tuple[str, ...]:
    """Targets worth listing: circumstances that are facts already are left out."""
    return tuple(unsure(job)) if method.kind == "exposure" else job.targets(method)


def _with_conditions(job: Job, method: Method, target: str, reach: Reach) -> Iterator[Candidate]:
    """A test in each condition that changes what it can tell."""
    place = job.place_of(method.id, target)
    if method.any_state:
        yield Candidate(method.id, target, job.condition(), place)
        return
    for state in method.states:
        found = reach.conditions.get(state)
        if method.kind == "hold" and target != WHOLE and state in reach.states:
            alone = reach.isolated(target, state)
            found = alone if isinstance(alone, str) else (alone,)
        for condition in () if found is None or isinstance(found, str) else found:
            if method.kind == "hold" and condition.sections != job.sections_of(target):
                continue  # the whole is not held as long as the gas is shut into a part
            yield Candidate(method.id, target, condition, place)
            if _shroud_helps(reach, method, place, condition):
                yield Candidate(method.id, target, replace(condition, shroud=True), place)


def _shut_off_barred(job: Job, method: Method, target: str, reach: Reach) -> str | None:
    """Why an isolation cannot be shut off for a hold now: no consent or no tools; None if it can or need not be."""
    if method.kind != "hold" or target in (WHOLE, job.facts.test_isolation):
        return None
    aid = job.catalogue.setups[f"isolate_{next(part.by for part in job.system.isolations if part.id == target)}"]
    return reach.bars(aid.tier, aid.tools)


def _shroud_helps(reach: Reach, method: Method, place: str | None, condition: Condition) -> bool:
    """Whether the air moves where the test is made, the method gains by a shroud, and there is one."""
    job = reach.job
    if condition.state == "running":  # nobody wraps what must breathe
        return False
    if "shroud" not in method.aided_by or place is None or job.air_at(place, condition) == "still":
        return False
    aid = job.catalogue.setups["shroud"]
    return reach.bars(aid.tier, aid.tools) is None


def _skipped(job: Job, method: Method, target: str) -> str | None:
    """The person's reason for leaving it out, of the test, its target or its place."""
    for skip in job.skips:
        if skip.method in (None, method.id) and skip.target in (target, job.place_of(method.id, target)):
            return f"left out: {skip.reason}"
    return None


def cautions(job: Job, texts: tuple[str, ...]) -> tuple[str, ...]:
    """Cautions that apply here: those of flammable refrigerants only for them, and first."""
    flammable = refrigerant(job.facts.refrigerant).flammable
    burning = [text for text in texts if text.startswith("Flammable")]
    rest = [text for text in texts if not text.startswith("Flammable")]
    return (*(burning if flammable else []), *rest)
