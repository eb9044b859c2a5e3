"""Learned priors: one file that a fleet's history gave, laid over the shipped catalogue for the next job."""

from __future__ import annotations

import math
import os
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

from msgspec import Meta, to_builtins

from leakinfer.catalogue.checking import check_finite
from leakinfer.catalogue.model import Value
from leakinfer.catalogue.toml_text import toml_text
from leakinfer.errors import InputError
from leakinfer.reading import NotNegative, Positive, Probability, Text, checked, read_text, read_toml


class Moved(Value, frozen=True):
    """A number that the history moved: learned, with its central 95 % interval, beside the shipped one.

    ``shipped`` is the very number of the catalogue that it replaces, so that a change of the shipped one is noticed.
    """

    value: float
    low: float
    high: float
    shipped: float


class LearnedComponent(Value, frozen=True):
    """A component class: ``leaks`` found in ``component_years``.

    ``mean`` in 1/component-year, ``size_median`` in Pa m3/s; ``gamma_shape``, ``weibull`` and ``size_log_sd`` as in
    components.toml.
    """

    id: Text
    leaks: Annotated[int, Meta(ge=0)]
    component_years: NotNegative
    mean: Moved
    gamma_shape: Moved
    weibull: Moved
    size_median: Moved
    size_log_sd: Moved
    found_at_search: Moved  # chance that a search finds a leak of this class


class LearnedExposure(Value, frozen=True):
    """A circumstance: hazard ratio (median and spread of its logarithm) and prevalence."""

    id: Text
    ratio: Moved
    log_sd: Moved
    prevalence: Moved
    looked: Annotated[int, Meta(ge=0)]


class LearnedSystem(Value, frozen=True):
    """A factor on all hazards of one type of system."""

    id: Text
    factor: Moved


class LearnedShared(Value, frozen=True):
    """The spread of a shared unknown, as workmanship: ``log_sd`` of its factor."""

    id: Text
    log_sd: Moved


class LearnedInstaller(Value, frozen=True):
    """An installer's factor on the hazards that workmanship touches; ``leaks`` found of ``expected``."""

    id: str
    leaks: Annotated[int, Meta(ge=0)]
    expected: NotNegative
    factor: Moved


class LearnedMethod(Value, frozen=True):
    """How well a method does: of its first grade the rate that is answered half of the time, and its false alarms."""

    id: Text
    trials: Annotated[int, Meta(ge=0)]
    rate50: Moved
    lapse: Moved
    unreachable: Moved
    false_alarm: Moved


class PredictiveCheck(Value, frozen=True):
    """An observed figure against what the fitted model expects of it; ``p`` two-sided."""

    what: Text
    group: Text  # as found_by_class
    observed: float
    expected: float
    low: float
    high: float
    p: Probability


class Provenance(Value, frozen=True):
    """Where the file comes from. ``data``: SHA-256 of the cells; ``reasons``: why it is not to be trusted."""

    made: Text
    data: Text
    rows: int
    rows_left_out: int
    systems: int
    first_day: str
    last_day: str
    shipped: Text  # digest of the catalogue that it moved
    versions: dict[str, str]
    seed: int
    chains: int
    draws: int
    worst_rhat: float
    least_ess: float
    divergences: int
    trusted: bool
    reasons: tuple[str, ...] = ()


class LearnedPriors(Value, frozen=True):
    """The whole file."""

    provenance: Provenance
    component: tuple[LearnedComponent, ...]
    exposure: tuple[LearnedExposure, ...] = ()
    system: tuple[LearnedSystem, ...] = ()
    shared: tuple[LearnedShared, ...] = ()
    installer: tuple[LearnedInstaller, ...] = ()
    method: tuple[LearnedMethod, ...] = ()
    check: tuple[PredictiveCheck, ...] = ()
    level: Moved | None = None  # all hazards of this fleet over the shipped ones
    placed: Positive | None = None  # share of the leaks whose place was written down


HEAD = (
    "Learned priors: what the history of a fleet made of the numbers that come with the program.",
    "",
    "A job begins with them by: leakinfer new JOB --system SYSTEM --priors THIS_FILE",
    "A page to read is made by: leakinfer fleet report THIS_FILE --out PAGE.html",
    "",
    "value is what a job uses, low to high its central 95 % interval, shipped the number that it replaces. Text may be",
    "changed by hand; a number changed by hand is no longer what the history says.",
)
COMMENTS = {
    "level": "All hazards of this fleet over the shipped ones.",
    "placed": "Share of the leaks whose place was written down.",
    "provenance": "Where the numbers come from. data: SHA-256 of the cells; shipped: digest of the priors that moved.",
    "component": "Component classes: mean in leaks per component-year over the first ten years of age, gamma_shape its "
    "weight,\nweibull the shape of its age, sizes in Pa m3/s (air, 1 bar to vacuum, 20 C), found_at_search a chance.",
    "exposure": "Circumstances: hazard ratio, spread of its logarithm, and how often it is there.",
    "system": "Types of system: a factor on all hazards.",
    "shared": "Shared unknowns: spread of the logarithm of their factor.",
    "installer": "Installers: factor on the hazards that workmanship touches. For the report; no job uses it.",
    "method": "Methods: rate50 of the first grade in the method's own unit (g/yr, or Pa m3/s of gas at 20 C).",
    "check": "Predictive checks: what was seen against what the fitted model expects, central 95 % interval.",
}
SHARES = frozenset({"found_at_search", "prevalence", "lapse", "unreachable", "false_alarm"})
MOST_WEIBULL = 20.0  # beyond it a hazard that grows with age leaves the range of floating-point numbers


def read_learned(path: Path) -> LearnedPriors:
    """The learned priors in a file.

    Raises:
        InputError: not such a file, a number out of its range, or an id that is used twice.

    Example:
        >>> from pathlib import Path
        >>> from leakinfer import read_learned
        >>> read_learned(Path("learned.toml")).provenance.trusted  # written as write_learned shows
        False
    """
    if not is_learned(path):
        what = "holds no learned priors"
        raise InputError(what, where=str(path), allowed="a file that 'leakinfer fleet fit' writes")
    learned = read_toml(path, LearnedPriors)
    check_learned(learned, str(path))
    return learned


def write_learned(learned: LearnedPriors, path: Path) -> None:
    """Write learned priors, numbers with six figures; a file that is there is replaced as a whole.

    Raises:
        InputError: a number out of its range, or an id that is used twice; nothing is written.
        OSError: the file cannot be written.

    Example:
        >>> from pathlib import Path
        >>> from leakinfer import read_learned, write_learned
        >>> write_learned(found, Path("learned.toml"))  # found as learned_priors shows
        >>> read_learned(Path("learned.toml")).provenance.systems == found.provenance.systems
        True
    """
    check_learned(learned, str(path))
    partial = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        partial.write_text(learned_text(learned), "utf-8", newline="\n")
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def learned_text(learned: LearnedPriors) -> str:
    """The text of the file."""
    plain = to_builtins(checked(to_builtins(learned), LearnedPriors, where="learned priors"))  # whole numbers as floats
    first = {key: plain.pop(key) for key in ("level", "placed")}
    tables = {key: value for key, value in plain.items() if value}
    return toml_text({**first, **tables}, COMMENTS, HEAD)


def is_learned(path: Path) -> bool:
    """Whether a TOML file holds learned priors: it says where they come from, which no other file here does.

    Raises:
        InputError: the file cannot be read.
    """
    text = read_text(path)
    try:
        return "provenance" in tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return "[provenance]" in text  # one that was broken by hand: its reader says where


def check_learned(learned: LearnedPriors, where: str) -> None:
    """Refuse numbers that no fit can give, and ids that are used twice.

    Raises:
        InputError: with the file, the key and what is allowed.
    """
    plain = to_builtins(learned)
    checked(plain, LearnedPriors, where=where)  # a value made in a program may hold what no file may
    check_finite(plain, where)
    for table in ("component", "exposure", "system", "shared", "installer", "method"):
        _check_unique([part["id"] for part in plain[table]], f"{where}: {table}")
    for spot, name, moved in _moved(plain):
        _check_moved(moved, name, f"{where}: {spot}")


def _check_unique(ids: list[str], where: str) -> None:
    for name in ids:
        if ids.count(name) > 1:
            raise InputError(f"id '{name}' is used twice", where=where, allowed="each id once")


def _moved(plain: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, float]]]:
    """Every moved number with its place in words and its name."""
    if plain["level"] is not None:
        yield "level", "level", plain["level"]
    for table, parts in plain.items():
        for part in parts if isinstance(parts, (list, tuple)) else ():
            for name, value in part.items():
                if isinstance(value, dict):
                    yield f"{table}.{part['id']}.{name}", f"{table}.{name}", value


def _check_moved(moved: dict[str, float], name: str, where: str) -> None:
    if moved["low"] > moved["high"]:
        raise InputError(f"low {moved['low']:g}", where=where, allowed=f"up to high, {moved['high']:g}")
    least, most = _range(name)
    for key, number in moved.items():
        if not least <= number <= most:
            allowed = {1.0: "0 to 1", math.inf: "above 0" if least > 0 else "0 or above"}.get(most, f"up to {most:g}")
            raise InputError(f"{key} {number:g}", where=where, allowed=allowed)


def _range(name: str) -> tuple[float, float]:
    """What a number may be, ends included."""
    above_zero = math.ulp(0.0)
    if name.partition(".")[2] in SHARES:
        return 0.0, 1.0
    if name == "component.weibull":
        return above_zero, MOST_WEIBULL
    return (0.0 if name == "exposure.log_sd" else above_zero), math.inf
