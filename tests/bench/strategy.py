"""Is the default order of tests the better one, and do its chances hold? Simulated jobs, each searched in every way.

    python tests/bench/strategy.py                      # what is stored, and some of those jobs played again
    python tests/bench/strategy.py --again 10 --pick 7  # ten of each system and part, others than those
    python tests/bench/strategy.py --jobs 20 --json     # 20 new jobs in each of three systems, two processes
    python tests/bench/strategy.py --jobs 500 --studies checklist         # one of the three
    python tests/bench/strategy.py --jobs 500 --likely-jobs 60 --weight-jobs 60  # fewer of what takes long
    python tests/bench/strategy.py --jobs 20 --out FOLDER  # kept there; the same command goes on where it was stopped
    python tests/bench/strategy.py --studies checklist --jobs 200 --seed 7 --keep seven.parquet  # a part
    python tests/bench/strategy.py --studies checklist --jobs 300 --seed 8 --parts seven.parquet  # both counted

500 jobs of each system against the checklist take 220 minutes of two cores, so they are kept in ``stored/`` and told
from there; ``again`` says how many of the searches that are played now came out as they are stored.

Three studies of the same jobs: against a checklist; with a leak that is left weighing half and twice as much; against
the likeliest part first. The world is as the program believes. Ratios are medians over the jobs of the minutes until
every leak that matters was confirmed, on the same jobs; a job that only one way brought to an end counts as endless for
the other, and those that neither did are left out and counted. ``found``: the same, where a leak that was repaired at
the end without being confirmed counts as found then.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import sys
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from leakinfer.study.measures import BASE, DEFAULT, Arm, Pair, Results, results
from leakinfer.study.running import Plan, Tables, read, run
from leakinfer.study.running.executors import processes
from tests.bench.measure import as_json, ends, print_beside_aims, report
from tests.bench.stored_jobs import PACE, folder_of, is_stored, parts_of, played_again

CHECKLIST, WEIGHTS, LIKELY = "checklist", "weights", "most_likely"
POLICIES = {
    CHECKLIST: (DEFAULT, CHECKLIST),
    WEIGHTS: ("half_weight", DEFAULT, "double_weight"),
    LIKELY: (DEFAULT, LIKELY),
}
WHOLE = 500  # jobs in each system
SYSTEMS = ("ducted_split", "ductless_split", "walk_in_cooler")
AIMS = {
    "minutes_vs_checklist": "<= 0.60",
    "minutes_vs_most_likely": "<= 0.75",
    "missed_vs_checklist": "<= 0.5",
    PACE: ">= 60",
    "again_alike": "1",
}


def plan_of(study: str, jobs: int, systems: tuple[str, ...], seed: int) -> Plan:
    """The default and other ways of searching in a world that is as believed."""
    return Plan(
        name=f"default_and_{study}",
        seed=seed,
        jobs=jobs,
        systems=systems,
        truths=(BASE,),
        policies=POLICIES[study],
        most_tests=80,
        most_minutes=600.0,
        block_jobs=2,
    )


def played(plan: Plan, folder: Path, workers: int) -> Tables:
    """The study of a plan, gone on with if it was begun."""
    with processes(workers) as executor:
        run(plan, folder, executor, on_progress=_say)
    return read(folder)


def with_parts(tables: Tables, parts: Sequence[Path]) -> Tables:
    """The jobs of other parts of a study counted in, numbered on; what tests and sites told stays that of this part."""
    import pandas as pd

    jobs = [tables.jobs]
    for path in parts:
        more = pd.read_parquet(path)
        if set(more["policy"]) != set(tables.jobs["policy"]) or list(more) != list(tables.jobs):
            raise SystemExit(f"{path}: jobs of other policies or columns; allowed: parts of this study (--keep)")
        jobs.append(more.assign(job=more["job"] + max(each["job"].max() for each in jobs) + 1))
    return replace(tables, jobs=pd.concat(jobs, ignore_index=True))


def played_anew(
    plans: Mapping[str, Plan], folder: Path, workers: int, parts: Sequence[Path] = (), keep: Path | None = None
) -> dict[str, Any]:
    """Play the studies, then all figures; the parts are of the first."""
    tables = {study: played(plan, folder / study, workers) for study, plan in plans.items()}
    first = next(iter(plans))
    if keep is not None:
        tables[first].jobs.to_parquet(keep)
    tables[first] = with_parts(tables[first], parts)
    return measured(tables) | {"parts": [path.name for path in parts]}


def stored(studies: Sequence[str], workers: int, each: int, pick: int) -> dict[str, Any]:
    """All figures of what is stored, and ``each`` jobs of each system and part played again."""
    there = [study for study in studies if is_stored(study)]
    tables = {study: with_parts(read(folder_of(study)), parts_of(study)) for study in there}
    told = measured(tables)
    if not each:
        return told
    with processes(workers) as executor:
        again = played_again(there, executor, each, pick)
    figures = {"again_alike": again["alike"] / again["searches"], "again_jobs_per_minute_core": again.pop(PACE)}
    beside = report(figures, AIMS, {})["beside_aims"]
    return told | {"beside_aims": told["beside_aims"] | beside, "again": again}


def measured(tables: Mapping[str, Tables]) -> dict[str, Any]:
    """All figures; those of the default alone are of the first study."""
    first = next(iter(tables))
    found = {study: results(table) for study, table in tables.items()}
    main, jobs = found[first], tables[first].jobs
    seconds = {study: table.jobs.groupby(["system", "policy"])["seconds"].mean() for study, table in tables.items()}
    pace = {system: 60 / seconds[first][system, DEFAULT] for system in main.systems}
    whole = 60 / jobs.loc[jobs["policy"] == DEFAULT, "seconds"].mean()
    figures = _figures(found, main.whole) | {PACE: whole}
    more = {
        "systems": {s: _rounded(_figures(found, s) | {PACE: pace[s]}) for s in main.systems},
        "intervals": {s: _intervals(found, s) for s in dict.fromkeys((main.whole, *main.systems))},
        "seconds_a_job": {
            " ".join(key): round(value, 3) for each in reversed(seconds.values()) for key, value in each.items()
        },
        "weights": _weights(found[WEIGHTS]) if WEIGHTS in found else {},
        "calibration": _calibration(main),
        "stop_risk": _stop_risk(main),
        "information": _information(main),
        "jobs_per_system": {
            study: int(table.jobs.groupby("system")[["job"]].nunique()["job"].min()) for study, table in tables.items()
        },
        "seed": tables[first].plan.seed,
    }
    return report(figures, AIMS, more)


def _say(done: int, total: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{done} of {total} searches played", end="\n" if done == total else "", file=sys.stderr, flush=True)


def _pair(found: Results, system: str, other: str) -> Pair:
    return next(one for one in found.pairs if (one.system, one.other) == (system, other))


def _arm(found: Results, system: str, policy: str) -> Arm:
    return next(one for one in found.arms if (one.system, one.policy) == (system, policy))


def _figures(found: Mapping[str, Results], system: str) -> dict[str, float]:
    figures: dict[str, float] = {}
    for other in _others(found):
        pair = _pair(found[other], system, other)
        figures[f"minutes_vs_{other}"] = pair.ratio.value
        figures[f"found_vs_{other}"] = pair.found.value
        figures[f"missed_vs_{other}"] = pair.missed_ratio.value
    return figures | {"wrong_repairs_per_100": _arm(next(iter(found.values())), system, DEFAULT).wrong.value}


def _others(found: Mapping[str, Results]) -> list[str]:
    """The ways of searching that the default was compared with."""
    return [other for other in (CHECKLIST, LIKELY) if other in found]


def _intervals(found: Mapping[str, Results], system: str) -> dict[str, Any]:
    """What the figures rest on: ends, counts of jobs without an end, and each way on its own jobs."""
    told: dict[str, Any] = {}
    for other in _others(found):
        pair = _pair(found[other], system, other)
        told[f"vs_{other}"] = {
            "minutes": ends(pair.ratio),
            "found": ends(pair.found),
            "missed": ends(pair.missed_ratio),
            "cost_difference": ends(pair.cost),
            "compared": pair.compared,
            "neither": pair.neither,
            "only_default": pair.first,
            f"only_{other}": pair.second,
            DEFAULT: _by_itself(_arm(found[other], system, DEFAULT)),
        }
    told[DEFAULT] = _by_itself(_arm(next(iter(found.values())), system, DEFAULT))
    return told | {other: _by_itself(_arm(found[other], system, other)) for other in _others(found)}


def _weights(found: Results) -> dict[str, Any]:
    """Each weight of a leak that is left, all systems together."""
    return {policy: _by_itself(_arm(found, found.whole, policy)) for policy in POLICIES[WEIGHTS]}


def _by_itself(arm: Arm) -> dict[str, Any]:
    """The measures of one way of searching."""
    return {
        "confirm_median": ends(arm.confirm),
        "never_share": ends(arm.never),
        "found_median": ends(arm.found),
        "missed_share": ends(arm.missed),
        "wrong_per_100": ends(arm.wrong),
        "openings": ends(arm.openings),
        "minutes": ends(arm.minutes),
        "cost": ends(arm.cost),
    }


def _rounded(figures: dict[str, float]) -> dict[str, float]:
    return {name: round(value, 4) for name, value in figures.items()}


def _calibration(found: Results) -> dict[str, Any]:
    """Of the default's site chances, by system and moment."""
    return {
        f"{one.system} {one.moment}": {
            "chances": one.count,
            "told": round(one.told, 5),
            "seen": ends(one.seen),
            "slope": ends(one.slope),
            "ece": round(one.ece, 5),
            "ece_by_chance": [round(one.ece_expected, 5), round(one.ece_most, 5)],
            "brier": round(one.brier.value, 5),
            "log_bits": round(one.log.value, 5),
            "ruled_out": one.ruled_out,
        }
        for one in found.calibrations
        if one.policy == DEFAULT
    }


def _stop_risk(found: Results) -> dict[str, Any]:
    """Told and seen at the end."""
    return {
        f"{one.another.system} {one.another.policy}": {
            "told": round(one.another.told, 4),
            "seen": ends(one.another.seen),
            "excess": ends(one.excess),
            "slope": ends(one.another.slope),
            "expected_missed": round(one.expected, 4),
            "missed": ends(one.missed),
        }
        for one in found.stopping
    }


def _information(found: Results) -> dict[str, Any]:
    """Bits forecast and come, by method."""
    return {
        one.method: {"tests": one.tests, "forecast": round(one.forecast, 4), "came": ends(one.realised)}
        for one in found.information
        if (one.system, one.policy) == (found.whole, DEFAULT)
    }


def _anew(given: argparse.Namespace) -> dict[str, Any]:
    counts = {CHECKLIST: given.jobs, WEIGHTS: given.weight_jobs, LIKELY: given.likely_jobs}
    plans = {
        study: plan_of(study, counts[study] or given.jobs or WHOLE, tuple(given.systems), given.seed)
        for study in given.studies
    }
    with tempfile.TemporaryDirectory() if given.out is None else nullcontext(given.out) as folder:
        return played_anew(plans, Path(folder), given.processes, given.parts, given.keep)


def main() -> None:
    """Print the figures beside their aims."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, help="new ones in each system; without it the stored ones are told")
    parser.add_argument("--again", type=int, default=1, help="stored ones to play again, in each system and part")
    parser.add_argument("--pick", type=int, default=3, help="which of them, the seed of the lot")
    parser.add_argument("--studies", nargs="+", choices=list(POLICIES), default=list(POLICIES))
    parser.add_argument("--weight-jobs", type=int, help="the same at half and twice the weight, if not as many")
    parser.add_argument("--likely-jobs", type=int, help="the same against the likeliest first, if not as many")
    parser.add_argument("--systems", nargs="+", default=list(SYSTEMS))
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=20261201)
    parser.add_argument("--out", type=Path, help="keep the study here")
    parser.add_argument("--keep", type=Path, help="the jobs of the first study as one file, a part of a larger study")
    parser.add_argument("--parts", type=Path, nargs="+", default=[], help="such files of other seeds, counted in")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    if given.jobs or given.weight_jobs or given.likely_jobs:
        found = _anew(given)
    elif given.out or given.keep or given.parts:
        parser.error("--out, --keep and --parts are for jobs that are played; allowed with --jobs")
    elif not any(is_stored(study) for study in given.studies):
        parser.error(f"no jobs of {', '.join(given.studies)} are stored; allowed with --jobs")
    else:
        found = stored(given.studies, given.processes, given.again, given.pick)
    if given.json:
        print(as_json(found))
        return
    print_beside_aims(found)
    del found["beside_aims"]
    for name, value in found.items():
        if isinstance(value, dict):
            print(f"\n{name}\n{as_json(value)}")


if __name__ == "__main__":
    main()
