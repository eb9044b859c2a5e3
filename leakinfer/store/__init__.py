"""The durable journals of jobs: one file a job, to which events are only ever added; a shelf is a folder of them.

Domain-free: an event is a JSON object with a kind, a time and a person. What the events mean is decided elsewhere; only
the title and the system's name are looked for in a first event, to list a shelf.
"""

from leakinfer.store.copying import Backup, Saved, backup
from leakinfer.store.event import UNDO, Event, live
from leakinfer.store.exchange import export_json, export_text, import_json, imported_rows, parse_export, write_export
from leakinfer.store.journal import Journal, Moved, create
from leakinfer.store.migrating import migrate
from leakinfer.store.shelf import Shelf, Shelved

__all__ = [
    "UNDO",
    "Backup",
    "Event",
    "Journal",
    "Moved",
    "Saved",
    "Shelf",
    "Shelved",
    "backup",
    "create",
    "export_json",
    "export_text",
    "import_json",
    "imported_rows",
    "live",
    "migrate",
    "parse_export",
    "write_export",
]
