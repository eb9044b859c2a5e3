"""Circumstances of a job's sites: what was known of them at each visit, as columns and dated rows of a history."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from leakinfer.circuit.model import Site
from leakinfer.fleet.history.writing import NOT_WRITTEN_DOWN, Row
from leakinfer.job.job import Job


@dataclass(frozen=True)
class Seen:
    """What was told of circumstances.

    ``touching``: by site, its exposures, each with the circumstances that bring it there. ``told``: for each visit,
    by circumstance, whether it was there at the end.
    """

    touching: Mapping[str, Mapping[str, tuple[str, ...]]]
    told: tuple[Mapping[str, bool], ...]

    @classmethod
    def in_job(cls, job: Job, at_ends: Sequence[Job]) -> Seen:
        """What a job was told; ``at_ends``: the job at the end of each visit."""
        touching: dict[str, dict[str, tuple[str, ...]]] = {}
        for name, exposure in job.exposure_of.items():
            for site in job.touched(name):
                by_exposure = touching.setdefault(site, {})
                by_exposure[exposure] = (*by_exposure.get(exposure, ()), name)
        return cls(touching, tuple(_told(each) for each in at_ends))

    def there(self, site: str, exposure: str, visit: int) -> bool | None:
        """Whether an exposure was at a site at the end of a visit; None if nobody knew."""
        told, names = self.told[visit], self.touching[site][exposure]
        if any(told.get(name) for name in names):
            return True
        return False if all(name in told for name in names) else None


def _told(job: Job) -> dict[str, bool]:
    """By circumstance, whether it is there: by a fact, else by the last look."""
    methods = job.catalogue.methods
    looked = {
        finding.target: finding.outcome != methods[finding.method].silent
        for _, finding in job.standing_findings
        if methods[finding.method].kind == "exposure"
    }
    return looked | job.facts.circumstances


def around_site(seen: Seen, site: Site, days: Sequence[date], visits: Sequence[int]) -> tuple[Row, list[Row]]:
    """The columns present, absent and unknown of a site, and rows for what changed between these visits.

    ``days``: of all visits. What changed is taken to have changed on the day on which somebody saw it.
    """
    columns: dict[str, list[str]] = {"present": [], "absent": [], "unknown": []}
    spells: list[Row] = []
    for exposure in sorted(seen.touching.get(site.id, {})):
        each = [(days[visit], seen.there(site.id, exposure, visit)) for visit in visits]
        looks = [(day, there) for day, there in each if there is not None]
        column = "unknown" if not looks else "present" if looks[0][1] else "absent"
        columns[column].append(exposure)
        if len({there for _, there in looks}) > 1:
            spells += [{"exposure": exposure, **dates} for dates in _spells(looks)]
    return {name: ";".join(words) for name, words in columns.items()}, spells


def _spells(looks: Sequence[tuple[date, bool]]) -> Iterator[Row]:
    """From and until when something was there, by the days on which somebody looked."""
    since: str | None = None
    for place, (day, there) in enumerate(looks):
        if there and since is None:
            since = day.isoformat() if place else NOT_WRITTEN_DOWN
        if not there and since is not None:
            yield {"since": since, "until": day.isoformat()}
            since = None
    if since is not None:
        yield {"since": since, "until": NOT_WRITTEN_DOWN}
