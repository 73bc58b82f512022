"""The writer: the only way into the book.

How it works. Pollers hand over entries and wait. One thread, with the one connection that may write, takes
all that has queued up meanwhile (up to a bound), sets it down in one transaction, commits once, and then
tells every poller how its entry fared. While one commit waits for the disk the next group gathers by
itself, so a slow disk makes groups larger and not pollers slower; there is no timer.

Why it is safe.
- A call to `commit` returns only after the database's commit, which on SQLite means a synced write-ahead
  log. Whoever is told "done" may forget the cycle; whoever is not, keeps it: the poller's position has not
  moved, and the controller's ring or the broker's queue still has the cycle.
- An entry's position is compared with the book's and set in the transaction that stores its cycles. So an
  entry that was committed though its poller never heard of it (a kill, a cut connection) can't go in twice:
  the second time it is refused as stale. The natural key of `cycle` refuses the same cycle in any other
  guise.
- An entry goes in whole or not at all. If the database refuses a group for what is in it, the group is
  rolled back and its entries are set down one by one, each in a transaction of its own: a bad entry fails
  alone. If it refuses because it is locked, full or gone, all of them fail, and all come again.
- A poller that was cancelled while it waited leaves its entry in the queue; it is committed as a whole, or
  not.
- Commit numbers are given out and become visible in one order, since the transactions that give them out
  follow one another; a rolled-back transaction gives its numbers back. So a reader that has seen number n
  has seen all before it.
- What is kept in memory (ids of controllers and tools) is what was committed; after any failure it is read
  again.
- Two collectors can't write one book: the connection holds its lock (see engine.py).
- A book that went back to an earlier state becomes another instance in the first transaction of a connection,
  before anything else (see instances.py): at the start, and when a database server comes back as another.
"""

import asyncio
import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, Self, TypeVar

import orjson
from sqlalchemy import Connection, Engine, select
from sqlalchemy.exc import SQLAlchemyError

from collector.errors import BookDamaged, StoreError
from collector.model import (
    SET_VALUES,
    ControllerIdentity,
    ControllerMemory,
    Cycle,
    Entry,
    LateEntry,
    LateOutcome,
    Position,
    ToolName,
)
from collector.statements import Draft
from collector.store import statements, tables
from collector.store.booking import Booking, Known, not_registered
from collector.store.driver_sql import upsert
from collector.store.engine import is_of_the_store, is_ready, shrink_log, store_errors, translate
from collector.store.findings import FindingEnd, NewFinding, note_findings
from collector.store.instances import SETTLED, settle, write_head
from collector.store.late import find_known, take_late

log = logging.getLogger(__name__)

CYCLES_MOST = 500
ENTRIES_MOST = 64
"""Of one transaction; a single entry may have more cycles."""
JOBS_MOST = 1024
"""Waiting in the queue; beyond it the writer takes no more for now."""
IDLE_S = 30.0
"""After so long without work the write-ahead log is shrunk."""
HEAD_EVERY_S = 60.0
"""At least between two writes of book.head while there is work."""

Answer = TypeVar("Answer")
AS_ANOTHER = (
    "the book was put back to an earlier state, or is a copy, and is another instance from here on: %s. "
    "Integrators are refused with 410 and pull anew"
)


@dataclass(eq=False, slots=True)
class Job:
    """A caller's future, resolved when the job is done; it may have been cancelled meanwhile."""

    future: asyncio.Future[Any]


@dataclass(eq=False, slots=True)
class Commit(Job):
    entry: Entry


@dataclass(eq=False, slots=True)
class Call(Job):
    function: Callable[[Connection], Any]
    """Runs in a transaction of its own."""


def utc_now() -> datetime:
    return datetime.now(UTC)


class Writer:
    """Entered once, left once. Leaving it commits what is queued, shrinks the log and closes the engine."""

    instance: str
    """The identity of this book when it was opened."""

    def __init__(self, engine: Engine, now: Callable[[], datetime] = utc_now, idle_s: float = IDLE_S) -> None:
        """`engine`: from `open_book_writer`, its book migrated."""
        self._engine = engine
        self._now = now
        self._idle_s = idle_s
        self._jobs: deque[Job] = deque()
        self._changed = threading.Condition()
        self._closing = False
        self._known: Known | None = None
        self._log_grown = False
        self._head_due_s = 0.0

    async def __aenter__(self) -> Self:
        """Raises: StoreError: the book can't be opened, or another collector writes it."""
        self._loop = asyncio.get_running_loop()
        self._broken = self._loop.create_future()
        # Where nobody watches any more, every caller has heard of it: asyncio need not report it.
        self._broken.add_done_callback(asyncio.Future.exception)
        self.instance = await asyncio.to_thread(self._read_instance)
        self._begin_work()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._changed:
            self._closing = True
            self._changed.notify()
        await self._end_work()

    async def register(self, identities: Sequence[ControllerIdentity]) -> None:
        """Make these controllers known, or change where they stand. Durable on return. Raises: StoreError."""

        def write(connection: Connection) -> None:
            rows = [asdict(identity) for identity in identities]
            if rows:
                statement = upsert(connection.dialect.name, tables.controller, tuple(rows[0]), key="name")
                connection.execute(statement, rows)
            self._known = None

        await self._call(write)

    async def recall(self, controller: str) -> ControllerMemory:
        """What the book knows of a controller, for a poller that begins.

        Raises: StoreError: the book can't be read now, or the controller is not registered.
        """
        return await self._call(lambda connection: find_memory(connection, controller))

    async def find_known(
        self, controller: str, serial: str | None, cycles: Sequence[Cycle], modulus: int
    ) -> list[bool]:
        """Of each of these records, whether the book has it already; see `late.find_known`.

        Raises: as `recall`.
        """
        return await self._call(
            lambda connection: find_known(
                connection, _find_controller_id(connection, controller), serial, cycles, modulus
            )
        )

    async def owner_of(self, controller_serial: str) -> str | None:
        """Name under which a controller of that identity was read last, if ever. Raises: StoreError."""
        controller, epoch = tables.controller, tables.epoch
        here = select(controller.c.name).where(controller.c.serial == controller_serial)
        once = (
            select(controller.c.name)
            .join(epoch, epoch.c.controller_id == controller.c.controller_id)
            .where(epoch.c.serial == controller_serial)
            .order_by(epoch.c.noticed_at.desc())
            .limit(1)
        )
        return await self._call(lambda connection: connection.scalar(here) or connection.scalar(once))

    async def take_late(self, entry: LateEntry) -> LateOutcome:
        """Put late cycles into the gaps that they close; durable on return.

        Raises: StoreError: the store can't take it, and nothing of it is in the book.
        """

        def write(connection: Connection) -> LateOutcome:
            known = self._known or Known.read(connection)
            outcome = take_late(connection, known, self._now(), entry)
            self._known = None  # read again after the commit: there may be new tools
            return outcome

        return await self._call(write)

    async def close_shifts(self, drafts: Sequence[Draft]) -> bool:
        """Put statements into the book, all of them or none; durable on return. See `statements.write`.

        Raises: StoreError: the store can't take them.
        """
        return await self._call(lambda connection: statements.write(connection, drafts, self._now()))

    async def note_findings(self, new: Sequence[NewFinding], ends: Sequence[FindingEnd]) -> int:
        """Store what the analysis noticed, and end what it found to hold no more; durable on return. Done
        twice, it is done once.

        Returns: how many rows were stored or ended. Raises: StoreError: nothing of it is in the book.
        """
        return await self._call(
            lambda connection: note_findings(
                connection, self._known or Known.read(connection), self._now(), new, ends
            )
        )

    async def commit(self, entry: Entry) -> None:
        """Put an entry into the book; durable on return.

        Raises: StalePosition: the book stands elsewhere than `entry.expected`; StoreError: the store can't
        take it. Nothing of the entry is in the book then; only where the connection was cut in mid-commit it
        may be, and the next try is refused as stale.
        """
        await self._submit(Commit(self._loop.create_future(), entry))

    async def watch(self) -> None:
        """Runs until cancelled. Raises: BookDamaged, or whatever mistake of ours has ended the thread."""
        await asyncio.shield(self._broken)

    async def _call(self, function: Callable[[Connection], Answer]) -> Answer:
        answer: Answer = await self._submit(Call(self._loop.create_future(), function))
        return answer

    async def _submit(self, job: Job) -> Any:
        with self._changed:
            if self._closing:
                raise StoreError("the writer is closed; nothing more goes into the book")
            if len(self._jobs) >= JOBS_MOST:
                raise StoreError(f"{len(self._jobs)} entries wait for the store already; try again later")
            self._jobs.append(job)
            self._changed.notify()
        return await job.future

    def _begin_work(self) -> None:
        self._thread = threading.Thread(target=self._run, name="writer")
        self._thread.start()

    async def _end_work(self) -> None:
        """Returns when all that is queued is done."""
        await asyncio.to_thread(self._thread.join)

    # ---- on the thread -------------------------------------------------------------------------------------

    def _run(self) -> None:
        group: Sequence[Job] = ()
        try:
            while self._wait():
                group = self._take_group()
                self._serve(group)
                if time.monotonic() >= self._head_due_s:
                    self._write_head()
            self._write_head()
            shrink_log(self._engine)
        except Exception as error:
            self._stop_by(error, group)
        finally:
            self._engine.dispose()

    def _stop_by(self, error: Exception, group: Sequence[Job]) -> None:
        if isinstance(error, BookDamaged):
            self._give_up(error, error, group)
        else:
            log.error("the writer has stopped", exc_info=error)
            says = "the writer has stopped by a mistake of its own; see the log and start again"
            self._give_up(error, StoreError(says), group)

    def _wait(self) -> bool:
        """Until there is work: True; or until it is closed and all is done: False."""
        while True:
            with self._changed:
                idle_s = self._idle_s if self._log_grown else None
                if self._changed.wait_for(lambda: self._jobs or self._closing, idle_s):
                    return bool(self._jobs)
            self._write_head()
            self._log_grown = not shrink_log(self._engine)

    def _write_head(self) -> None:
        write_head(self._engine)
        self._head_due_s = time.monotonic() + HEAD_EVERY_S

    @contextmanager
    def _transaction(self) -> Iterator[Connection]:
        """The first one of a connection begins with the question whether the book is still the same."""
        because: str | None = None
        with self._engine.begin() as connection:
            about = connection.info
            if SETTLED not in about:
                self._known = None
                because = settle(connection, self._now)
            yield connection
        about[SETTLED] = True
        if because is not None:
            log.warning(AS_ANOTHER, because)

    def _take_group(self) -> Sequence[Job]:
        """The oldest job, and with a commit as many commits behind it as one transaction may hold."""
        with self._changed:
            group = [self._jobs.popleft()]
            cycles = _cycles_of(group[0])
            while self._jobs and isinstance(group[0], Commit) and isinstance(self._jobs[0], Commit):
                cycles += _cycles_of(self._jobs[0])
                if cycles > CYCLES_MOST or len(group) == ENTRIES_MOST:
                    break
                group.append(self._jobs.popleft())
        return group

    def _serve(self, group: Sequence[Job]) -> None:
        match group:
            case [Call() as call]:
                self._answer(call)
            case _:
                self._commit([job for job in group if isinstance(job, Commit)])

    def _answer(self, call: Call) -> None:
        answer: Any = None
        try:
            with self._transaction() as connection:
                answer = call.function(connection)
        except Exception as error:
            answer = in_our_words(error)
        if isinstance(answer, BookDamaged):
            raise answer
        self._settle([(call, answer)])

    def _commit(self, group: Sequence[Commit]) -> None:
        try:
            refused = self._book([commit.entry for commit in group])
        except Exception as error:
            self._known = None
            if isinstance(damage := in_our_words(error), BookDamaged):
                raise damage from error
            if is_of_the_store(error):
                self._fail([*group, *self._take_all_if_closing()], error)
            elif len(group) == 1:
                self._fail(group, error)
            else:
                for commit in group:
                    self._commit([commit])
        else:
            self._settle(list(zip(group, refused, strict=True)))

    def _book(self, entries: Sequence[Entry]) -> list[StoreError | None]:
        """One transaction. Returns why each entry was refused; None where it was not."""
        with self._transaction() as connection:
            known = self._known or Known.read(connection)
            booking = Booking(connection, known, self._now())
            refused = [booking.take(entry) for entry in entries]
            booking.finish()
        self._known = Known(known.controllers, known.tools | booking.new_tools)
        self._log_grown = True
        return refused

    def _take_all_if_closing(self) -> list[Job]:
        """Leaving must not wait out the busy timeout again and again: what failed once ends it for all."""
        with self._changed:
            jobs = list(self._jobs) if self._closing else []
            if jobs:
                self._jobs.clear()
        return jobs

    def _fail(self, jobs: Sequence[Job], error: Exception) -> None:
        self._settle([(job, in_our_words(error)) for job in jobs])

    def _settle(self, answers: Sequence[tuple[Job, Any]]) -> None:
        with suppress(RuntimeError):  # the loop is closed: nobody waits any more
            self._loop.call_soon_threadsafe(_resolve, answers)

    def _give_up(self, error: Exception, says: StoreError, group: Sequence[Job]) -> None:
        """Nothing more goes into the book: `watch` raises the error, every job fails by what it `says`."""
        with self._changed:
            self._closing = True
            jobs = [*group, *self._jobs]
            self._jobs.clear()
        self._settle([(job, says) for job in jobs])
        self._settle([(Job(self._broken), error)])

    def _read_instance(self) -> str:
        if not is_ready(self._engine, "book"):
            raise StoreError("the book is not at the revision that this version writes; migrate it first")
        with store_errors(), self._transaction() as connection:
            instance: str = connection.scalars(select(tables.book.c.instance)).one()
        self._write_head()
        return instance


def _cycles_of(job: Job) -> int:
    return len(job.entry.cycles) if isinstance(job, Commit) else 0


def _resolve(answers: Sequence[tuple[Job, Any]]) -> None:
    for job, answer in answers:
        if job.future.done():
            continue  # its caller was cancelled
        if isinstance(answer, Exception):
            job.future.set_exception(answer)
        else:
            job.future.set_result(answer)


def in_our_words(error: Exception) -> Exception:
    """A StoreError for what the database refused; a mistake of ours stays what it is."""
    if isinstance(error, SQLAlchemyError):
        ours = translate(error)
    elif isinstance(error, OverflowError):
        ours = StoreError(f"a number is too large for the store ({error})")
    else:
        return error
    ours.__cause__ = error
    return ours


# ---- what pollers ask --------------------------------------------------------------------------------------


def find_memory(connection: Connection, controller: str) -> ControllerMemory:
    """Raises: StoreError: not registered."""
    controller_id = _find_controller_id(connection, controller)
    position, mount, tool, fault, status = (
        tables.position,
        tables.mount,
        tables.tool,
        tables.fault,
        tables.controller_status,
    )
    at = connection.execute(select(position).where(position.c.controller_id == controller_id)).one_or_none()
    mounted = connection.execute(
        select(tool.c.maker, tool.c.model, tool.c.serial)
        .join(mount, mount.c.tool_id == tool.c.tool_id)
        .where(mount.c.controller_id == controller_id, mount.c.unmounted_at.is_(None))
    ).one_or_none()
    open_faults = connection.execute(
        select(fault.c.code, fault.c.acknowledged_at).where(
            fault.c.controller_id == controller_id, fault.c.cleared_at.is_(None)
        )
    )
    seen = connection.execute(
        select(
            status.c.read_at,
            status.c.state,
            status.c.clock_offset_ms,
            status.c.clock_uncertainty_ms,
            status.c.settings,
        ).where(status.c.controller_id == controller_id)
    ).one_or_none()
    cycle = tables.cycle
    last = connection.execute(
        select(cycle)
        .where(cycle.c.controller_id == controller_id)
        .order_by(cycle.c.epoch.desc(), cycle.c.sequence.desc())
        .limit(1)
    ).one_or_none()
    here = (at.epoch, at.sequence) if at else None
    # what a log brought is a row of the log, not the controller's record
    of_memory = last is not None and last.brought_by is None and (last.epoch, last.sequence) == here
    looked_at = seen.read_at if seen else None
    if seen and seen.state == "starting":  # it did not show what it remembers
        looked_at = last.ended_at if last else None
    settings = {name: getattr(last, name, None) for name in SET_VALUES}
    settings |= orjson.loads(seen.settings) if seen and seen.settings else {}
    return ControllerMemory(
        position=Position(at.epoch, at.sequence, at.total_count, at.read_through_at) if at else None,
        tool=ToolName(*mounted) if mounted else None,
        last_ended_at=last.ended_at if last else None,
        last_uncertainty_ms=last.time_uncertainty_ms if last else None,
        last_controller_time=datetime.fromisoformat(last.controller_time)
        if last and last.controller_time
        else None,
        last_raw=bytes(last.raw) if last and of_memory else None,
        read_at=looked_at,
        open_faults={code: acknowledged_at is not None for code, acknowledged_at in open_faults},
        clock_offset_ms=seen.clock_offset_ms if seen else None,
        clock_uncertainty_ms=seen.clock_uncertainty_ms if seen else None,
        controller_serial=connection.scalar(
            select(tables.controller.c.serial).where(tables.controller.c.controller_id == controller_id)
        ),
        settings={name: value for name, value in settings.items() if value is not None},
    )


def _find_controller_id(connection: Connection, controller: str) -> int:
    controller_id: int | None = connection.scalar(
        select(tables.controller.c.controller_id).where(tables.controller.c.name == controller)
    )
    if controller_id is None:
        raise not_registered(controller)
    return controller_id
