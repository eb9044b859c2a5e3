"""The priors that a job works with: the shipped ones, a folder of one's own, or a file that a fleet's history gave."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from leakinfer.catalogue.laying import provenance_words, require_trusted, with_learned
from leakinfer.catalogue.learned import LearnedPriors, read_learned
from leakinfer.catalogue.model import Catalogue
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.rack import RACK_STORE

TRUST_IT = "a file whose fit is sound, or beginning the job with --untrusted"


@dataclass(frozen=True)
class Priors:
    """A catalogue, and the lines that a person should read about where its numbers come from."""

    catalogue: Catalogue
    notices: tuple[str, ...] = ()


def priors_of(path: Path | None, system_id: str, *, untrusted: bool) -> Priors:
    """The priors at a path, or the shipped ones. A learned file is laid over these for a job on that system.

    Raises:
        InputError: they cannot be used, or a learned file is not trusted and ``untrusted`` does not allow it.

    Example:
        >>> from leakinfer import load_catalogue, priors_of
        >>> priors_of(None, "ductless_split", untrusted=False).catalogue is load_catalogue()
        True
    """
    if path is None or not (path.is_file() or path.suffix == ".toml"):
        return Priors(load_catalogue(path))
    learned, shipped = read_learned(path), load_catalogue()
    if not untrusted:
        require_trusted(learned.provenance, str(path), TRUST_IT)
    system_type = type_of(system_id, learned)
    catalogue = with_learned(shipped, learned, system_type, str(path))
    return Priors(catalogue, tuple(_notices(learned, shipped, system_type)))


def type_of(system_id: str, learned: LearnedPriors) -> str:
    """The type under which a file knows a system; a rack store of any size is one type."""
    is_rack = system_id.startswith(f"{RACK_STORE}_")
    named = {part.id for part in learned.system}
    return RACK_STORE if is_rack and system_id not in named else system_id


def _notices(learned: LearnedPriors, shipped: Catalogue, system_type: str) -> Iterable[str]:
    """The fleet in one line; and whether it is not trusted, knows no such system, or began with other priors."""
    provenance = learned.provenance
    few = "" if any(part.id == system_type for part in learned.system) else f"; it tells of no {system_type}"
    yield f"priors learned from a fleet of {provenance_words(provenance)}{few}"
    if not provenance.trusted:
        reason = provenance.reasons[0] if provenance.reasons else "no reason given"
        yield f"these learned priors are not trusted: {reason}"
    if provenance.shipped != shipped.digest:
        yield "the learned priors were fitted over an earlier edition of the shipped ones; their numbers still fit"
