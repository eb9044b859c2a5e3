"""The durable journal of a job: one file, to which events are only ever added.

Domain-free: an event is a JSON object with a kind, a time and a person. What the events mean is decided elsewhere.
"""

from leakinfer.store.event import UNDO, Event, live
from leakinfer.store.journal import Journal, create

__all__ = ["UNDO", "Event", "Journal", "create", "live"]
