"""From findings to trials: one site tested at one visit, with what each method said and what turned out to be true.

A test is only a test if it was written down. Only point methods count, since only they speak of one site. A counted row
of the table of sites is one site, as it is one test.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.cells.model import FORMATS, joined
from leakinfer.fleet.cells.sizes import listed, size_bin, size_of_loss
from leakinfer.fleet.settings import Reduction

if TYPE_CHECKING:
    from pandas import DataFrame, Series

SPOT = ["system", "visit", "site"]


def trials_of(
    findings: DataFrame,
    leaks: DataFrame,
    sites: DataFrame,
    systems: DataFrame,
    catalogue: Catalogue,
    reduction: Reduction,
) -> DataFrame:
    """The table of trials, with the keys and figures of ``FORMATS["trials"]``.

    The tables hold, as in the history format, at least: ``findings`` system, visit, site, method, outcome; ``leaks``
    system, visit, site, confirmed, loss_g_per_year; ``sites`` system, site, component; ``systems`` system, refrigerant.
    Names of systems, visits and sites may be numbers, as long as all tables use the same. Findings at sites that
    ``sites`` does not hold are left out.

    A response is any outcome but the silent one. The truth is ``leak`` where a leak was confirmed at that site and
    visit, ``tight`` where one was written down that turned out to be none, else empty. The size is that of one leak
    alone whose loss was measured.
    """
    spots = _tests(_answers(findings, catalogue))
    spots = spots.merge(sites[["system", "site", "component"]], on=["system", "site"])
    spots["refrigerant"] = spots["system"].map(_refrigerants(systems)).fillna("").astype(str)
    spots = spots.merge(_truths(leaks), on=SPOT, how="left")
    spots["truth"] = spots["truth"].fillna("").astype(str)
    sizes = size_of_loss(spots["loss"].to_numpy(float), spots["refrigerant"].to_numpy(str), reduction.measured_at_c)
    spots["size_bin"] = size_bin(sizes, reduction.size_per_decade)
    keys, figures = FORMATS["trials"]
    return joined("trials", [spots.assign(times=np.int64(1))[[*keys, *figures]]])


def _answers(findings: DataFrame, catalogue: Catalogue) -> DataFrame:
    """One row for each method at each spot, sorted: its tests and how many of them spoke for a leak."""
    silent = {name: method.silent for name, method in catalogue.methods.items() if method.kind == "point"}
    point = findings.loc[findings["method"].isin(list(silent)), [*SPOT, "method", "outcome"]]
    method, outcome = point["method"].astype(str), point["outcome"].astype(str)
    point = point.assign(method=method, hits=(outcome != method.map(silent)).astype("int64"), tests=np.int64(1))
    return point.groupby([*SPOT, "method"], sort=True, as_index=False, observed=True)[["hits", "tests"]].sum()


def _tests(answers: DataFrame) -> DataFrame:
    """One row for each spot: what all its methods said, as text. Texts are joined once for each kind, not each spot."""
    spots = answers[SPOT].drop_duplicates()
    first = np.flatnonzero(~answers.duplicated(SPOT).to_numpy())
    which = np.cumsum(~answers.duplicated(SPOT).to_numpy()) - 1
    place = np.arange(len(answers)) - first[which]
    said = answers["method"] + ":" + answers["hits"].astype(str) + "/" + answers["tests"].astype(str)
    words, code = np.unique(said.to_numpy(str), return_inverse=True)
    kind, texts = np.zeros(len(spots), np.intp), [""]
    for now in range(int(place.max()) + 1 if len(place) else 0):
        rows = np.flatnonzero(place == now)
        both = kind[which[rows]] * len(words) + code[rows]
        fresh, again = np.unique(both, return_inverse=True)
        kind[which[rows]] = len(texts) + again
        texts += [f"{texts[old]};{words[new]}".lstrip(";") for old, new in (divmod(int(b), len(words)) for b in fresh)]
    return spots.assign(tests=np.array(texts, dtype=object)[kind].astype(str))


def _refrigerants(systems: DataFrame) -> dict[Any, str]:
    """Proper names by system, of those that are listed."""
    proper = {}
    for spelling in set(systems["refrigerant"].dropna()):
        fluid = listed(str(spelling))
        proper[spelling] = fluid.name if fluid else ""
    return dict(zip(systems["system"], systems["refrigerant"].map(proper).fillna(""), strict=True))


def _truths(leaks: DataFrame) -> DataFrame:
    """By spot: the truth, and the loss of one leak alone (g/yr), not a number where there is none."""
    leak = ~_is(leaks["confirmed"], "no")
    rows = leaks[SPOT].assign(leaks=leak.astype("int64"), loss=leaks["loss_g_per_year"].astype(float).where(leak))
    spots = rows.groupby(SPOT, as_index=False, observed=True).agg(leaks=("leaks", "sum"), loss=("loss", "max"))
    truth = np.where(spots["leaks"] > 0, "leak", "tight")
    return spots[SPOT].assign(truth=truth, loss=spots["loss"].where(spots["leaks"] == 1))


def _is(column: Series, word: str) -> Series:
    """Whether each field holds the word; an empty one does not."""
    return (column.astype(object) == word).fillna(False).astype(bool)
