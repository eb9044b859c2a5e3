"""The command line: ``leakinfer COMMAND``. Each command is loaded only when it is asked for."""

from leakinfer.cli.entry import main

__all__ = ["main"]
