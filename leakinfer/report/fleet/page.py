"""The page on a learned file: one HTML file with everything in it, for screen and paper."""

from __future__ import annotations

from pathlib import Path

from leakinfer.catalogue.laying import check_names
from leakinfer.catalogue.learned import LearnedPriors
from leakinfer.catalogue.model import Catalogue
from leakinfer.report.filling import filled
from leakinfer.report.fleet import origin, parts, people
from leakinfer.report.fleet.moved import is_clear, times
from leakinfer.report.fleet.movers import Mover, movers
from leakinfer.report.fleet.names import names_of
from leakinfer.report.fleet.parts import Subject
from leakinfer.report.section import Section
from leakinfer.report.wording import figures, percent

MOST_MOVERS = 8  # of each list
TEMPLATE = "fleet/page.html"


def fleet_page(learned: LearnedPriors, catalogue: Catalogue, where: str = "learned priors") -> str:
    """The page as HTML text. No link, script or picture in it leads out of it.

    Raises:
        InputError: the file names what the catalogue does not know; ``where`` names the file.
    """
    check_names(catalogue, learned, where)
    subject = Subject(learned, catalogue, names_of(catalogue))
    every = movers(learned, subject.names)
    lists = moved_lists(every)
    parts_ = sections(subject)
    return filled(
        TEMPLATE,
        origin=learned.provenance,
        facts=_facts(learned),
        links=[("moved", "What moved"), *((part.id, part.short) for part in parts_)],
        lists=lists,
        rest=_rest(every, sum(len(shown) for _, shown in lists)),
        level=_level(learned),
        sections=parts_,
    )


def write_page(learned: LearnedPriors, catalogue: Catalogue, path: Path, where: str = "learned priors") -> None:
    """Write the page to a file.

    Raises:
        InputError: as :func:`fleet_page`.
        OSError: the file cannot be written.
    """
    path.write_text(fleet_page(learned, catalogue, where), "utf-8", newline="\n")


def sections(subject: Subject) -> list[Section]:
    """All parts of the page below what moved; those that the file says nothing of are left out."""
    learned = subject.learned
    wanted = (
        (parts.rates, learned.component),
        (parts.circumstances, learned.exposure),
        (parts.ages, learned.component),
        (parts.sizes, learned.component),
        (people.workmanship, learned.installer),
        (people.systems, learned.system),
        (parts.searches, learned.component),
        (people.methods, learned.method),
        (origin.checks, learned.check),
    )
    told = [make(subject) for make, given in wanted if given]
    return [*told, origin.data(subject), origin.provenance(subject), origin.cautions()]


def _facts(learned: LearnedPriors) -> list[tuple[str, str]]:
    """The size of the fleet in a few figures."""
    origin_ = learned.provenance
    leaks = sum(part.leaks for part in learned.component)
    years = sum(part.component_years for part in learned.component)
    return [
        (f"{origin_.systems:,}", "systems"),
        (f"{leaks:,}", "leaks with a place"),
        (f"{years:,.0f}", "years of parts"),
        (f"{origin_.first_day} to {origin_.last_day}", "on record"),
    ]


def _level(learned: LearnedPriors) -> str:
    """The level of the whole fleet in a sentence."""
    level = learned.level
    if level is None:
        return ""
    span = f"{figures(level.low)} to {figures(level.high)}"
    told = f"All in all, leaks begin {figures(times(level))} times as often here as the shipped priors say ({span})"
    return f"{told}." if is_clear(level) else f"{told}; that may be chance."


def moved_lists(every: list[Mover]) -> list[tuple[str, list[Mover]]]:
    """What moved clearly, under a title: where leaks are, then how one searches; the furthest first, not all."""
    clear = [mover for mover in every if mover.clear]
    where = [mover for mover in clear if not mover.searching][:MOST_MOVERS]
    how = [mover for mover in clear if mover.searching][:MOST_MOVERS]
    return [(title, shown) for title, shown in (("Where to look", where), ("How to look", how)) if shown]


def _rest(every: list[Mover], shown_here: int) -> str:
    """What is in no list."""
    clear = sum(mover.clear for mover in every)
    more = clear - shown_here
    shown = f"{more} more numbers moved clearly, less far; the tables below have them. " if more > 0 else ""
    quiet = len(every) - clear
    share = percent(quiet / len(every)) if every else "none"
    return f"{shown}{quiet} of {len(every)} numbers ({share}) may have moved by chance only."
