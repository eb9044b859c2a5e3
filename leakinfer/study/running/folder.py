"""The folder of a study: what it was made from, the blocks that are played so far, what it holds in the end."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
from msgspec import to_builtins
from msgspec.structs import asdict, replace

from leakinfer.catalogue.model import Value
from leakinfer.catalogue.toml_text import toml_text
from leakinfer.errors import InputError
from leakinfer.reading import checked, read_toml
from leakinfer.study.running.blocks import Tabled, unpacked
from leakinfer.study.running.files import UNFINISHED, write_whole
from leakinfer.study.running.plan import PROVENANCE, Plan, plan_from
from leakinfer.study.running.program import Program, refuse_other
from leakinfer.study.world.truths import Truth

STUDY = "study.toml"
TRUTHS = "truths.toml"  # a copy of the plan's truth file
BLOCKS = "blocks"
CHECK_BYTES = hashlib.sha256().digest_size

ANOTHER = "an empty folder, or the plan and the program that the study there began with"
HEAD = (
    "A study that was begun here: its plan, which 'leakinfer study run' can play again elsewhere, and where its",
    "results come from. Written by leakinfer.",
)
COMMENTS = {
    PROVENANCE: "Digests are SHA-256. priors: catalogue; files: all in priors/; code: all that plays; own: modules of\n"
    "one's own policies; origin: all of this with the plan and the truths.",
    "rows": "Of each table.",
    "sha256": "Of each table's file.",
    "truth": "The truths as they were played.",
}


class Provenance(Program, frozen=True):
    """Where results come from. ``origin``: digest of all that they depend on, plan and truths too."""

    origin: str


class Told(Value, frozen=True):
    """What a finished study holds: rows and SHA-256 of each table's file."""

    rows: dict[str, int]
    sha256: dict[str, str]


@dataclass(frozen=True)
class Study:
    """What ``study.toml`` says of a folder; ``told``: None until it is finished."""

    plan: Plan
    truths: tuple[Truth, ...]
    provenance: Provenance
    told: Told | None = None


@dataclass(frozen=True)
class Folder:
    """A folder that holds one study and no other."""

    path: Path
    study: Study

    def block(self, number: int) -> Path:
        """The file of a block."""
        return self.path / BLOCKS / f"{number:06}.block"

    def keep(self, number: int, data: bytes) -> None:
        """Keep a played block, whole or not at all."""
        write_whole(self.block(number), self._check(number, data) + data)

    def kept(self, number: int) -> Tabled | None:
        """A block as it was kept; None where it is not there or damaged."""
        path = self.block(number)
        content = path.read_bytes() if path.exists() else b""
        check, data = content[:CHECK_BYTES], content[CHECK_BYTES:]
        return unpacked(data) if check == self._check(number, data) else None

    def _check(self, number: int, data: bytes) -> bytes:
        """Digest of a block's content and of where it belongs."""
        return hashlib.sha256(f"{self.study.provenance.origin} {number} ".encode() + data).digest()

    def tell(self, told: Told | None) -> None:
        """Write down what the folder holds."""
        write_whole(self.path / STUDY, _text(self.study, told).encode())


def study_of(plan: Plan, program: Program, truths: Sequence[Truth]) -> Study:
    """A study that is to be played. Where its truth file lies does not matter."""
    here = None if plan.truth_file is None else TRUTHS
    parts = [replace(plan, truth_file=None), program, tuple(truths)]
    origin = hashlib.sha256(msgspec.json.encode(parts, order="sorted")).hexdigest()
    return Study(replace(plan, truth_file=here), tuple(truths), Provenance(**asdict(program), origin=origin))


def opened(path: Path, study: Study, truth_file: str | None) -> Folder:
    """The folder of a study, begun now or before. What a killed run left unfinished is removed.

    ``path``: a folder that this run has to itself.

    Raises:
        InputError: it holds another study, or something else.
    """
    _clear(path)
    folder = Folder(path, study)
    if (path / STUDY).exists():
        _refuse_another(read_study(path), study, str(path))
    elif any(path.iterdir()):
        raise InputError("is not empty, and no study was begun there", where=str(path), allowed=ANOTHER)
    else:
        folder.tell(None)
    if truth_file is not None:
        write_whole(path / TRUTHS, Path(truth_file).read_bytes())
    (path / BLOCKS).mkdir(exist_ok=True)
    return folder


def read_study(path: Path) -> Study:
    """What a folder of a study says of itself.

    Raises:
        InputError: no study was begun there, or its file is not as it was written.
    """
    where = path / STUDY
    if not where.exists():
        raise InputError("holds no study", where=str(path), allowed="a folder that 'leakinfer study run' filled")
    data = read_toml(where, dict[str, Any])
    if PROVENANCE not in data:
        raise InputError("is a plan, no study that was begun", where=str(where), allowed=ANOTHER)
    told = {key: data[key] for key in ("rows", "sha256") if key in data}
    return Study(
        plan_from(data, str(where)),
        checked(data.get("truth", []), tuple[Truth, ...], where=str(where)),
        checked(data[PROVENANCE], Provenance, where=f"{where}: {PROVENANCE}"),
        checked(told, Told, where=str(where)) if told else None,
    )


def _refuse_another(begun: Study, study: Study, where: str) -> None:
    """Refuse a study of another origin, and say what differs."""
    if begun.provenance.origin == study.provenance.origin:
        return
    old, new = to_builtins(begun.plan), to_builtins(study.plan)
    for key in old:
        if old[key] != new[key] and key != "truth_file":
            what = f"holds a study of another plan ({key}: {_words(old[key])}, not {_words(new[key])})"
            raise InputError(what, where=where, allowed=ANOTHER)
    refuse_other(begun.provenance, study.provenance, where=f"{where}: the study there", allowed=ANOTHER)
    raise InputError("holds a study of other truths", where=where, allowed=ANOTHER)


def _words(value: Any) -> str:
    return ", ".join(value) if isinstance(value, tuple) else str(value)


def _text(study: Study, told: Told | None) -> str:
    content = to_builtins(study.plan) | {PROVENANCE: to_builtins(study.provenance)}
    if told is not None:
        content |= to_builtins(told)
    return toml_text(content | {"truth": to_builtins(study.truths)}, COMMENTS, HEAD)


def _clear(path: Path) -> None:
    for unfinished in (*path.glob(f"*{UNFINISHED}"), *(path / BLOCKS).glob(f"*{UNFINISHED}")):
        unfinished.unlink(missing_ok=True)
