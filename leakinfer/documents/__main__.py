"""Write the documents anew: ``python -m leakinfer.documents``."""

from __future__ import annotations

from pathlib import Path

from leakinfer.documents.commands import commands_page
from leakinfer.documents.library import library_page
from leakinfer.documents.priors import priors_page

PAGES = {"commands.md": commands_page, "library.md": library_page, "priors.md": priors_page}


def main() -> None:
    """Write each page beside this file."""
    for name, page in PAGES.items():
        Path(__file__).with_name(name).write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
