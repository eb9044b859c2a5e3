"""Typed reading of the plain files in ``priors/`` and ``data_demo/``: a wrong file is refused with file and key."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

import msgspec
from msgspec import Meta

from leakinfer.errors import InputError

T = TypeVar("T")

# What fields of the plain files may hold; ``Known``: how a number is known.
Text = Annotated[str, Meta(min_length=1)]
Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Probability = Annotated[float, Meta(ge=0, le=1)]
Known = Literal["published", "secondary", "memory", "computed", "judgement", "learned"]

PACKAGE = Path(__file__).parent


def shipped(*parts: str) -> Path:
    """The path of a shipped file or folder, as ``shipped("priors", "systems")``.

    In a wheel the two data folders lie inside the package, in a checkout beside it.

    Example:
        >>> from leakinfer import shipped
        >>> sorted(path.name for path in shipped("data_demo").iterdir() if path.is_dir())
        ['fleet', 'orders', 'study']
    """
    installed = PACKAGE / "shipped" / parts[0]
    root = installed if installed.exists() else PACKAGE.parent / parts[0]
    return root.joinpath(*parts[1:])


def read_text(path: Path) -> str:
    """The text of a file; a missing, empty or binary file is refused.

    Raises:
        InputError: naming the file.
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=str(path)) from error
    except UnicodeDecodeError as error:
        raise InputError("is not a text file", where=str(path), allowed="UTF-8 text") from error
    if "\x00" in text:
        raise InputError("is not a text file", where=str(path), allowed="UTF-8 text")
    if not text.strip():
        raise InputError("is empty", where=str(path))
    return text


def read_toml(path: Path, kind: type[T]) -> T:
    """A TOML file as a checked value of type ``kind``.

    Raises:
        InputError: with the file, the line or key, and what was expected.
    """
    try:
        data = tomllib.loads(read_text(path))
    except tomllib.TOMLDecodeError as error:
        raise InputError(str(error), where=str(path), allowed="TOML 1.0") from error
    return checked(data, kind, where=str(path))


def checked(data: Any, kind: type[T], *, where: str) -> T:
    """Plain data as a checked value of type ``kind``; ``where`` names its origin in the error."""
    try:
        return msgspec.convert(data, kind)
    except msgspec.ValidationError as error:
        what, _, key = str(error).partition(" - at ")
        spot = f"{where}: {key.strip('`').removeprefix('$.') or 'top level'}" if key else where
        raise InputError(what.replace("`", ""), where=spot) from error


def known(value: str, choices: Iterable[str] | Mapping[str, Any], *, what: str, where: str) -> str:
    """``value`` if it is one of ``choices``, else an error that lists the choices.

    Raises:
        InputError: naming ``what`` and the choices, closest ones first.
    """
    names = list(choices)
    if value in names:
        return value
    import difflib  # only on the error path

    near = difflib.get_close_matches(value, names, n=3, cutoff=0.5)
    listed = near + [name for name in names if name not in near]
    more = f", ... ({len(listed)} in all)" if len(listed) > 12 else ""
    raise InputError(f"unknown {what} '{value}'", where=where, allowed=", ".join(listed[:12]) + more)
