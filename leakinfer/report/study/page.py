"""The page on a study: one HTML file with everything in it, for screen and paper."""

from __future__ import annotations

from pathlib import Path

from leakinfer.report.filling import filled
from leakinfer.report.section import Section
from leakinfer.report.study import comparing, differing, origin, trusting
from leakinfer.report.study.answer import answer, facts, more
from leakinfer.report.study.subject import Subject
from leakinfer.report.study.words import names_of
from leakinfer.study.measures import Results

TEMPLATE = "study/page.html"


def study_page(found: Results) -> str:
    """The page as HTML text. No link, script or picture in it leads out of it."""
    subject = Subject(found, names_of(found))
    parts = sections(subject)
    return filled(
        TEMPLATE,
        name=found.plan.get("name", ""),
        question=f"Ways of searching compared: is {subject.ours} the better one?",
        answer=answer(subject),
        more=more(subject),
        facts=facts(subject),
        links=[(part.id, part.short) for part in parts],
        sections=parts,
    )


def write_page(found: Results, path: Path) -> None:
    """Write the page to a file.

    Raises:
        OSError: the file cannot be written.
    """
    path.write_text(study_page(found), "utf-8", newline="\n")


def sections(subject: Subject) -> list[Section]:
    """All parts of the page below the answer; those that the study says nothing of are left out."""
    several = len(subject.found.policies) > 1
    parts = [
        comparing.policies(subject),
        comparing.same_jobs(subject) if several else None,
        comparing.minutes_curves(subject),
        trusting.chances(subject),
        trusting.stop_risk(subject),
        trusting.information(subject),
        differing.worlds(subject),
        differing.small_cases(subject),
        origin.again(subject),
        origin.limits(subject),
    ]
    return [part for part in parts if part is not None]
