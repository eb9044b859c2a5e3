"""What a person may tell next of any job, drawn at random: tests with or without readings, facts, repairs, returns."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st
from msgspec import structs

from leakinfer.circuit.model import ELSEWHERE, Circumstance, Isolation, System
from leakinfer.errors import InputError
from leakinfer.job.events import AIRED, SITE, SKIP, body_of
from leakinfer.job.facts import circumstance_ids
from leakinfer.job.finding import Finding, Gathered, Hold, outcome_names
from leakinfer.job.job import Job
from leakinfer.planner.candidates import possible_in
from leakinfer.planner.model import Candidate
from leakinfer.session.readings import outcome_read

from .small import COIL, shipped_job, site, spot, system

Told = tuple[str, dict[str, Any]]  # the kind of an event and its body
AREAS = {
    "ductless_split": ("stop_valves", "behind_wall_unit"),
    "walk_in_cooler": ("compressor_space", "cooler_outside"),
}


def made_by_hand() -> System:
    """Five sites in two places, one of them counted, with all that a system can have."""
    return system(
        site("core", "valve_core", "liquid_line", exposures=("cap_missing",)),
        site("cap", "cap_brass_seal", "liquid_line"),
        site("flare", "flare", "suction", exposures=("flare_doubtful",)),
        site("bends", "return_bend", "suction", COIL, unit="coil", count=6),
        site("joint", "brazed_joint", "hot_gas", COIL, unit="coil"),
        site(ELSEWHERE, "elsewhere", "suction", COIL, unit=ELSEWHERE, view=False),
        circumstances=(Circumstance("seal_lost", "seal lost", "cap_seal_lost", ("core", "cap")),),
        spots=(spot("ground", "core", "cap", "flare"),),
        isolations=(Isolation("line", "liquid line", ("liquid_line",), "valves", 0.3),),
    )


def corner_of(name: str) -> tuple[System, dict[str, Any]]:
    """A shipped system with the facts that only a few of its areas are fitted."""
    job = shipped_job(name)
    out = [s.id for s in job.system.sites if s.zone not in AREAS[name] and s.id != ELSEWHERE]
    return job.system, {"not_fitted": out, "indoor_c": job.facts.indoor_c}


def beginnings() -> st.SearchStrategy[tuple[System, dict[str, Any]]]:
    """A system and its first facts."""
    systems = st.sampled_from(["by hand", *AREAS])
    known = st.fixed_dictionaries(
        {"consent": st.sampled_from(["standard", "intrusive"]), "age_years": st.sampled_from([0.5, 9.0, 30.0])},
        optional={"first_charge_weighed": st.booleans(), "untried_operator": st.booleans()},
    )

    def joined(name: str, facts: dict[str, Any]) -> tuple[System, dict[str, Any]]:
        made, own = (made_by_hand(), {}) if name == "by hand" else corner_of(name)
        return made, {**own, **facts}

    return st.builds(joined, systems, known)


def findings(job: Job, charging: bool) -> st.SearchStrategy[Finding]:
    """Any test that the planner might propose, with any outcome, or a reading where the method has one."""
    allowed = possible_in(job, charging=charging)[0]
    kinds = {job.catalogue.methods[one.method].kind for one in allowed}

    def of_kind(kind: str) -> st.SearchStrategy[Finding]:
        those = [one for one in allowed if job.catalogue.methods[one.method].kind == kind]
        return st.sampled_from(those).flatmap(lambda one: _answers(job, one))

    return st.sampled_from(sorted(kinds)).flatmap(of_kind)  # else most would be points


def _answers(job: Job, one: Candidate) -> st.SearchStrategy[Finding]:
    method, told = job.catalogue.methods[one.method], one.condition
    words = st.sampled_from(outcome_names(method)).map(lambda said: Finding(one.method, one.target, said, told))
    plain = Finding(one.method, one.target, method.silent, told)
    if method.kind == "total":
        kg = st.floats(0, 1.5).map(lambda share: round(share * job.facts.charge_kg, 3))
        weighed = kg.map(lambda kg: structs.replace(plain, reading_kg=kg, outcome=job.weight_outcome(method, kg)))
        return words | weighed
    if method.kind == "hold" and told.test_kpa > 0:
        return words | st.builds(lambda hold: _read(job, plain, hold=hold), _holds(told.test_kpa))
    if method.kind == "gather":
        ppm = st.sampled_from([0.0, 1.0, 40.0, 3000.0])
        gathered = st.builds(Gathered, st.just(100.0), st.sampled_from([5.0, 60.0]), st.just(0.0), ppm)
        return words | gathered.map(lambda reading: _read(job, plain, gathered=reading))
    return words


def _holds(start: float) -> st.SearchStrategy[Hold]:
    end = st.sampled_from([0.0, 1.0, 20.0, 0.5 * start]).map(lambda fall: max(start - fall, 0.0))
    return st.builds(
        Hold, st.just(start), end, st.just(24.0), st.sampled_from([24.0, 21.0]), st.sampled_from([1.0, 24.0])
    )


def _read(job: Job, plain: Finding, **reading: Any) -> Finding:
    """The finding with its reading and the word that the reading means; of an impossible reading the words alone."""
    finding = structs.replace(plain, **reading)
    try:
        return structs.replace(finding, outcome=outcome_read(job, finding) or plain.outcome)
    except InputError:
        return plain


def facts(job: Job) -> st.SearchStrategy[dict[str, Any]]:
    """One change of what is known or of how the system stands."""
    present = job.facts
    looked = {finding.target for finding in job.findings}
    open_ones = [name for name in circumstance_ids(job.system) if name not in looked]
    charged: list[dict[str, Any]] = [{"state": state, "test_kpa": 0.0} for state in ("running", "standing")]
    losses = st.fixed_dictionaries(
        {"kg": st.floats(0, 1.0).map(lambda s: s * present.charge_kg), "years": st.just(0.4)}
    )
    changes: list[st.SearchStrategy[dict[str, Any]]] = [
        st.sampled_from([{"air": air} for air in ("still", "breeze", "wind")]),
        st.sampled_from([{"outdoor_c": c} for c in (-5.0, 10.0, 35.0)]),
        st.sampled_from([{"gauges": False}, {"matters_g_per_year": 3.0}, {"minutes_left": 0.0}]),
        st.sampled_from([{"tight_years_ago": 0.3}, {"tight_years_ago": None}, {"false_causes": ["foam"]}]),
        losses.map(lambda loss: {"loss": loss}),
        st.sampled_from([*charged, {"state": "flat", "test_kpa": 0.0}]).map(
            lambda told: {**told, "test_isolation": None}
        ),
    ]
    if open_ones:
        there = st.tuples(st.sampled_from(open_ones), st.booleans())
        changes.append(there.map(lambda pair: {"circumstances": {**present.circumstances, pair[0]: pair[1]}}))
    return st.one_of(changes)


def repairs(job: Job) -> st.SearchStrategy[dict[str, Any]]:
    """A repair of any site or repair unit."""
    names = sorted({name for one in job.sites if one.id != ELSEWHERE for name in (one.id, one.unit)})
    return st.fixed_dictionaries({"target": st.sampled_from(names), "exchanged": st.booleans()})


def returns(job: Job) -> st.SearchStrategy[dict[str, Any]]:
    """A later visit, with or without a loss since."""
    missing = st.none() | st.floats(0, 1).map(lambda share: share * job.facts.charge_kg)
    recharged = st.fixed_dictionaries({"years": st.floats(0.01, 10), "missing_kg": missing})
    return recharged | st.just({"years": 1.0, "recharged": False})


def asides(job: Job) -> st.SearchStrategy[Told]:
    """What else may be told: a place aired, a place left out, a joint of one's own."""
    places, zone = st.sampled_from([place.id for place in job.system.places]), job.system.zones[0]
    own = site(f"own_{len(job.system.sites)}", "brazed_joint", job.system.sections[0].id, zone.id)
    aired: st.SearchStrategy[Told] = places.map(lambda place: (AIRED, {"place": place}))
    skipped: st.SearchStrategy[Told] = places.map(lambda place: (SKIP, {"target": place, "reason": "locked"}))
    return aired | skipped | st.just((SITE, body_of(structs.replace(own, place=zone.place, unit=""))))
