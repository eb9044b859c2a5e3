"""Cells: what a history says about leaks, reduced to whole numbers that add.

All figures are integers (days, leaks, systems), so that any split of a history over files and processes gives the same
cells, bit for bit, in whatever order they are added.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import msgspec
from msgspec import Meta, Struct

from leakinfer.errors import InputError
from leakinfer.reading import checked

if TYPE_CHECKING:
    from pandas import DataFrame

BACKLOG = -1  # the band of what had begun before the record of a system began
NO_SIZE = 999  # the size bin of a leak without a measured loss
UNPLACED = ""  # the component of leaks whose place nobody wrote down

# Keys and figures of each table of cells.
#
# found        leaks found at visits, by the age band and circumstances at the visit. ``searched``: 1 where the visit
#              was a search of the whole system, 0 where nobody wrote down whether it was. ``known_before``: of these
#              leaks, for how many it is known whether they leaked at the search before; ``before``: how many did.
# risk         what could have been found there: component-days in which a leak can have begun, by band and
#              circumstances of those days, and how many searches and other visits have passed it by since
#              (``missed``, ``missed_other``). For BACKLOG the figure is components instead of component-days.
# unplaced     leaks found whose place is unknown.
# systems      systems by installer, by bin of the expected number of leaks in the classes that share workmanship
#              (``expected_bin``) and by the number found; ``expected_micro``: the sum of the expected, in millionths.
# sizes        leaks with a measured loss, by bin of their size.
# looked       rows of the table of sites at which a circumstance was looked for, and at how many it was there; where
#              it came or went, when the part was new.
# repairs      repairs of which it is known whether they held; ``exchanged``: yes, no, or empty where unknown.
# trials       sites tested at one visit, by the tests written down there. ``tests`` as
#              ``bubbles:0/1;probe_point:2/3``: by method, sorted, how many of its tests spoke for a leak. ``truth``:
#              leak, tight, or empty where unknown. ``size_bin`` of the measured loss, NO_SIZE where none was measured.
#              ``refrigerant``: proper name, empty where unknown; it turns a size into the rate that a method meets.
FORMATS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "found": (("component", "type", "around", "searched", "band"), ("found", "known_before", "before")),
    "risk": (
        ("component", "type", "around", "searched", "band", "begun_around", "begun_band", "missed", "missed_other"),
        ("days",),
    ),
    "unplaced": (("type",), ("found",)),
    "systems": (("type", "installer", "expected_bin", "leaks"), ("systems", "expected_micro")),
    "sizes": (("component", "size_bin"), ("leaks",)),
    "looked": (("exposure",), ("looked", "there")),
    "repairs": (("component", "exchanged"), ("repairs", "held")),
    "trials": (("component", "refrigerant", "tests", "truth", "size_bin"), ("times",)),
}
# Keys that are texts; all other columns are whole numbers.
TEXTS = {"component", "type", "around", "begun_around", "installer", "exposure", "exchanged", "refrigerant"}
TEXTS |= {"tests", "truth"}
_WHOLE = Annotated[int, Meta(ge=-(2**53), le=2**53)]  # what every reader of JSON keeps (RFC 8259, section 6)


class Scale(Struct, frozen=True, forbid_unknown_fields=True):
    """What the bins mean; cells add only where it is the same.

    ``age_years``: edges of the age bands; what is older than the last counts in the last band. Bin n of the expected
    numbers (in millionths, ``expected_per_decade``) and of the sizes (Pa m3/s, ``size_per_decade``) begins at
    10^(n / bins a decade). ``missed_most``: leaks passed by more visits are not followed. ``priors``: digest of the
    catalogue that the expected numbers came from.
    """

    age_years: tuple[float, ...]
    missed_most: Annotated[int, Meta(ge=0)]
    expected_per_decade: Annotated[int, Meta(ge=1)]
    size_per_decade: Annotated[int, Meta(ge=1)]
    priors: str


class Counts(Struct, frozen=True, forbid_unknown_fields=True):
    """Where the cells come from: rows read and rows left out by reason, systems, first and last day (ordinals)."""

    rows: int = 0
    left_out: dict[str, int] = {}
    systems: int = 0
    first_day: int | None = None
    last_day: int | None = None

    def plus(self, other: Counts) -> Counts:
        """Both together."""
        reasons = sorted({*self.left_out, *other.left_out})
        return Counts(
            self.rows + other.rows,
            {reason: self.left_out.get(reason, 0) + other.left_out.get(reason, 0) for reason in reasons},
            self.systems + other.systems,
            min((day for day in (self.first_day, other.first_day) if day is not None), default=None),
            max((day for day in (self.last_day, other.last_day) if day is not None), default=None),
        )


@dataclass(frozen=True, eq=False)
class Cells:
    """Tables by name, each with the keys and figures of ``FORMATS``, one row for a key, sorted by key, no empty rows.

    Around a site: its circumstances as ``cap_missing;vibration?``, sorted, ``?`` where nobody looked.

    Example:
        >>> from leakinfer import Cells
        >>> isinstance(cells, Cells)  # counted as reduce_history shows
        True
        >>> list(cells.tables["repairs"].columns)
        ['component', 'exchanged', 'repairs', 'held']
    """

    scale: Scale
    counts: Counts
    tables: Mapping[str, DataFrame]

    def plus(self, other: Cells) -> Cells:
        """The cells of both histories, which must not share systems.

        Raises:
            InputError: cells made on different scales.
        """
        if self.scale != other.scale:
            raise InputError("were made with other bands or priors", where="cells", allowed="one scale for all")
        tables = {name: joined(name, [self.tables[name], other.tables[name]]) for name in FORMATS}
        return Cells(self.scale, self.counts.plus(other.counts), tables)

    def as_bytes(self) -> bytes:
        """The cells as JSON text; the same cells give the same bytes."""
        tables = {name: {key: table[key].tolist() for key in table} for name, table in sorted(self.tables.items())}
        plain = {"scale": self.scale, "counts": self.counts, "tables": tables}
        return msgspec.json.format(msgspec.json.encode(plain, order="deterministic"), indent=0)

    @property
    def digest(self) -> str:
        """SHA-256 of the cells."""
        return hashlib.sha256(self.as_bytes()).hexdigest()


def joined(name: str, parts: Sequence[DataFrame]) -> DataFrame:
    """Tables of one name, added row by row where keys are the same."""
    import pandas as pd

    keys, figures = FORMATS[name]
    together = pd.concat([part[[*keys, *figures]] for part in parts], ignore_index=True)
    added = together.groupby(list(keys), sort=True, as_index=False)[list(figures)].sum()
    filled = added[(added[list(figures)] != 0).any(axis=1)]
    return filled.reset_index(drop=True)


def total(parts: Sequence[Cells]) -> Cells:
    """All parts together; at least one."""
    return reduce(Cells.plus, parts)


def save(cells: Cells, path: Path) -> None:
    """Write cells as a JSON file.

    Example:
        >>> from pathlib import Path
        >>> from leakinfer import load_cells, save_cells
        >>> save_cells(cells, Path("cells.json"))  # counted as reduce_history shows
        >>> load_cells(Path("cells.json")).digest == cells.digest
        True
    """
    path.write_bytes(cells.as_bytes())


def load(path: Path) -> Cells:
    """Read cells that :func:`save` wrote.

    Raises:
        InputError: not such a file.

    Example:
        >>> from pathlib import Path
        >>> from leakinfer import load_cells
        >>> load_cells(Path("cells.json")).counts.systems  # written as save_cells shows
        2000
    """
    import pandas as pd

    where = str(path)
    try:
        plain = msgspec.json.decode(path.read_bytes())
        scale = checked(plain["scale"], Scale, where=where)
        counts = checked(plain["counts"], Counts, where=where)
        tables = {name: pd.DataFrame(_columns(plain["tables"][name], name, where)) for name in FORMATS}
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=where) from error
    except (msgspec.DecodeError, KeyError, TypeError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        allowed = "what 'leakinfer fleet cells' writes"
        raise InputError("is not a file of cells", where=where, allowed=allowed) from error
    return Cells(scale, counts, {name: joined(name, [table]) for name, table in tables.items()})


def _columns(told: Any, name: str, where: str) -> dict[str, list[Any]]:
    """The columns of one table, each of its kind."""
    keys, figures = FORMATS[name]
    kinds: dict[str, Any] = {key: list[str] if key in TEXTS else list[_WHOLE] for key in (*keys, *figures)}
    return {key: checked(told[key], kind, where=f"{where}: {name}.{key}") for key, kind in kinds.items()}
