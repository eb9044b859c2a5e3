"""Libraries that come with an extra: where one is missing, one line says how to get it."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager

from leakinfer.errors import InputError


@contextmanager
def needing(extra: str, libraries: Collection[str], command: str = "") -> Iterator[None]:
    """One of the ``libraries`` of an extra that is missing inside the block becomes one line. ``command``: what asks
    for it, where it is not called as the extra is.

    Raises:
        InputError: naming the library.
    """
    try:
        yield
    except ModuleNotFoundError as error:
        library = (error.name or "").partition(".")[0]
        if library not in libraries:
            raise
        raise InputError(
            f"{library} is missing, needs pip install 'leakinfer[{extra}]'", where=command or extra
        ) from error
