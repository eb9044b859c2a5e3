"""The tables of a study: played blocks as Parquet files, and those as data frames.

``jobs.parquet``, ``steps.parquet`` and ``chances.parquet`` hold the rows of :mod:`leakinfer.study.model` by system,
truth, job, policy; the same study gives the same bytes. ``times.parquet``, row by row beside the jobs, holds what
computing took, which no two runs share.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leakinfer.errors import InputError
from leakinfer.study.model import JobRow
from leakinfer.study.running.blocks import ROWS, Columns, kinds
from leakinfer.study.running.files import replacing
from leakinfer.study.running.folder import Folder, Provenance, Told, read_study
from leakinfer.study.running.plan import Plan
from leakinfer.study.world.truths import Truth

if TYPE_CHECKING:
    from pandas import DataFrame

TIMES = "times"
SECONDS = "seconds"  # the one column that differs from run to run
GROUP_ROWS = 100_000  # of a Parquet file, at least

AGAIN = "the same 'leakinfer study run' again, which goes on where it was"


@dataclass(frozen=True)
class Tables:
    """A finished study.

    ``jobs``, ``steps``, ``chances``: data frames with the columns of ``JobRow``, ``StepRow`` and ``ChanceRow``.
    """

    jobs: DataFrame
    steps: DataFrame
    chances: DataFrame
    plan: Plan
    truths: tuple[Truth, ...]
    provenance: Provenance


def fields_of(table: str) -> dict[str, type]:
    """Columns of a file, with the kind of each."""
    if table == TIMES:
        return {
            name: kind for name, kind in kinds(JobRow).items() if name in ("system", "truth", "policy", "job", SECONDS)
        }
    return {name: kind for name, kind in kinds(ROWS[table]).items() if name != SECONDS}


def assemble(folder: Folder, blocks: int) -> Told:
    """Write the tables from all blocks, in their order.

    Raises:
        InputError: a block is not there.
    """
    files = {name: folder.path / f"{name}.parquet" for name in (*ROWS, TIMES)}
    with ExitStack() as open_files:
        writers = {name: open_files.enter_context(_writing(path, name)) for name, path in files.items()}
        for number in range(blocks):
            found = folder.kept(number)
            if found is None:
                raise InputError("is not there", where=str(folder.block(number)), allowed=AGAIN)
            for name, writer in writers.items():
                writer.add(found["jobs" if name == TIMES else name])
    rows = {name: writers[name].rows for name in ROWS}
    return Told(rows, {name: _digest(files[name]) for name in ROWS})


def read(out: Path) -> Tables:
    """The tables of the folder of a finished study.

    Raises:
        InputError: no study, one that is not finished, or a table that is not as it was written.

    Example:
        >>> from pathlib import Path
        >>> from leakinfer import read_study
        >>> tables = read_study(Path("lists"))  # played as run_study shows
        >>> len(tables.jobs), tables.plan.name
        (4, 'Two fixed lists')
        >>> bool((tables.jobs["minutes"] <= tables.plan.most_minutes).all())
        True
    """
    import pyarrow.parquet as pq

    study = read_study(out)
    if study.told is None:
        raise InputError("is not finished", where=str(out), allowed=AGAIN)
    for name, digest in study.told.sha256.items():
        path = out / f"{name}.parquet"
        if not path.exists() or _digest(path) != digest:
            raise InputError("is not as it was written", where=str(path), allowed=AGAIN)
    frames = {name: pq.read_table(out / f"{name}.parquet").to_pandas() for name in ROWS}
    return Tables(**_with_seconds(frames, out), plan=study.plan, truths=study.truths, provenance=study.provenance)


def _with_seconds(frames: dict[str, DataFrame], out: Path) -> dict[str, DataFrame]:
    """The frames, with the seconds that computing took beside the jobs; not a number where they are not kept."""
    import pyarrow.parquet as pq

    path = out / f"{TIMES}.parquet"
    if not path.exists():
        return frames | {"jobs": frames["jobs"].assign(**{SECONDS: float("nan")})}
    times = pq.read_table(path).to_pandas()
    keys = [name for name in times if name != SECONDS]
    return frames | {"jobs": frames["jobs"].merge(times, on=keys, how="left", validate="one_to_one")}


@contextmanager
def _writing(path: Path, table: str) -> Iterator[_Writer]:
    """A table that takes the name ``path`` once the block ends well."""
    with replacing(path) as unfinished:
        writer = _Writer(unfinished, fields_of(table))
        try:
            yield writer
            writer.flush()
        finally:
            writer.close()


class _Writer:
    """Columns of many blocks into one file, in groups of many rows."""

    def __init__(self, path: Path, fields: Mapping[str, type]) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        arrow = {str: pa.string(), int: pa.int64(), float: pa.float64(), bool: pa.bool_()}
        self.rows = 0
        self._schema = pa.schema([pa.field(name, arrow[kind], nullable=False) for name, kind in fields.items()])
        self._waiting: list[Any] = []
        self._file = pq.ParquetWriter(path, self._schema, compression="zstd")

    def add(self, columns: Columns) -> None:
        """Add the rows of a block."""
        import pyarrow as pa

        part = pa.table({name: columns[name] for name in self._schema.names}, schema=self._schema)
        self._waiting.append(part)
        self.rows += part.num_rows
        if sum(each.num_rows for each in self._waiting) >= GROUP_ROWS:
            self.flush()

    def flush(self) -> None:
        """Write what waits."""
        import pyarrow as pa

        rows = pa.concat_tables(self._waiting) if self._waiting else None
        if rows is not None and rows.num_rows:
            self._file.write_table(rows, row_group_size=rows.num_rows)
        self._waiting = []

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
