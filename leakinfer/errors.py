"""The one shape of an error that a person can mend: what, where, and what is allowed."""

from __future__ import annotations


class InputError(ValueError):
    """Something given from outside is not usable.

    Prints as one line: ``WHERE: WHAT; allowed: ALLOWED``. Nothing has been changed when it is raised.

    Example:
        >>> from leakinfer import InputError, load_system
        >>> try:
        ...     load_system("ductles_split")
        ... except InputError as error:
        ...     print(error.what, "|", error.where)
        unknown system 'ductles_split' | system
    """

    def __init__(self, what: str, *, where: str = "", allowed: str = "") -> None:
        self.what, self.where, self.allowed = (" ".join(part.split()) for part in (what, where, allowed))
        super().__init__(self.line())

    def line(self) -> str:
        """The error as one line."""
        head = f"{self.where}: " if self.where else ""
        tail = f"; allowed: {self.allowed}" if self.allowed else ""
        return f"{head}{self.what}{tail}"
