"""Jobs at work: each is read, believed and planned once per event, however many people ask at the same time."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Generic, TypeVar

from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.planner.model import Plan
from leakinfer.planner.plan import dearer_work, make_plan
from leakinfer.session.beginning import Beginning
from leakinfer.session.jobfile import Opened, replayed, tell
from leakinfer.store import Event, Journal, Moved, Shelf
from leakinfer.store.event import Row
from leakinfer.web.asked import NotHere
from leakinfer.words.history import Line, told_so_far
from leakinfer.words.job import SiteVerdict, judged_sites

KEPT_JOBS = 24  # whose last answers stay in memory
TRIES = 20  # to tell again what was taken back
AT_ONCE = 2  # answers worked out at the same time; more would only share the processor

T = TypeVar("T")
_working = threading.Semaphore(AT_ONCE)


class Once(Generic[T]):
    """A value that is worked out when it is first asked for; all others wait for that."""

    def __init__(self, make: Callable[[], T]) -> None:
        self._make, self._lock, self._made = make, threading.Lock(), list[T]()

    def __call__(self) -> T:
        """The value."""
        with self._lock:
            if not self._made:
                self._made.append(self._make())
            return self._made[0]


class Seen:
    """A job as it stands at one event, with what follows from it."""

    def __init__(
        self,
        job_id: str,
        title: str,
        job: Job,
        rows: tuple[Row, ...],
        notices: tuple[str, ...],
        believed: Belief | None = None,
    ) -> None:
        self.id, self.title, self.job, self.rows = job_id, title, job, rows
        self.events = events = tuple(row.event() for row in rows)
        self.notices, self.last = notices, rows[-1].number
        self.noted: Any = None  # what the last telling did, for the page that follows it
        self._kept: dict[object, Once[Any]] = {}
        self._belief = Once(lambda: believed or _worked(lambda: Belief(self.job)))
        self._plan = Once(self._planned)
        self._wider = Once(self._widened)
        self._verdicts = Once(lambda: judged_sites(self.belief))
        self._lines = Once(lambda: told_so_far(events, self.job.catalogue, title))

    @property
    def belief(self) -> Belief:
        """What is believed now."""
        return self._belief()

    @property
    def plan(self) -> Plan:
        """Where next."""
        return self._plan()

    @property
    def wider(self) -> Plan:
        """The plan with what would be worth asking the customer for."""
        return self._wider()

    @property
    def verdicts(self) -> dict[str, SiteVerdict]:
        """By site what can be said of it."""
        return self._verdicts()

    @property
    def lines(self) -> tuple[Line, ...]:
        """All that holds, in words."""
        return self._lines()

    def once(self, key: object, make: Callable[[], T]) -> T:
        """What ``make`` makes, worked out once under that key; as in a turn, it must not wait for one itself."""
        made: T = self._kept.setdefault(key, Once(lambda: _worked(make)))()
        return made

    def _planned(self) -> Plan:
        belief = self.belief  # before the turn is taken, since it takes a turn of its own
        plan = _worked(lambda: make_plan(belief))
        return _worked(lambda: dearer_work(belief, plan)) if plan.stop.stop else plan

    def _widened(self) -> Plan:
        belief, plan = self.belief, self.plan
        return plan if plan.stop.stop else _worked(lambda: dearer_work(belief, plan))


def _worked(make: Callable[[], T]) -> T:
    """What ``make`` makes, when it is its turn; it must not wait for a turn itself."""
    with _working:
        return make()


class Stale(InputError):
    """The page that something was told from is older than the job; ``seen`` is the job as it is now.

    ``again``: whether it may be told once more as it is. What changes the last thing told may not: that is another now.
    """

    def __init__(self, seen: Seen, based_on: int, *, again: bool = True) -> None:
        self.seen, self.based_on, self.again = seen, based_on, again
        super().__init__(
            "the job has moved on since this page was made", where=seen.title, allowed="looking again first"
        )


class _Entry:
    """The last answer of one job, and who may change it."""

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.seen: Seen | None = None


class Desk:
    """The jobs of a shelf, and what new ones may begin with. All methods may be called from any thread."""

    def __init__(self, shelf: Shelf, beginning: Beginning | None = None) -> None:
        self.shelf, self.beginning = shelf, beginning or Beginning()
        self._entries: OrderedDict[str, _Entry] = OrderedDict()
        self._lock = threading.Lock()

    def see(self, job_id: str) -> Seen:
        """The job as it stands now.

        Raises:
            InputError: there is no such job, or it cannot be read.
        """
        path = self._path(job_id)
        entry = self._entry(job_id)
        with entry.lock, Journal.open(path) as journal:
            return self._seen(job_id, entry, journal)

    def tell(
        self, job_id: str, kind: str, body: Callable[[Job], Mapping[str, Any]], *, who: str, based_on: int, token: str
    ) -> tuple[Seen, Seen]:
        """Add an event; the job before it and with it. Told twice with one token it is added once: then the job as it
        is now, twice.

        Raises:
            Stale: others have told something since the page was made, or the token told of something else; nothing
                was added.
            InputError: the event does not fit; nothing was added.
        """
        path = self._path(job_id)
        entry = self._entry(job_id)
        with entry.lock, Journal.open(path) as journal:
            seen = self._seen(job_id, entry, journal)
            there = next((row.number for row in seen.rows if row.token == token), None)
            if there is None and seen.last != based_on:
                raise Stale(seen, based_on)
            try:
                if there is not None:  # the journal compares it with what was told then, of the job as it was then
                    job = self._replayed(journal, seen.events[: there - 1]).job
                    journal.append(kind, body(job), who=who, expected_last=None, token=token)
                    return seen, seen
                held = Opened(journal.path, journal, seen.job, seen.last, seen.notices)
                job, belief = tell(held, kind, body(seen.job), who=who, where="", token=token)
            except Moved as error:  # another program wrote in between, or the token told of something else
                raise Stale(self._seen(job_id, entry, journal), based_on) from error
            entry.seen = Seen(job_id, seen.title, job, journal.rows(), seen.notices, belief)
            return seen, entry.seen

    def undo(self, job_id: str, *, who: str, based_on: int, token: str) -> Seen:
        """Take back the last thing told.

        Raises:
            Stale: others have told something since the page was made; nothing was taken back.
            InputError: nothing is left to take back.
        """
        path = self._path(job_id)
        entry = self._entry(job_id)
        with entry.lock, Journal.open(path) as journal:
            try:
                journal.undo_last(who, expected_last=based_on, token=token)
            except Moved as error:
                raise Stale(self._seen(job_id, entry, journal), based_on, again=False) from error
            return self._seen(job_id, entry, journal)

    def tell_again(
        self, job_id: str, kind: str, body: Callable[[Job], Mapping[str, Any]], *, who: str, based_on: int, token: str
    ) -> tuple[Seen, Seen]:
        """Take the last event back and tell it anew; the job before it and with it, as :meth:`tell` gives them.

        Raises:
            Stale: others have told something since the page was made; nothing was changed.
        """
        with self._entry(job_id).lock:
            self.undo(job_id, who=who, based_on=based_on, token=token)
            for _ in range(TRIES):
                now = self.see(job_id)
                with suppress(Stale):  # another program wrote in between: what was taken back must not be lost
                    return self.tell(job_id, kind, body, who=who, based_on=now.last, token=f"{token}+")
        raise Stale(self.see(job_id), based_on, again=False)

    def _path(self, job_id: str) -> Path:
        """The file of a job.

        Raises:
            NotHere: there is no such job.
        """
        try:
            return self.shelf.path(job_id)
        except InputError as error:
            raise NotHere(error.what, where=error.where, allowed=error.allowed) from error

    def _entry(self, job_id: str) -> _Entry:
        with self._lock:
            entry = self._entries.setdefault(job_id, _Entry())
            self._entries.move_to_end(job_id)
            while len(self._entries) > KEPT_JOBS:
                self._entries.popitem(last=False)
            return entry

    def _seen(self, job_id: str, entry: _Entry, journal: Journal) -> Seen:
        """The answer that is there already, if it is of the same events; called with the entry's lock."""
        rows = journal.rows()
        if entry.seen is None or entry.seen.rows != rows:
            held = self._replayed(journal, tuple(row.event() for row in rows))
            title = str(rows[0].event().body.get("title") or held.job.system.name)
            entry.seen = Seen(job_id, title, held.job, rows, held.notices)
        return entry.seen

    def _replayed(self, journal: Journal, events: tuple[Event, ...]) -> Opened:
        """The job that events tell, with the priors here where they are those that it began with."""
        return replayed(journal.path, journal, events, at_hand=self.beginning.at_hand)
