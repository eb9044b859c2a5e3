"""A job's parts in the words of the trade."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

from msgspec import structs

from leakinfer.job.belief import Belief
from leakinfer.job.events import AIRED, FINDING, REPAIR, RETURN, SITE, SKIP, Told
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.verdicts import Verdict
from leakinfer.job.why import surprise, surprise_words
from leakinfer.physics.units import ATMOSPHERE, kg_to_ounce, pa_to_micron, pa_to_psig
from leakinfer.words.numbers import percent, rate
from leakinfer.words.units import Units

LIKELY = 0.5  # more likely than not is called likely
NOT_CHECKED = "not checked"
SiteWord: TypeAlias = Literal["confirmed", "likely", "silent", "unclear", "unchecked"]
SITE_WORDS: Mapping[SiteWord, str] = {
    "confirmed": "confirmed",
    "likely": "likely here",
    "silent": "nothing detectable",
    "unclear": "cannot tell yet",
    "unchecked": NOT_CHECKED,
}


def method_words(job: Job, method: str) -> str:
    """The method's name."""
    return job.catalogue.methods[method].name


def place_words(job: Job, place: str | None) -> str:
    """The name of a place; a dash for a test that has none."""
    return next((part.name for part in job.system.places if part.id == place), "-")


def part_words(job: Job, target: str) -> str:
    """The name of a site or a repair unit."""
    units = {unit.id: unit.name for unit in job.system.units}
    return units.get(target) or job.target_name(target)


def test_words(job: Job, method: str, target: str) -> str:
    """``core of the suction port, bubble solution``."""
    return f"{job.target_name(target)}, {method_words(job, method)}"


def outcome_words(outcome: str) -> str:
    """An outcome without underscores."""
    return outcome.replace("_", " ")


def chances(outcomes: Mapping[str, float], silent: str, join: str) -> str:
    """The chance of each outcome, those that speak for a leak first."""
    speaking = [name for name in outcomes if name != silent]
    return join.join(f"{outcome_words(name)} {percent(outcomes[name])}" for name in (*speaking, silent))


def finding_words(job: Job, finding: Finding) -> str:
    """A finding with its conditions."""
    weight = f" ({reading})" if (reading := reading_words(finding)) else ""
    when = "before this job" if finding.earlier else condition_words(job, finding)
    words = f"{test_words(job, finding.method, finding.target)}: {outcome_words(finding.outcome)}{weight}"
    causes = {cause.id: cause.name for cause in job.catalogue.methods[finding.method].false_causes}
    there = "".join(f", with {causes[name]}" for name in finding.false_causes)
    return f"{words}{there}" + (f" ({when})" if when else "")


def reading_words(finding: Finding, units: Units | None = None) -> str:
    """What was read, in short; empty where nothing was. In a person's units, else metric with psi beside kPa."""
    if finding.reading_kg is not None:
        return units.mass_words(finding.reading_kg) if units else f"{finding.reading_kg:g} kg"
    if (hold := finding.hold) is not None:
        pressure = units.pressure_words if units else pressure_words
        ends = f"{pressure(hold.start_kpa)} to {pressure(hold.end_kpa)}"
        warmth = f"{hold.start_c:.3g} to {hold.end_c:.3g} C"
        if units:
            warmth = f"{units.temperature_words(hold.start_c)} to {units.temperature_words(hold.end_c)}"
        return f"{ends} in {time_words(hold.hours)}, {warmth}"
    if (rise := finding.rise) is not None:
        ends = f"{pa_to_micron(rise.start_pa):.0f} to {pa_to_micron(rise.end_pa):.0f} micron"
        return f"{ends} in {time_words(rise.minutes / 60)}"
    if (gathered := finding.gathered) is not None:
        return f"{gathered.start_ppm:g} to {gathered.end_ppm:g} ppm in {time_words(gathered.minutes / 60)}"
    return ""


def condition_words(job: Job, finding: Finding) -> str:
    """The state of the system and the air at the place of a finding; nothing where they do not matter."""
    method = job.catalogue.methods[finding.method]
    place = job.place_of(finding.method, finding.target)
    if method.any_state or method.kind == "total":
        return ""
    air = job.air_at(place, finding.condition) if place else finding.condition.air
    return str(structs.replace(finding.condition, air=air).words)


def time_words(hours: float) -> str:
    """Hours as ``50 min``, ``6 h``, ``3 days``: two figures, the longer the unit the longer the time."""
    for unit, size, least in (("days", 24.0, 48.0), ("h", 1.0, 1.0)):
        if hours >= least:
            return f"{float(f'{hours / size:.2g}'):g} {unit}"
    return f"{max(1, round(hours * 60))} min"


def years_words(years: float) -> str:
    """``6 months`` or ``2.5 years``."""
    months = years * 12
    return f"{months:.2g} months" if months < 23.5 else f"{years:.3g} years"


def weight_words(kg: float) -> str:
    """``300 g (10.6 oz)``."""
    metric = f"{kg * 1000:.3g} g" if kg < 1 else f"{kg:.3g} kg"
    return f"{metric} ({kg_to_ounce(kg):.3g} oz)"


def verdict_words(job: Job, verdict: Verdict, finding: Finding) -> str:
    """A reading's verdict in a sentence or two."""
    where = f"of {job.facts.refrigerant} at rest at {verdict.standing_c:.3g} C"
    if verdict.g_per_year is None or verdict.tight_to_g_per_year is None:
        return (
            "Leaks." if verdict.word == "leaks" else "Cannot tell yet: nothing beyond what the gauge's errors explain."
        )
    most, matters = rate(verdict.tight_to_g_per_year), rate(verdict.matters_g_per_year)
    if verdict.word == "leaks":
        return f"Leaks: as much as about {rate(verdict.g_per_year)} {where}."
    if verdict.word == "tight":
        return f"Tight to {most} {where}; from {matters} on it matters."
    if verdict.word == "moisture":
        again = "dry nitrogen in, pull the vacuum again"
        return f"Moisture explains the rise: {again}. A leak of up to {most} stays possible."
    return f"Cannot tell yet: up to {most} {where} stays possible, {matters} matters. {_longer(verdict, finding)}"


def _longer(verdict: Verdict, finding: Finding) -> str:
    """What would tell."""
    if finding.hold is None:
        return "Longer, or a smaller part, tells more."
    if verdict.hours is None:
        return "No hold of this volume with this gauge shows that: a finer gauge, or a smaller part."
    return f"To see that it must last {time_words(verdict.hours)}; a finer gauge or a smaller part needs less."


def event_words(job: Job, event: Told) -> str:
    """An event of the journal in a line; the job is that in which it was told, or one that still has its parts."""
    body = event.body
    target = str(body.get("target") or body.get("place") or "")
    if event.kind == FINDING:
        return f"{body['method']} {target}: {outcome_words(str(body['outcome']))}"
    if event.kind == SKIP:
        return f"left out {target}, {body['reason']}"
    if event.kind == SITE:
        return f"own place {body['id']}"
    if event.kind == REPAIR:
        return f"{'part exchanged' if body.get('exchanged') else 'repaired'} at {target}"
    if event.kind == AIRED:
        return f"aired {place_words(job, target)}"
    if event.kind == RETURN:
        return return_words(body)
    ended = ("heating", "test_kpa", "test_isolation", "high_kpa", "low_kpa") if "state" in body else ()
    told = [(key, value) for key, value in body.items() if value or key not in ended]
    return ", ".join(f"{key} = {_plain(value)}" for key, value in told)


def return_words(body: Mapping[str, object]) -> str:
    """A later visit in a line."""
    missing = body.get("missing_kg")
    words = f"visit {years_words(float(str(body['years'])))} after the one before"
    words += "" if missing is None else f", {weight_words(float(str(missing)))} missing"
    return words + ("" if body.get("recharged", True) else ", the charge had not been put right")


def _plain(value: object) -> str:
    if isinstance(value, dict):
        return " ".join(f"{key} {_plain(part)}" for key, part in value.items() if part is not None)
    if isinstance(value, list | tuple):
        return " ".join(map(_plain, value)) or "none"
    return "none" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)


@dataclass(frozen=True)
class SiteVerdict:
    """What is known of a site.

    ``repaired``: it was, and is not confirmed again. ``last``: the last of its tests, where all were silent.
    """

    word: SiteWord
    repaired: bool = False
    last: str = ""

    @property
    def brief(self) -> str:
        """``repaired, nothing detectable``: without the test."""
        return f"{'repaired, ' if self.repaired else ''}{SITE_WORDS[self.word]}"

    @property
    def words(self) -> str:
        """All of it."""
        return f"{self.brief} ({self.last})" if self.last else self.brief


def site_verdicts(belief: Belief) -> dict[str, str]:
    """By site, what is known of it in words."""
    return {site: verdict.words for site, verdict in judged_sites(belief).items()}


def judged_sites(belief: Belief) -> dict[str, SiteVerdict]:
    """By site, what is known of it; only tests since its last repair speak."""
    job = belief.job
    repaired = repairs_of(job)
    tests: dict[str, list[Finding]] = {}
    for number, finding in enumerate(job.findings):
        for site in _tested(job, finding):
            if number >= repaired.get(site, 0):
                tests.setdefault(site, []).append(finding)
    confirmed = set(belief.confirmed())
    chances = belief.matters_probability
    return {
        site.id: SiteVerdict("confirmed")
        if site.id in confirmed
        else _judged(job, chances[site.id], tests.get(site.id, []), repaired=site.id in repaired)
        for site in job.sites
    }


def repairs_of(job: Job) -> dict[str, int]:
    """By site, how many findings were made before its last repair."""
    return {site.id: done.after for done in job.repairs for site in job.sites if done.target in (site.id, site.unit)}


def _judged(job: Job, chance: float, tests: list[Finding], *, repaired: bool) -> SiteVerdict:
    if chance >= LIKELY:
        return SiteVerdict("likely", repaired)
    if not tests:
        return SiteVerdict("unchecked", repaired)
    if any(test.outcome != job.catalogue.methods[test.method].silent for test in tests):
        return SiteVerdict("unclear", repaired)
    last = tests[-1]
    return SiteVerdict("silent", repaired, f"{method_words(job, last.method)}, {condition_words(job, last)}")


def _tested(job: Job, finding: Finding) -> list[str]:
    """The sites that a finding is a test of, or of the air round them; a look for oil or a weight is not."""
    method = job.catalogue.methods[finding.method]
    named = method.kind in ("point", "sweep") and not method.lasting
    return [site.id for site in job.scope(method, finding.target)] if named else []


def surprising(before: Job, finding: Finding) -> tuple[float, str] | None:
    """The chance that was given to a finding and what could explain it, if it was a surprise."""
    chance = surprise(before, finding)
    return None if chance is None else (chance, surprise_words(before, finding))


def said_again(job: Job) -> str:
    """A word on the last finding where it is a look that says what it has said before; else empty."""
    last = len(job.findings) - 1
    finding = job.findings[last]
    counted = any(number == last for number, _ in job.standing_findings)
    if counted or finding.target in job.facts.circumstances:
        return ""
    return "The same look has said so before: it counts once."


def fact_rows(job: Job) -> list[tuple[str, str]]:
    """The facts of a job, name and words."""
    facts = job.facts
    weighed = ", weighed in" if facts.first_charge_weighed else ""
    rows = [("system", job.system.name), ("charge", f"{facts.charge_kg:.4g} kg of {facts.refrigerant}{weighed}")]
    rows.append(("age", f"{facts.age_years:.3g} years"))
    if facts.tight_years_ago is not None:
        rows.append(("proved tight", f"{facts.tight_years_ago:.3g} years ago"))
    if facts.loss is not None:
        yearly = rate(facts.loss.kg * 1000 / facts.loss.years)
        rows.append(("lost", f"{facts.loss.kg:.3g} kg in {facts.loss.years:.3g} years, about {yearly}"))
    rows += [("seen" if there else "not there", job.target_name(n)) for n, there in facts.circumstances.items()]
    rows += [("not fitted", job.target_name(site)) for site in facts.not_fitted]
    rows += [("operator", "not seen at work yet")] * facts.untried_operator
    return rows + _present_rows(job)


def _present_rows(job: Job) -> list[tuple[str, str]]:
    """What may change during a job."""
    facts = job.facts
    warmth = f"{facts.outdoor_c:.3g} C outdoors, {facts.indoor_c:.3g} C indoors"
    shut_in = f", in {job.target_name(facts.test_isolation)}" if facts.test_isolation else ""
    rows = [("now", f"{job.condition().words}{shut_in}, {warmth}"), ("gauges", _gauges(job))]
    ratings = {"high side": facts.rating_high_kpa, "low side": facts.rating_low_kpa}
    plate = [f"{side} {pressure_words(kpa)}" for side, kpa in ratings.items() if kpa is not None]
    rows += [("rated", ", ".join(plate))] if plate else []
    rows += [("inside", f"{facts.volume_l:.3g} l")] if facts.volume_l is not None else []
    rows.append(("agreed to", f"{facts.consent} work"))
    rows += [("time left", f"{facts.minutes_left:.0f} min")] if facts.minutes_left is not None else []
    rows += [("not on van", job.catalogue.tools[tool].name) for tool in facts.not_on_van]
    rows += [("in place", aid) for aid in facts.aids]
    rows += [("noticed", job.catalogue.advice[name].name) for name in facts.seen]
    rows += [("also there", outcome_words(cause)) for cause in facts.false_causes]
    rows += [("repaired", part_words(job, done.target)) for done in job.repairs]
    rows += [("came back", return_words(structs.asdict(later))) for later in job.returns]
    return rows + ([("you are at", place_words(job, facts.place))] if facts.place else [])


def _gauges(job: Job) -> str:
    """Whether hoses are on, and what the gauges show."""
    shown = {"high side": job.facts.high_kpa, "low side": job.facts.low_kpa}
    read = [f"{side} {pressure_words(kpa)}" for side, kpa in shown.items() if kpa is not None]
    return ", ".join(["on" if job.facts.gauges else "off", *read])


def pressure_words(kpa: float) -> str:
    """``1,600 kPa (232 psi)``; gauge."""
    return f"{kpa:,.0f} kPa ({pa_to_psig(kpa * 1000 + ATMOSPHERE):.0f} psi)"
