"""Truths against the priors that ``fleet.toml`` states, tables against the history format and its reader.

Seeds are fixed. A test with p > 1e-4 or within four standard deviations fails falsely about once in 10,000 seeds.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from msgspec import json
from scipy import stats

from leakinfer.errors import InputError
from leakinfer.fleet.cells.reduce import reduce_history
from leakinfer.fleet.history.tables import BY_NAME, TABLES
from leakinfer.fleet.invented.fleet import EVER, NONE, THERE_UNSEEN
from leakinfer.fleet.invented.make import (
    Truth,
    digest,
    draw_truth,
    invent,
    invent_all,
    load_invented,
    mild_truth,
    write,
)
from leakinfer.fleet.invented.plan import scope_of
from leakinfer.fleet.invented.truth import values_of
from leakinfer.fleet.ops import numpy_ops
from leakinfer.fleet.rates.data import data_of, names_in
from leakinfer.fleet.rates.likelihood import expected
from leakinfer.fleet.rates.priors import priors_of
from leakinfer.fleet.settings import load_settings
from leakinfer.reading import shipped
from tests.fleet.inventing import CATALOGUE, CLASSES, a_plan, plain

SETTINGS = load_settings()
LEAST_P = 1e-4
SIGMAS = 4.0
SMALL = "d9f6062bd6b5ccb249297b819f4c3d39fe2fa8c1fa491723c67083bdda0e954c"


@pytest.fixture(scope="module")
def truths() -> list[Truth]:
    plan = a_plan()
    return [draw_truth(CATALOGUE, SETTINGS, np.random.default_rng([7, seed]), plan) for seed in range(300)]


def test_drawn_rates_follow_the_priors(truths: list[Truth]) -> None:
    level, parts = SETTINGS.level, [CATALOGUE.components[name] for name in truths[0].classes]
    weight = np.array([part.hazard.gamma_shape for part in parts])
    for name, prior in (("alpha", level.alpha), ("beta", level.beta)):
        values = [getattr(truth, name) for truth in truths]
        assert stats.kstest(values, stats.gamma(prior.shape, scale=1 / prior.rate).cdf).pvalue > LEAST_P
    ranks = [stats.gamma(t.alpha * weight, scale=1 / (t.beta * weight)).cdf(t.theta) for t in truths]
    assert stats.kstest(np.ravel(ranks), "uniform").pvalue > LEAST_P
    shipped_mean = np.array([part.hazard.mean for part in parts])
    assert all(np.allclose(truth.mean, shipped_mean * truth.theta) for truth in truths)


def test_drawn_lognormals_follow_the_priors(truths: list[Truth]) -> None:
    spread, parts = SETTINGS.spread, [CATALOGUE.components[name] for name in truths[0].classes]
    around = [CATALOGUE.exposures[name] for name in truths[0].exposures]
    medians = {
        "weibull": (np.array([part.age.weibull for part in parts]), spread.weibull_log_sd),
        "size_median": (np.array([part.size.median for part in parts]), spread.size_median_log_sd),
        "size_log_sd": (np.array([part.size.log_sd for part in parts]), spread.size_log_sd_log_sd),
        "type_factor": (np.ones(4), spread.system_log_sd),
        "backlog": (
            np.array([part.hazard.mean for part in parts]) * SETTINGS.search.backlog_years,
            SETTINGS.search.backlog_log_sd,
        ),
        "ratio": (
            np.array([each.ratio.median for each in around]),
            np.array([each.ratio.log_sd for each in around]) * spread.exposure_log_sd_factor,
        ),
        "rate50": (
            np.array([CATALOGUE.methods[name].grades[0].rate50 for name in truths[0].methods]),
            SETTINGS.methods.rate50_log_sd,
        ),
        "workmanship_log_sd": (CATALOGUE.shared["workmanship"].log_sd, spread.workmanship_log_sd_log_sd),
    }
    for name, (median, log_sd) in medians.items():
        scores = [np.log(getattr(truth, name) / median) / log_sd for truth in truths]
        assert stats.kstest(np.ravel(scores), "norm").pvalue > LEAST_P, name


def test_drawn_chances_and_installers_follow_the_priors(truths: list[Truth]) -> None:
    search = SETTINGS.search
    logit = np.array([np.log(truth.found / (1 - truth.found)) for truth in truths])
    found_sd = np.hypot(search.found_logit_sd, search.class_logit_sd)
    assert stats.kstest(logit[:, 0], stats.norm(search.found_logit, found_sd).cdf).pvalue > LEAST_P
    apart = (logit[:, 0] - logit[:, 1]) / (np.sqrt(2) * search.class_logit_sd)  # what classes share is gone
    assert stats.kstest(apart, "norm").pvalue > LEAST_P
    for name, prior in (("unknown_visit", search.unknown_visit), ("placed", search.placed)):
        values = [getattr(truth, name) for truth in truths]
        assert stats.kstest(values, stats.beta(prior.a, prior.b).cdf).pvalue > LEAST_P
    there = np.array([CATALOGUE.exposures[name].prevalence.value for name in truths[0].exposures])
    weight = search.prevalence_weight
    ranks = [stats.beta(weight * there, weight * (1 - there)).cdf(truth.prevalence) for truth in truths]
    assert stats.kstest(np.ravel(ranks), "uniform").pvalue > LEAST_P
    spreads = np.array([truth.installer_log_sd for truth in truths])
    assert stats.kstest(spreads, stats.halfnorm(scale=SETTINGS.spread.installer_log_sd).cdf).pvalue > LEAST_P
    scores = [(np.log(t.installer_factor) + t.installer_log_sd**2 / 2) / t.installer_log_sd for t in truths]
    assert stats.kstest(np.ravel(scores), "norm").pvalue > LEAST_P


def test_the_mild_truth_differs_where_the_file_says_so() -> None:
    truth, mild = mild_truth(CATALOGUE, 1), load_invented().mild
    rate = dict(zip(truth.classes, truth.theta, strict=True))
    ratio = dict(zip(truth.exposures, truth.ratio, strict=True))
    for each in mild.component:
        assert abs(np.log(rate[each.id] / each.rate)) < SIGMAS * mild.rate_log_sd
    for around in mild.exposure:
        shipped_ratio = CATALOGUE.exposures[around.id].ratio.median
        assert abs(np.log(ratio[around.id] / shipped_ratio / around.ratio)) < SIGMAS * mild.ratio_log_sd
    named = {each.id for each in mild.component}
    others = np.log([value for name, value in rate.items() if name not in named])
    assert np.abs(others).max() < SIGMAS * mild.rate_log_sd
    assert rate["cap_plastic"] > 2 > 0.8 > rate["flare"]


def test_tables_have_the_columns_of_the_format_and_needed_fields_are_there() -> None:
    plan = a_plan(systems=80)
    tables = invent(mild_truth(CATALOGUE, 3, plan), plan, CATALOGUE, np.random.default_rng(3))
    assert list(tables) == [table.name for table in TABLES]
    for name, table in tables.items():
        assert tuple(table.columns) == BY_NAME[name].names
        assert len(table), name
        for column in BY_NAME[name].columns:
            if column.needed:
                assert (table[column.name] != "").all(), (name, column.name)
            elif column.kind != "text":
                assert (table[column.name] != "").any(), (name, column.name)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_reader_leaves_nothing_out_and_places_what_was_placed(tmp_path: Path, seed: int) -> None:
    plan = a_plan(systems=600, renewed=0.1, changes=1.0, looked=1.0, class_only=0.9)
    truth = plain(plan, 0.03, fails=np.full(8, 0.2), placed=0.4)
    tables, fleet, life = invent_all(truth, plan, CATALOGUE, np.random.default_rng(seed))
    write(tables, truth, tmp_path)
    cells = reduce_history([tmp_path], CATALOGUE, SETTINGS)
    assert sum(cells.counts.left_out.values()) == 0
    written = np.append(fleet.visits.written, False)[life.leaks.visit]
    placed = int((written & life.leaks.placed).sum())
    assert int(cells.tables["found"]["found"].sum()) == placed
    assert int(cells.tables["unplaced"]["found"].sum()) == int(written.sum()) - placed
    dates = {key: tables["exposures"][key].replace("", None) for key in ("since", "until")}
    spells = life.parts.keep(life.parts.spell != NONE)
    for key, days, open_end in (("since", spells.since, -EVER), ("until", spells.until, EVER)):
        told = pd.to_datetime(dates[key].dropna()).to_numpy().astype("datetime64[D]").astype(int)
        assert sorted(told.tolist()) == sorted(days[days != open_end].tolist())
    by_class = tables["leaks"][(tables["leaks"]["site"] == "") & (tables["leaks"]["component"] != "")]
    assert len(by_class) > 20
    assert stats.binomtest(placed, int(written.sum()), 0.4).pvalue > LEAST_P


def test_the_likelihood_expects_what_is_found(tmp_path: Path) -> None:
    """Generator, reader and model mean the same: with the true values a fit's formulas expect the leaks found."""
    plan = a_plan(systems=600, backlog="drawn", together=False, small_leaks_stop=False, fails=0.0)
    truth = mild_truth(CATALOGUE, 4, plan)
    truth = plain(
        plan,
        0.0,
        mean=truth.mean,
        weibull=truth.weibull,
        ratio=truth.ratio,
        type_factor=np.array([0.7, 1.0, 1.3, 1.6]),
        theta=truth.theta,
        found_least=SETTINGS.cells.found_least,
    )
    seen, due, old, old_due, lost, lost_due = np.zeros(6)
    for seed in range(6):
        write(invent(truth, plan, CATALOGUE, np.random.default_rng([4, seed])), truth, tmp_path)
        cells = reduce_history([tmp_path], CATALOGUE, SETTINGS)
        classes, exposures, types = names_in(cells)
        assert (classes, exposures, types) == (truth.classes, truth.exposures, truth.types)
        priors, data = (
            priors_of(CATALOGUE, SETTINGS, classes, exposures, types),
            data_of(cells, classes, exposures, types),
        )
        values = values_of(truth, priors, data.installers)
        assert np.allclose(values["theta"] * priors.mean, truth.mean)
        reached = expected(numpy_ops(), values, data, priors)
        seen, due = seen + data.found.sum(), due + reached.cell.sum()
        old = old + data.before.sum()
        old_due = old_due + (data.known_before * reached.old / np.maximum(reached.cell, 1e-300)).sum()
        lost, lost_due = lost + data.unplaced.sum(), lost_due + reached.type.sum() * (1 / truth.placed - 1)
    assert due > 500
    for count, mean in ((seen, due), (old, old_due), (lost, lost_due)):
        assert abs(count - mean) < SIGMAS * np.sqrt(mean)


def test_circumstances_are_there_as_often_as_the_truth_says() -> None:
    plan = a_plan(systems=3000, classes=("tube_run", "drier_suction"), together=False, changes=0.0, renewed=0.0)
    truth = plain(plan, 1e-6)
    tables, fleet, _ = invent_all(truth, plan, CATALOGUE, np.random.default_rng(14))
    for number, name in enumerate(truth.exposures):
        columns = {key: tables["sites"][key].str.split(";").map(lambda words, n=name: n in words) for key in WHERE}
        looked = int(columns["present"].sum() + columns["absent"].sum())
        assert stats.binomtest(int(columns["present"].sum()), looked, truth.prevalence[number]).pvalue > LEAST_P
        every = looked + int(columns["unknown"].sum())
        assert stats.binomtest(looked, every, plan.looked).pvalue > LEAST_P
    unseen = fleet.parts.code % 4 == THERE_UNSEEN
    assert unseen.any()


WHERE = ("present", "absent", "unknown")


def test_losses_are_measured_of_leaks_that_are_large_enough() -> None:
    plan = a_plan(refrigerant_unsaid=0.0)
    truth = plain(plan, 0.05, measured=0.4)
    tables, fleet, life = invent_all(truth, plan, CATALOGUE, np.random.default_rng(1))
    written = np.append(fleet.visits.written, False)[life.leaks.visit]
    large = int((written & (life.leaks.size >= truth.measured_least)).sum())
    told = tables["leaks"]["loss_g_per_year"]
    assert stats.binomtest(int((told != "").sum()), large, 0.4).pvalue > LEAST_P
    losses = told[told != ""].astype(float)
    assert losses.min() > 5  # measured_least is some 20 g/yr of R-410A, less of thinner gases


def test_what_was_there_before_was_born_before_the_last_visit_that_counts() -> None:
    plan = a_plan(systems=100)
    truth = plain(plan, 0.1, before_written=1.0, placed=1.0)
    tables, fleet, life = invent_all(truth, plan, CATALOGUE, np.random.default_rng(2))
    visits, found = fleet.visits, life.leaks
    found = found.keep(np.append(visits.written, False)[found.visit])
    found = found.keep(np.lexsort((found.part, found.visit)))
    rows = tables["leaks"][tables["leaks"]["confirmed"] != "no"]
    assert len(rows) == found.part.size
    for told, birth, visit in zip(rows["there_before"], found.birth, found.visit, strict=True):
        last = visit - 1
        while last >= visits.begin[visits.system[visit]] and not visits.counting[last]:
            last -= 1
        there = last >= visits.begin[visits.system[visit]] and birth < visits.day[last]
        assert told == ("yes" if there else "no")
    assert (rows["there_before"] == "yes").sum() > 50


def test_a_repair_that_did_not_hold_is_done_again_and_is_no_new_leak() -> None:
    plan = a_plan(systems=200, exchanged=0.0, renewed=0.0, held_said=1.0)
    truth = plain(plan, 0.02, fails=np.ones(8), placed=1.0)
    tables, fleet, life = invent_all(truth, plan, CATALOGUE, np.random.default_rng(2))
    written = np.append(fleet.visits.written, False)[life.leaks.visit]
    confirmed = (tables["leaks"]["confirmed"] != "no").sum()
    again = int((life.leaks.again != NONE).sum())
    assert confirmed == written.sum()
    assert len(tables["repairs"]) == confirmed + again
    counts = tables["repairs"]["held"].value_counts().to_dict()
    assert counts == {"no": again, "yes": again, "": confirmed - again}


def test_the_same_seed_gives_the_same_tables() -> None:
    plan = a_plan(systems=60)
    truth = mild_truth(CATALOGUE, 2, plan)
    first, second, other = (digest(invent(truth, plan, CATALOGUE, np.random.default_rng(s))) for s in (2, 2, 3))
    assert first == second != other
    assert first == SMALL, "priors or the generator changed: make data_demo/fleet anew and put the new digest here"


def test_the_fleet_of_the_demonstration_is_what_the_program_makes(tmp_path: Path) -> None:
    folder = shipped("data_demo", "fleet")
    plan = load_invented().plan
    truth = mild_truth(CATALOGUE, 1, plan)
    tables = invent(truth, plan, CATALOGUE, np.random.default_rng([1, 2]))
    write(tables, truth, tmp_path)
    again = "python -m leakinfer.fleet.invented --seed 1 data_demo/fleet"
    assert (folder / "truth.json").read_bytes() == (tmp_path / "truth.json").read_bytes(), again
    told = (folder / "README.md").read_text("utf-8")
    for name, table in tables.items():
        assert digest({name: stored(folder, name)}) == digest({name: table}), again
        assert f"{len(table):,}" in told
    assert sum(path.stat().st_size for path in folder.iterdir()) < 3e6


def stored(folder: Path, name: str) -> pd.DataFrame:
    csv = folder / f"{name}.csv"
    if csv.exists():
        return pd.read_csv(csv, dtype=str, keep_default_na=False)
    return pd.read_parquet(folder / f"{name}.parquet").fillna("")


def test_the_program_writes_a_folder(tmp_path: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "leakinfer.fleet.invented",
        "--seed",
        "4",
        "--systems",
        "12",
        str(tmp_path / "new"),
    ]
    said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert "12 systems" in said
    assert json.decode((tmp_path / "new" / "truth.json").read_bytes())["types"] == [
        "ducted_split",
        "ductless_split",
        "heat_pump",
        "walk_in_cooler",
    ]


def test_wrong_plans_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="unknown component 'valve_cores'"):
        scope_of(a_plan(classes=("valve_cores",)), CATALOGUE)
    with pytest.raises(InputError, match="unknown system 'ducted'"):
        scope_of(a_plan(types={"ducted": 1.0}), CATALOGUE)
    text = shipped("data_demo", "fleet", "invented.toml").read_text("utf-8")
    (tmp_path / "other.toml").write_text(text.replace("searched = 0.6", "searched = 0.9"), "utf-8")
    with pytest.raises(InputError, match="more than 1 together"):
        load_invented(tmp_path / "other.toml")
    assert scope_of(a_plan(), CATALOGUE)[0] == CLASSES
