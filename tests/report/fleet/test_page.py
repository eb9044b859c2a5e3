"""The report page: everything inside, sound HTML, all that the file says, and no advice from a fit that failed."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace

from leakinfer.catalogue.learned import LearnedPriors, Moved
from leakinfer.errors import InputError
from leakinfer.report.fleet import parts, people
from leakinfer.report.fleet.movers import movers
from leakinfer.report.fleet.names import names_of
from leakinfer.report.fleet.page import MOST_MOVERS, fleet_page, moved_lists, write_page
from leakinfer.report.fleet.parts import Subject
from leakinfer.report.wording import figures, of_many, percent

from ..html import Reader, check_pictures, check_whole, read_page
from .example import CATALOGUE, LEFT_OUT, example, moved, untrusted

LEARNED = example()
NAMES = names_of(CATALOGUE)


def read(learned: LearnedPriors) -> Reader:
    return read_page(fleet_page(learned, CATALOGUE))


@pytest.fixture(scope="module")
def text() -> str:
    return fleet_page(LEARNED, CATALOGUE)


@pytest.fixture(scope="module")
def page(text: str) -> Reader:
    return read_page(text)


def test_the_page_is_whole_and_leads_nowhere(text: str) -> None:
    check_whole(text)


def test_every_picture_can_be_drawn_and_has_words(page: Reader) -> None:
    assert len(page.pictures) == 10
    check_pictures(page)


def test_everything_in_the_file_is_on_the_page_by_its_name(page: Reader) -> None:
    for part in LEARNED.component:
        assert NAMES.component(part.id) in page.text
    for around in LEARNED.exposure:
        assert NAMES.exposure(around.id) in page.text
    for way in LEARNED.method:
        assert NAMES.method(way.id) in page.text
    for word in ("Crew A & B", "Crew <north>", "Crew $ and $", "Builder not known", "our_own_kind"):
        assert word in page.text
    assert "Ductless split" in page.text
    for word in ("cap_plastic", "valve_core", "probe_point", "ductless_split"):
        assert word not in page.text
    assert f"Not in this fleet, so the shipped numbers stand: {NAMES.component(LEFT_OUT[0])}." in page.text


def test_the_origin_is_told(page: Reader) -> None:
    origin = LEARNED.provenance
    for word in ("1,204", "2014-03-02", "2026-10-30", origin.data, origin.shipped, "48,210", "317", "1.0040", "911"):
        assert word in page.text
    assert "pymc 5.28.0" in page.text
    assert "4 chains of 1,000" in page.text


def test_a_number_stands_in_its_row_with_its_unit(page: Reader) -> None:
    """2.6 times 0.0024 a year: 6.24 in 1,000, a factor 1.3 to either side."""
    row = re.search(r"Plastic cap on a port 60 1,500 (.*?) 98 %", page.text)
    assert row is not None
    assert row[1] == "6.2 4.8 to 8.1 2.4 2.6 times yes, up"
    assert "New leaks per 1,000 parts and year" in page.text


def test_a_page_from_a_fit_that_failed_warns_first_and_gives_no_advice(page: Reader) -> None:
    bad = read(untrusted())
    warning = "Do not act on this page: its numbers are not trusted."
    assert warning in bad.text
    assert warning not in page.text
    assert bad.text.index(warning) < bad.text.index("What moved")
    assert all(reason in bad.text for reason in untrusted().provenance.reasons)
    advice = [mover.do for mover in movers(LEARNED, NAMES)]
    assert any(do in page.text for do in advice)
    assert not any(do in bad.text for do in advice)


def test_reasons_are_not_needed_to_warn() -> None:
    silent = LearnedPriors(replace(untrusted().provenance, reasons=()), LEARNED.component[:1])
    assert "No reason is given." in read(silent).text


def test_what_moved_is_told_furthest_first_with_what_to_do() -> None:
    every = movers(LEARNED, NAMES)
    assert [abs(mover.size) for mover in every] == sorted((abs(mover.size) for mover in every), reverse=True)
    told = {(mover.about, mover.says): mover for mover in every}
    caps = told["Plastic cap on a port", "leaks begin 2.6 times as often as the shipped priors say"]
    assert (caps.clear, caps.range, caps.do) == (True, "2.0 to 3.4 times", "Check these earlier in a search.")
    flare = told["Flare joint", "leaks begin 0.45 times as often as the shipped priors say"]
    assert flare.do == "Check these later in a search, but do not leave them out."
    bends = told["Return bend of a coil", "a search finds 45 of 100 of the leaks that are there (shipped 80)"]
    assert (bends.searching, bends.range) == (True, "32 to 62 of 100")
    missing = told["Cap missing", "what it touches leaks 8.5 times as often as without it (shipped 5.0)"]
    assert missing.range == "6.8 to 11"
    lists = dict(moved_lists(every))
    assert all(mover.clear and len(found) <= MOST_MOVERS for found in lists.values() for mover in found)
    assert not any(mover.searching for mover in lists["Where to look"])
    assert all(mover.searching for mover in lists["How to look"])


def test_a_fleet_that_moved_nothing_says_so() -> None:
    def still(number: Moved) -> Moved:
        return Moved(number.shipped, number.shipped / 1.5, min(number.shipped * 1.5, 1.0), number.shipped)

    part = LEARNED.component[0]
    names = ("mean", "weibull", "size_median", "size_log_sd", "found_at_search")
    quiet = replace(part, **{name: still(getattr(part, name)) for name in names})
    learned = LearnedPriors(LEARNED.provenance, (quiet,))
    reader = read(learned)
    assert "No number moved clearly." in reader.text
    assert "Workmanship by installer" not in reader.text
    assert len(reader.pictures) == 4


def test_names_that_the_catalogue_does_not_know_are_refused(tmp_path: Path) -> None:
    strange = replace(LEARNED, component=(replace(LEARNED.component[0], id="warp_core"),))
    with pytest.raises(InputError, match=r"^a\.toml: component: unknown component class 'warp_core'"):
        write_page(strange, CATALOGUE, tmp_path / "page.html", "a.toml")
    assert list(tmp_path.iterdir()) == []


def test_the_same_file_gives_the_same_page(text: str) -> None:
    assert fleet_page(example(), CATALOGUE) == text


def test_the_rate_over_age_adds_up_to_the_cumulative_rate() -> None:
    """Closed form: the integral of the rate to an age is mean x reference x (age / reference)^weibull."""
    ages = np.linspace(1e-6, 12.0, 200_001)
    for weibull in (1.0, 1.8, 2.5):
        rate = parts.hazard(0.004, weibull, ages, 10.0)
        grown = float(np.sum((rate[1:] + rate[:-1]) / 2 * np.diff(ages)))
        assert grown == pytest.approx(0.004 * 10.0 * 1.2**weibull, rel=1e-6)


def test_the_chance_of_an_answer_has_its_known_points() -> None:
    """Half of what is in reach and not missed at ``rate50``, all of it far above, false alarms alone without a leak."""
    got = people.answer(np.array([1e-9, 5.0, 1e12]), 5.0, 2.0, 0.1, (0.2, 0.25))
    reach = 0.8 * 0.75
    expected = [0.1, 1 - 0.9 * (1 - reach / 2), 1 - 0.9 * (1 - reach)]
    assert got == pytest.approx(expected, rel=1e-9)


def test_flows_are_told_as_grams() -> None:
    """R-410A, 72.585 g/mol (handbook value, from memory): p V = n R T at 20 C over a year of 365.25 days."""
    one = 72.585 / (8.314462618 * 293.15) * 365.25 * 86400
    assert people.grams(CATALOGUE.methods["bubbles"]) == pytest.approx(one, rel=1e-4)
    assert people.grams(CATALOGUE.methods["probe_point"]) == 1.0


def test_share_of_the_data_is_that_of_the_conjugate_gamma() -> None:
    """Weight 4 and 60 leaks: 60 of 64 (gamma-Poisson, closed form)."""
    core = next(part for part in LEARNED.component if part.id == "valve_core")
    assert core.gamma_shape.shipped == 4.0
    assert parts.from_data(core) == 60 / 64


def test_rows_stand_in_order_of_effect() -> None:
    subject = Subject(LEARNED, CATALOGUE, NAMES)
    changes = [row[6] for row in parts.rates(subject).tables[0].rows]
    sizes = [abs(np.log(float(change.split()[0]))) for change in changes]
    assert all(first >= second - 0.05 for first, second in pairwise(sizes))
    found = [row[1] for row in parts.searches(subject).tables[0].rows]
    assert found[0] == "45 %"


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0.0, "0"),
        (2.14, "2.1"),
        (9.96, "10"),
        (12.3, "12"),
        (0.00123, "0.0012"),
        (174_250.0, "170,000"),
        (3e-6, "3.0e-06"),
    ],
)
def test_numbers_keep_two_figures(number: float, text: str) -> None:
    assert figures(number) == text


def test_shares_are_counted_out_of_the_same_number() -> None:
    assert of_many(0.45, 0.8) == ("45", "80 of 100")
    assert of_many(0.005, 0.31) == ("5", "310 of 1,000")
    assert of_many(0.0, 0.0004) == ("0", "4 of 10,000")
    assert [percent(share) for share in (0.0, 0.0042, 0.62, 0.999, 1.0)] == [
        "0 %",
        "0.42 %",
        "62 %",
        "above 99 %",
        "100 %",
    ]


def test_names_in_any_letters_are_on_the_page() -> None:
    """The picture's letters may lack some; no warning comes of it (here every warning is an error)."""
    firm = replace(LEARNED.installer[0], id="寒冷 & <b>söner</b>")
    reader = read(LearnedPriors(LEARNED.provenance, (), installer=(firm,)))
    assert "寒冷 & <b>söner</b>" in reader.text
    assert len(reader.pictures) == 1


def test_many_installers_are_cut_to_those_furthest_off() -> None:
    firm = LEARNED.installer[0]
    firms = tuple(replace(firm, id=f"Crew {n}", factor=moved(1.0, 1.0 + n / 50, 1.5)) for n in range(45))
    section = people.workmanship(Subject(replace(LEARNED, installer=firms), CATALOGUE, NAMES))
    rows = section.tables[0].rows
    assert [rows[0][0], len(rows)] == ["Crew 44", people.MOST_INSTALLERS]
    assert any("of 45" in text for text in section.says)
