"""Sections on where the figures come from, how to get them again, and what they do not say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from leakinfer.report.section import Section, Table, listed
from leakinfer.report.study.subject import Subject
from leakinfer.report.wording import capital
from leakinfer.study.measures.resampling import DRAWS

ORIGIN = {
    "leakinfer": "Version of leakinfer",
    "numpy": "Version of NumPy",
    "priors": "Priors (SHA-256)",
    "files": "All number files (SHA-256)",
    "code": "Code that plays (SHA-256)",
    "own": "Ways of one's own (SHA-256)",
    "origin": "All of it with plan and worlds (SHA-256)",
}


def again(subject: Subject) -> Section:
    """The commands, the plan and the provenance."""
    found = subject.found
    plan = tuple(
        (capital(name.replace("_", " ")), _shown(value)) for name, value in found.plan.items() if value is not None
    )
    origin = tuple(
        (ORIGIN.get(name, capital(name)), _shown(value)) for name, value in found.provenance.items() if value
    )
    return Section(
        "again",
        "Again",
        "How to get these figures again",
        (
            "The folder of the study holds its plan. The same plan, seed, program and priors give the same tables, bit "
            "for bit, on any number of processes; the intervals come from a fixed seed too.",
        ),
        points=(
            "Play it: leakinfer study run study.toml --out FOLDER",
            "Write this page: leakinfer study report FOLDER --out PAGE.html",
        ),
        tables=(
            Table("The plan", ("", ""), plan, frozenset({1})),
            Table("Where the figures come from", ("", ""), origin, frozenset({1})),
        ),
    )


def _shown(value: Any) -> str:
    if isinstance(value, Mapping):
        return listed([f"{name}: {_shown(part)}" for name, part in value.items()])
    if isinstance(value, (list, tuple)):
        return listed([_shown(part) for part in value])
    return str(value)


def limits(subject: Subject) -> Section:
    """What the figures do not say."""
    return Section(
        "limits",
        "Limits",
        "What these figures do not say",
        (),
        points=(
            "The jobs are simulated. They show which way is better in worlds that were written down, not in all; "
            "where other worlds were played, their section shows how far that carries.",
            "In the world as believed the program's belief is right by construction. That its chances hold there shows "
            "that the calculation is right, not that its numbers are those of a real fleet.",
            "Minutes, prices and checklists are judgement, and so is what the worlds differ by. All of it is in plain "
            "files and can be changed.",
            "Nothing is repaired during a search, a job is one visit, and the tests are made as they are asked for.",
            f"Intervals come from drawing the jobs anew ({DRAWS:,} times, middle 95 %), of slopes from the normal "
            "distribution. With few jobs they are too narrow. Of twenty comparisons without a difference one looks "
            "clear.",
            "The median ratio leaves out jobs in which neither way confirmed all; their number is told beside it.",
            "A way of searching is no licence to work: local codes, the maker's instructions and the judgement of a "
            "licensed technician come first.",
        ),
    )
