"""The whole report as values; the page and the PDF show the same ones."""

from __future__ import annotations

from dataclasses import dataclass

from leakinfer.report.circuit.layout import BROAD, NARROW, loop_drawing
from leakinfer.report.circuit.legend import legend_drawing
from leakinfer.report.circuit.shapes import Drawing
from leakinfer.report.job.customer import customer_words
from leakinfer.report.job.leaks import found_section, remains_section, repairs_section
from leakinfer.report.job.rates import rates_section
from leakinfer.report.job.record import Record
from leakinfer.report.job.steps import cautions_section, limits_section, next_section, prevention_section
from leakinfer.report.job.told import told_section
from leakinfer.report.section import Section, Table
from leakinfer.words.job import fact_rows

CIRCUIT = "circuit"  # id of the section with the drawing
LANGUAGE = "en"


@dataclass(frozen=True)
class Report:
    """A report. ``customer``: three sentences for the customer.

    ``drawings``: of the circuit, for a small screen and for paper; ``signs``: what is drawn there.
    """

    title: str
    subtitle: str
    customer: tuple[str, str, str]
    sections: tuple[Section, ...]
    drawings: tuple[Drawing, Drawing]
    signs: Drawing


def report_of(record: Record) -> Report:
    """The report on a job."""
    told = [line.event.who for line in record.lines if line.event.who]
    people = f", by {', '.join(dict.fromkeys(told))}" if told else ""
    first, last = (record.lines[at].event.when[:10] for at in (0, -1))
    worked = first if first == last else f"{first} to {last}"
    narrow, broad = (loop_drawing(record.belief, frame=frame, units=record.units) for frame in (NARROW, BROAD))
    return Report(
        title=f"Leak search: {record.title}",
        subtitle=f"{record.job.system.name}. Entries of {worked}{people}. Reported on {record.today}.",
        customer=customer_words(record),
        sections=(
            found_section(record),
            remains_section(record),
            _circuit_section(),
            next_section(record),
            repairs_section(record),
            rates_section(record),
            told_section(record),
            _system_section(record),
            prevention_section(record),
            cautions_section(record),
            limits_section(record),
        ),
        drawings=(narrow, broad),
        signs=legend_drawing(record.belief),
    )


def _circuit_section() -> Section:
    says = "Numbers are those of the list above. A sign that is counted stands for places without a number."
    return Section(CIRCUIT, "Drawing", "The circuit", (says,))


def _system_section(record: Record) -> Section:
    facts = Table(
        "Facts of this job as they stand", ("", ""), tuple(fact_rows(record.job, record.units)), frozenset({1})
    )
    return Section("system", "System", "The system", (), tables=(facts,))
