"""Three sentences for the customer: what was found, what it means for the loss, and what comes next."""

from __future__ import annotations

from leakinfer.report.job.record import Leak, Record
from leakinfer.report.job.wording import hundredths, joined, times_words
from leakinfer.words.belief import ranked_units
from leakinfer.words.job import LIKELY, part_words
from leakinfer.words.numbers import percent
from leakinfer.words.plan import DEARER


def customer_words(record: Record) -> tuple[str, str, str]:
    """Found, lost, next."""
    return _found(record), _lost(record), _next(record)


def _found(record: Record) -> str:
    leaks = record.leaks
    if leaks:
        names = joined([f"the {leak.name}" for leak in leaks])
        return f"We found {times_words(len(leaks), 'leak', 'leaks')}, at {names}{_repaired(leaks)}."
    units = [unit for unit, chance in ranked_units(record.belief) if chance >= LIKELY]
    if not units:
        return "No leak has been found so far."
    chance = hundredths(record.belief.unit_probability[units[0]])
    return f"No leak is proved yet; the likeliest place is the {part_words(record.job, units[0])}, at {chance}."


def _repaired(leaks: tuple[Leak, ...]) -> str:
    done = sum(leak.repaired is not None for leak in leaks)
    if done == 0:
        return ", not repaired yet" if len(leaks) == 1 else ", none of them repaired yet"
    if done == len(leaks):
        return ", and it was repaired" if done == 1 else ", and they were repaired"
    return f", and {done} of them {'was' if done == 1 else 'were'} repaired"


def _lost(record: Record) -> str:
    seen = record.plan.stop.observed_g_per_year
    if seen is None or seen <= 0:
        return "How much refrigerant is missing has not been told, so nobody can say whether this is all of it."
    rate = record.units.rate_words(seen)
    share = min(1.0, record.explained_g_per_year / seen)
    if share <= 0:
        return f"The system has been losing about {rate} of refrigerant, and nothing found so far explains it."
    return (
        f"The system has been losing about {rate} of refrigerant; what was found explains about {percent(share)} of it."
    )


def _next(record: Record) -> str:
    stop, end = record.plan.stop, record.ending
    something = "something else" if record.leaks else "something"
    chance = f"the chance that {something} leaks is {hundredths(stop.another)}"
    look = f", and the charge should be looked at again by {end.watch_until}" if end.watch_until is not None else ""
    if end.word == "go on":
        return f"The search should go on, since {chance}."
    if end.word == "repair" and not (end.repair or end.prove):
        names = joined([f"the {part_words(record.job, unit)}" for unit in end.unproved])
        return f"We advise to repair {names}: {DEARER}{look}; {chance}."
    if end.word == "repair":
        return f"Next is the repair and its proof{look}; {chance}."
    if end.word == "replace the unit":
        names = joined([f"the {part_words(record.job, unit)}" for unit in end.replace])
        return f"We advise to replace {names}, whose leak cannot be placed more closely{look}; {chance}."
    if end.word == "watch":
        return f"No further test is worth its time now{look}; {chance}."
    return f"Nothing more needs to be done now; {chance}."
