"""A slow second count of a history, day by day in plain Python, written from the description of the cells alone.

Dates are ISO texts, rows are dictionaries with the columns of the history format, all of them in order.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.cells.sizes import listed, size_of_loss
from leakinfer.fleet.settings import FleetSettings

Row = dict[str, str]
Tables = Mapping[str, Sequence[Row]]
Cells = dict[str, Counter[tuple[Any, ...]]]


def day(text: str) -> int:
    return date.fromisoformat(text).toordinal()


class Site:
    """One row of the table of sites with all that is known of it."""

    def __init__(self, row: Row, system: Row, exposures: Sequence[Row]) -> None:
        self.name, self.component, self.count = row["site"], row["component"], int(row["count"] or 1)
        self.fitted = day(row["fitted"] or system["commissioned"])
        self.removed = day(row["removed"]) if row["removed"] else 10**9
        self.said = {name: column for column in ("present", "absent", "unknown") for name in _words(row[column])}
        self.spells: dict[str, list[tuple[int, int]]] = {}
        for spell in exposures:
            since = day(spell["since"]) if spell["since"] else -(10**9)
            until = day(spell["until"]) if spell["until"] else 10**9
            self.spells.setdefault(spell["exposure"], []).append((since, until))

    def state(self, exposure: str, when: int) -> str:
        if exposure in self.spells:
            there = any(since <= when < until for since, until in self.spells[exposure])
            return "present" if there else "absent"
        return self.said.get(exposure, "")

    def around(self, when: int) -> str:
        states = [(name, self.state(name, when)) for name in {*self.said, *self.spells}]
        marks = {"present": "", "unknown": "?"}
        return ";".join(sorted(name + marks[state] for name, state in states if state in marks))

    def in_place(self, when: int) -> bool:
        return self.fitted <= when <= self.removed


def _words(text: str) -> list[str]:
    return [word for word in text.split(";") if word]


def recount(tables: Tables, catalogue: Catalogue, settings: FleetSettings, since: int = 0, until: int = 10**9) -> Cells:
    """The cells of a history without bad rows; ``expected_micro`` not rounded but as in the text."""
    cells: Cells = {name: Counter() for name in ("risk", "unplaced", "sizes", "looked", "repairs")}
    cells |= {"found": Counter(), "known": Counter(), "before": Counter(), "systems": Counter(), "there": Counter()}
    cells |= {"held": Counter(), "micro": Counter(), "trials": Counter()}
    for system in tables["systems"]:
        mine = {name: [row for row in rows if row["system"] == system["system"]] for name, rows in tables.items()}
        System(system, mine, catalogue, settings, (since, until)).add(cells)
    return cells


class System:
    """One system of a history."""

    def __init__(
        self, row: Row, tables: Tables, catalogue: Catalogue, settings: FleetSettings, span: tuple[int, int]
    ) -> None:
        self.row, self.tables, self.catalogue, self.cells = row, tables, catalogue, settings.cells
        self.edges = [round(years * 365.25) for years in settings.cells.age_years]
        self.begin = day(row["followed_from"] or row["commissioned"])
        end = day(row["followed_until"]) if row["followed_until"] else 10**9
        self.days = {v["visit"]: day(v["date"]) for v in tables["visits"] if self.begin <= day(v["date"]) <= end}
        self.span = span
        self.sites = [
            Site(site, row, [e for e in tables["exposures"] if e["site"] == site["site"]]) for site in tables["sites"]
        ]
        self.leaks = [leak for leak in tables["leaks"] if leak["visit"] in self.days]
        self.found = [leak for leak in self.leaks if leak["confirmed"] != "no"]
        self.visits = self._counting()

    def _counting(self) -> list[tuple[int, str, int]]:
        leaky = {leak["visit"] for leak in self.found}
        visits = []
        for visit in self.tables["visits"]:
            name = visit["visit"]
            if name in self.days and (visit["searched"] != "no" or name in leaky):
                visits.append((self.days[name], name, int(visit["searched"] == "yes")))
        return sorted(visits)

    def scored(self, when: int) -> bool:
        return self.span[0] <= when < self.span[1]

    def band(self, age: int) -> int:
        return max(k for k in range(len(self.edges) - 1) if k == 0 or age >= self.edges[k])

    def place(self, leak: Row) -> tuple[Site | None, bool]:
        """The site of a leak, and whether it is that very one."""
        if leak["site"]:
            return next(site for site in self.sites if site.name == leak["site"]), True
        when = self.days[leak["visit"]]
        alike = [site for site in self.sites if site.component == leak["component"] and site.in_place(when)]
        looks = {(self.band(when - site.fitted), site.around(when)) for site in alike}
        return (alike[0], len(alike) == 1) if len(looks) == 1 else (None, False)

    def add(self, cells: Cells) -> None:
        placed = [(leak, *self.place(leak)) for leak in self.found]
        micro = sum(self._risk(site, placed, cells) for site in self.sites)
        shared = self.catalogue.shared["workmanship"].classes
        leaks = 0
        for leak, site, _ in placed:
            if self.scored(self.days[leak["visit"]]):
                self._found(leak, site, cells)
                leaks += site is not None and site.component in shared
        if micro:
            bin_ = math.floor(math.log10(micro) * self.cells.expected_per_decade + 1e-9)
            key = (self.row["type"], self.row["installer"], bin_, leaks)
            cells["systems"][key] += 1
            cells["micro"][key] += micro
        self._looked(cells)
        self._repairs(cells)
        self._trials(placed, cells)

    def _risk(self, site: Site, placed: Sequence[tuple[Row, Site | None, bool]], cells: Cells) -> int:
        """Add the risk of a site; what it expects, in millionths."""
        fresh: Counter[tuple[int, str]] = Counter()
        windows = []
        before = self.begin
        for when, name, _ in self.visits:
            pieces: Counter[tuple[int, str]] = Counter()
            if site.in_place(when):
                for morning in range(max(before, site.fitted), when):
                    pieces[self.band(morning - site.fitted), site.around(morning)] += 1
            leaks = sum(1 for leak, where, sure in placed if sure and where is site and leak["visit"] == name)
            windows.append({key: max(n * site.count - leaks * (n // 2), 0) for key, n in pieces.items()})
            before = when
        old = self.row["followed_from"] > self.row["commissioned"] and self.row["tight_then"] != "yes"
        backlog = {(-1, site.around(self.begin)): site.count} if old and site.fitted < self.begin else {}
        for number, (when, _, searched) in enumerate(self.visits):
            if not (site.in_place(when) and self.scored(when)):
                continue
            head = (site.component, self.row["type"], site.around(when), searched, self.band(when - site.fitted))
            for begun in range(number + 1):
                self._passed(head, windows[begun], begun, number, cells)
            self._passed(head, backlog, 0, number, cells)
            for key, days in windows[number].items():
                fresh[key] += days
        return sum(round(days * self._micro(site, *key)) for key, days in fresh.items())

    def _passed(self, head: tuple[Any, ...], what: Mapping[Any, int], begun: int, now: int, cells: Cells) -> None:
        missed = sum(searched for _, _, searched in self.visits[begun:now])
        other = now - begun - missed
        if missed + other <= self.cells.missed_most:
            for (band, around), days in what.items():
                if days:
                    cells["risk"][(*head, around, band, missed, other)] += days

    def _micro(self, site: Site, band: int, around: str) -> float:
        """Millionths of a leak in a component-day."""
        if site.component not in self.catalogue.shared["workmanship"].classes:
            return 0.0
        part = self.catalogue.components[site.component]
        low, high = self.cells.age_years[band : band + 2]
        reach = self.catalogue.numbers["hazard_reference_years"]
        grown = (high / reach) ** part.age.weibull - (low / reach) ** part.age.weibull
        rate = part.hazard.mean * reach * grown / (high - low)
        for name in _words(around):
            exposure = self.catalogue.exposures[name.rstrip("?")]
            share = exposure.prevalence.value if name.endswith("?") else 1.0
            rate *= 1 + share * (exposure.ratio.median - 1)
        depth = math.log(self.cells.found_least / part.size.median) / part.size.log_sd
        return float(rate * 0.5 * math.erfc(depth / math.sqrt(2)) / 365.25 * 1e6)

    def _found(self, leak: Row, site: Site | None, cells: Cells) -> None:
        when = self.days[leak["visit"]]
        component = leak["component"] or (site.component if site else "")
        self._size(leak, component, cells)
        if site is None:
            cells["unplaced"][(self.row["type"],)] += 1
            return
        searched = next(searched for _, name, searched in self.visits if name == leak["visit"])
        key = (site.component, self.row["type"], site.around(when), searched, self.band(when - site.fitted))
        cells["found"][key] += 1
        cells["known"][key] += leak["there_before"] != ""
        cells["before"][key] += leak["there_before"] == "yes"

    def _bin(self, loss: str) -> int | None:
        size = float(size_of_loss([float(loss or 0)], [self.row["refrigerant"]], self.cells.measured_at_c)[0])
        if math.isnan(size):
            return None
        return math.floor(math.log10(size) * self.cells.size_per_decade + 1e-9)

    def _size(self, leak: Row, component: str, cells: Cells) -> None:
        bin_ = self._bin(leak["loss_g_per_year"])
        least = round(math.log10(self.cells.measured_least) * self.cells.size_per_decade)
        if component and bin_ is not None and bin_ >= least:  # the least is an edge of a bin
            cells["sizes"][component, bin_] += 1

    def _looked(self, cells: Cells) -> None:
        for site in self.sites:
            for exposure in {*site.said, *site.spells}:
                state = site.state(exposure, site.fitted)
                if state != "unknown":
                    cells["looked"][(exposure,)] += 1
                    cells["there"][(exposure,)] += state == "present"

    def _repairs(self, cells: Cells) -> None:
        for repair in self.tables["repairs"]:
            if repair["visit"] in self.days and self.scored(self.days[repair["visit"]]) and repair["held"]:
                site = next(site for site in self.sites if site.name == repair["site"])
                cells["repairs"][site.component, repair["exchanged"]] += 1
                cells["held"][site.component, repair["exchanged"]] += repair["held"] == "yes"

    def _trials(self, placed: Sequence[tuple[Row, Site | None, bool]], cells: Cells) -> None:
        tests: dict[tuple[str, str], dict[str, list[bool]]] = {}
        for finding in self.tables["findings"]:
            method = self.catalogue.methods[finding["method"]]
            inside = finding["visit"] in self.days and self.scored(self.days[finding["visit"]])
            if inside and method.kind == "point":
                spot = tests.setdefault((finding["visit"], finding["site"]), {})
                spot.setdefault(method.id, []).append(finding["outcome"] != method.silent)
        where = {id(leak): site.name for leak, site, sure in placed if sure and site is not None}
        for (visit, name), spot in tests.items():
            here = [leak for leak in self.leaks if leak["visit"] == visit]
            here = [leak for leak in here if where.get(id(leak), leak["site"]) == name]
            leaks = [leak for leak in here if leak["confirmed"] != "no"]
            truth = "leak" if leaks else "tight" if here else ""
            bin_ = self._bin(leaks[0]["loss_g_per_year"]) if len(leaks) == 1 else None
            said = ";".join(f"{method}:{sum(hits)}/{len(hits)}" for method, hits in sorted(spot.items()))
            component = next(site.component for site in self.sites if site.name == name)
            fluid = listed(self.row["refrigerant"])
            cells["trials"][component, fluid.name if fluid else "", said, truth, 999 if bin_ is None else bin_] += 1
