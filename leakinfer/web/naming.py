"""Names out of addresses and forms, checked against the job before anything looks them up."""

from __future__ import annotations

from leakinfer.catalogue.model import Method
from leakinfer.errors import InputError
from leakinfer.job.job import Job
from leakinfer.reading import known
from leakinfer.web.asked import NotHere


def chosen(job: Job, method: str, target: str) -> tuple[Method, str]:
    """A method and a target that it can be used on here.

    Raises:
        NotHere: there is no such method, or no such target of it.
    """
    try:
        found = job.catalogue.methods[known(method, job.catalogue.methods, what="way of testing", where="test")]
        known(target, job.targets(found), what="target", where=found.name)
    except InputError as error:
        raise NotHere(error.what, where=error.where) from error
    return found, target


def fitted(job: Job, site: str) -> str:
    """A site that is fitted.

    Raises:
        NotHere: there is no such site.
    """
    if site not in {found.id for found in job.sites}:
        raise NotHere(f"no place '{site}' is fitted", where="place")
    return site
