"""The page on a study: everything inside, answer first, all that was found, and nothing said that was not."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from leakinfer.report.study.answer import answer, holds, more
from leakinfer.report.study.page import study_page, write_page
from leakinfer.report.study.subject import Subject
from leakinfer.report.study.words import change, known, names_of, points, share, told
from leakinfer.report.wording import percent
from leakinfer.study.measures import DEFAULT, EVERY, Interval, Results, results
from leakinfer.study.small import Regret

from ...study.measures.made import Tables, made
from ..html import Reader, check_pictures, check_whole, read_page

TABLES = made(60)
REGRETS = (Regret(DEFAULT, 10, 1.05, 1.31, 9.4, 0.6), Regret("checklist", 10, 1.42, 2.9, 81.0, 0.1))


@pytest.fixture(scope="module")
def found() -> Results:
    return results(TABLES, REGRETS)


@pytest.fixture(scope="module")
def text(found: Results) -> str:
    return study_page(found)


@pytest.fixture(scope="module")
def page(text: str) -> Reader:
    return read_page(text)


def said(found: Results) -> str:
    """The answer and what else stands at the head of the page, without drawing the rest of it."""
    subject = Subject(found, names_of(found))
    return " ".join([answer(subject), *more(subject)])


def test_the_page_is_whole_and_leads_nowhere(text: str) -> None:
    check_whole(text)


def test_every_picture_can_be_drawn_and_has_words(text: str, page: Reader) -> None:
    assert len(page.pictures) == 8
    check_pictures(page)
    assert text.count("<figcaption>") == 8
    assert text.count("<caption>") == text.count("<table")


def test_the_answer_stands_first_with_its_numbers(found: Results, page: Reader) -> None:
    pair = next(p for p in found.pairs if (p.system, p.truth, p.other) == (EVERY, "as_believed", "checklist"))
    arms = {a.policy: a for a in found.arms if (a.system, a.truth) == (EVERY, "as_believed")}
    ratio = f"{pair.ratio.value:.2f} times the minutes ({pair.ratio.low:.2f} to {pair.ratio.high:.2f})"
    shares = [percent(arms[name].missed.value) for name in (DEFAULT, "checklist")]
    start = (
        f"On 120 simulated jobs, in a world that is as the program believes, the program's own way took {ratio} that "
        f"the way “checklist” took to confirm every leak that matters, and left one in {shares[0]} of the jobs "
        f"instead of {shares[1]}"
    )
    assert start in page.text
    assert page.text.index(start) < page.text.index("How every way of searching fared")
    assert " ".join(said(found).split()) in page.text


def test_what_was_found_is_told_by_its_name(page: Reader) -> None:
    for word in ("Walk-in cooler", "Most likely", "Program's own way", "World weaker_detectors", "Bubble solution"):
        assert word in page.text
    for word in ("Electronic probe at one spot", "1.42", "2.90", "+81", "leakinfer study run", "ab12"):
        assert word in page.text
    assert "local codes" in page.text


def test_a_difference_that_may_be_chance_is_told_as_that(found: Results) -> None:
    def unsure(pair: Any) -> Any:
        return replace(pair, ratio=Interval(0.98, 0.9, 1.07), missed=Interval(-0.01, -0.05, 0.03))

    told_ = said(replace(found, pairs=tuple(unsure(pair) for pair in found.pairs)))
    assert "took 0.98 times the minutes (0.90 to 1.07, which may be chance)" in told_
    assert "a difference that may be chance." in told_


def test_a_better_way_is_named(found: Results) -> None:
    """Where the checklist costs clearly less the page says so, whatever the program's own way is."""
    pairs = [replace(p, cost=Interval(30.0, 10.0, 50.0)) if p.other == "checklist" else p for p in found.pairs]
    assert "the way “checklist” costs clearly less." in said(replace(found, pairs=tuple(pairs)))


def test_chances_that_are_off_are_told_as_that() -> None:
    off = said(results(made(60, slope=0.4)))
    assert "The chances that it told are off" in off
    assert "The chances that the program told hold" not in off


def test_chances_that_are_off_though_their_slope_is_right_are_told_as_that() -> None:
    one = next(one for one in results(made(60, slope=0.4)).calibrations if one.ece > one.ece_most)
    text = holds(replace(one, slope=Interval(0.98, 0.91, 1.05)))
    assert text.startswith(
        "The chances that it told lie further from what was seen than chance leaves them: slope 0.98"
    )
    assert f"95 times in 100 up to {share(one.ece_most)} (" in text


def test_chances_that_hold_are_told_as_that(page: Reader) -> None:
    """``made``'s chances are right; seed 5 is one of the 9 in 10 sets in which both checks say so."""
    assert "The chances that the program told hold" in page.text


def test_what_was_not_played_is_not_on_the_page() -> None:
    """One system, one world, one policy, no chances, no forecasts, no small cases."""
    rows = TABLES.jobs
    one = rows[(rows["system"] == "ducted_split") & (rows["truth"] == "as_believed") & (rows["policy"] == DEFAULT)]
    bare = dataclasses.replace(
        TABLES,
        jobs=one.assign(another=np.nan),
        steps=TABLES.steps.iloc[:0],
        chances=TABLES.chances.iloc[:0],
    )
    text = study_page(results(bare))
    check_whole(text)
    page = read_page(text)
    for title in ("on the same jobs", "Are the told chances", "Is the risk right", "was forecast?", "the best that"):
        assert title not in page.text
    assert "What if the world is not" not in page.text
    assert "minutes to confirm every leak that matters in the middle job" in page.text
    assert len(page.pictures) == 1


def test_jobs_without_any_end_are_told() -> None:
    """No policy ever confirms a leak: medians are never, ratios unknown, and the page stands."""
    jobs = TABLES.jobs.assign(all_confirmed=np.nan, leaks=1)
    never: Tables = dataclasses.replace(TABLES, jobs=jobs)
    page = read_page(study_page(results(never)))
    assert "cannot be told apart from what the way “checklist” took" in page.text
    assert "never" in page.text
    assert "nan" not in page.text


def test_names_of_ones_own_are_shown_as_they_are(found: Results) -> None:
    jobs = TABLES.jobs.replace({"policy": {"checklist": "mine:<b>first & last</b>"}})
    text = study_page(results(dataclasses.replace(TABLES, jobs=jobs)))
    check_whole(text)
    assert "mine:<b>first & last</b>" in read_page(text).text


def test_the_same_results_give_the_same_page(found: Results, text: str, tmp_path: Path) -> None:
    write_page(found, tmp_path / "page.html")
    assert (tmp_path / "page.html").read_text("utf-8") == text


def test_figures_with_their_ends() -> None:
    assert told(Interval(46.2, 41.0, np.inf), change) == "+46 (+41\u00a0to\u00a0never)"
    assert told(Interval(0.12, 0.09, 0.141), share) == "12\u00a0% (9.0\u00a0to\u00a014\u00a0%)"
    assert told(Interval(3.0, np.nan, np.nan)) == "3.0"
    assert told(Interval(np.inf, np.inf, np.inf), change) == "never"
    assert [known(number) for number in (np.nan, np.inf)] == ["-", "never"]
    assert [points(share) for share in (-0.123, 0.0, 0.0004, 0.05)] == ["\u221212.3", "0.0", "0.0", "+5.0"]
    assert [change(number) for number in (-112.3, 0.0, 7.25)] == ["\u2212112", "0.0", "+7.2"]
