"""A job's parts in the words of the trade."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

from msgspec import structs

from leakinfer.job.belief import Belief
from leakinfer.job.finding import Finding
from leakinfer.job.job import Job
from leakinfer.job.verdicts import Verdict
from leakinfer.job.why import surprise, surprise_words
from leakinfer.physics.units import pa_to_micron
from leakinfer.words.numbers import percent
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


def finding_words(job: Job, finding: Finding, units: Units) -> str:
    """A finding with its conditions."""
    weight = f" ({reading})" if (reading := reading_words(finding, units)) else ""
    when = "before this job" if finding.earlier else condition_words(job, finding, units)
    words = f"{test_words(job, finding.method, finding.target)}: {outcome_words(finding.outcome)}{weight}"
    causes = {cause.id: cause.name for cause in job.catalogue.methods[finding.method].false_causes}
    there = "".join(f", with {causes[name]}" for name in finding.false_causes)
    return f"{words}{there}" + (f" ({when})" if when else "")


def reading_words(finding: Finding, units: Units) -> str:
    """What was read, in short; empty where nothing was."""
    if finding.reading_kg is not None:
        return units.mass_words(finding.reading_kg)
    if (hold := finding.hold) is not None:
        ends = f"{units.gauge_words(hold.start_kpa)} to {units.gauge_words(hold.end_kpa)}"
        warmth = f"{units.temperature_words(hold.start_c)} to {units.temperature_words(hold.end_c)}"
        return f"{ends} in {time_words(hold.hours)}, {warmth}"
    if (rise := finding.rise) is not None:
        ends = f"{pa_to_micron(rise.start_pa):.0f} to {pa_to_micron(rise.end_pa):.0f} micron"
        return f"{ends} in {time_words(rise.minutes / 60)}"
    if (gathered := finding.gathered) is not None:
        return f"{gathered.start_ppm:g} to {gathered.end_ppm:g} ppm in {time_words(gathered.minutes / 60)}"
    return ""


def condition_words(job: Job, finding: Finding, units: Units) -> str:
    """The state of the system and the air at the place of a finding; nothing where they do not matter."""
    method = job.catalogue.methods[finding.method]
    place = job.place_of(finding.method, finding.target)
    if method.any_state or method.kind == "total":
        return ""
    air = job.air_at(place, finding.condition) if place else finding.condition.air
    return units.condition_words(structs.replace(finding.condition, air=air))


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


def verdict_words(job: Job, verdict: Verdict, finding: Finding, units: Units) -> str:
    """A reading's verdict in a sentence or two."""
    where = f"of {job.facts.refrigerant} at rest at {units.temperature_words(verdict.standing_c)}"
    if verdict.g_per_year is None or verdict.tight_to_g_per_year is None:
        return (
            "Leaks." if verdict.word == "leaks" else "Cannot tell yet: nothing beyond what the gauge's errors explain."
        )
    most, matters = units.rate_words(verdict.tight_to_g_per_year), units.rate_words(verdict.matters_g_per_year)
    if verdict.word == "leaks":
        return f"Leaks: as much as about {units.rate_words(verdict.g_per_year)} {where}."
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


def return_words(body: Mapping[str, object], units: Units) -> str:
    """A later visit in a line."""
    missing = body.get("missing_kg")
    words = f"visit {years_words(float(str(body['years'])))} after the one before"
    words += "" if missing is None else f", {units.mass_words(float(str(missing)))} missing"
    return words + ("" if body.get("recharged", True) else ", the charge had not been put right")


@dataclass(frozen=True)
class SiteVerdict:
    """What is known of a site.

    ``repaired``: it was, and is not confirmed again. ``last``: the last of its tests in words, where all were silent.
    """

    word: SiteWord
    repaired: bool = False
    last: Callable[[Units], str] | None = None

    @property
    def brief(self) -> str:
        """``repaired, nothing detectable``: without the test."""
        return f"{'repaired, ' if self.repaired else ''}{SITE_WORDS[self.word]}"

    def words(self, units: Units) -> str:
        """All of it."""
        return f"{self.brief} ({self.last(units)})" if self.last else self.brief


def site_verdicts(belief: Belief, units: Units) -> dict[str, str]:
    """By site, what is known of it in words."""
    return {site: verdict.words(units) for site, verdict in judged_sites(belief).items()}


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

    def words(units: Units) -> str:
        return f"{method_words(job, last.method)}, {condition_words(job, last, units)}"

    return SiteVerdict("silent", repaired, words)


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


def fact_rows(job: Job, units: Units) -> list[tuple[str, str]]:
    """The facts of a job, name and words."""
    facts = job.facts
    weighed = ", weighed in" if facts.first_charge_weighed else ""
    charge = f"{units.mass_words(facts.charge_kg)} of {facts.refrigerant}{weighed}"
    rows = [("system", job.system.name), ("charge", charge)]
    rows.append(("age", f"{facts.age_years:.3g} years"))
    if facts.tight_years_ago is not None:
        rows.append(("proved tight", f"{facts.tight_years_ago:.3g} years ago"))
    if facts.loss is not None:
        lost, years = facts.loss.kg, facts.loss.years
        yearly = units.rate_words(lost * 1000 / years)
        rows.append(("lost", f"{units.mass_words(lost)} in {years_words(years)}, about {yearly}"))
    rows += [("seen" if there else "not there", job.target_name(n)) for n, there in facts.circumstances.items()]
    rows += [("not fitted", job.target_name(site)) for site in facts.not_fitted]
    rows += [("operator", "not seen at work yet")] * facts.untried_operator
    return rows + _present_rows(job, units)


def _present_rows(job: Job, units: Units) -> list[tuple[str, str]]:
    """What may change during a job."""
    facts = job.facts
    warmth = f"{units.temperature_words(facts.outdoor_c)} outdoors, {units.temperature_words(facts.indoor_c)} indoors"
    shut_in = f", in {job.target_name(facts.test_isolation)}" if facts.test_isolation else ""
    gauges = ["on" if facts.gauges else "off", *_sides(units, facts.high_kpa, facts.low_kpa)]
    rows = [("now", f"{units.condition_words(job.condition())}{shut_in}, {warmth}"), ("gauges", ", ".join(gauges))]
    plate = _sides(units, facts.rating_high_kpa, facts.rating_low_kpa)
    rows += [("rated", ", ".join(plate))] if plate else []
    rows += [("inside", f"{facts.volume_l:.3g} l")] if facts.volume_l is not None else []
    rows.append(("agreed to", f"{facts.consent} work"))
    rows += [("time left", f"{facts.minutes_left:.0f} min")] if facts.minutes_left is not None else []
    rows += [("not on van", job.catalogue.tools[tool].name) for tool in facts.not_on_van]
    rows += [("in place", aid) for aid in facts.aids]
    rows += [("noticed", job.catalogue.advice[name].name) for name in facts.seen]
    rows += [("also there", outcome_words(cause)) for cause in facts.false_causes]
    rows += [("repaired", part_words(job, done.target)) for done in job.repairs]
    rows += [("came back", return_words(structs.asdict(later), units)) for later in job.returns]
    return rows + ([("you are at", place_words(job, facts.place))] if facts.place else [])


def _sides(units: Units, high: float | None, low: float | None) -> list[str]:
    """Pressures of the two sides, those that are known."""
    shown = {"high side": high, "low side": low}
    return [f"{side} {units.pressure_words(kpa)}" for side, kpa in shown.items() if kpa is not None]
