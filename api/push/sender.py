"""One receiver, told everything new in the order of commit, at least once.

Book and desk are the outbox: what has to be remembered is up to which commit number of each the receiver was
told, and what was put aside on the way there. Both are on the desk, written after the receiver has taken what
they cover; so a kill at any instant means that some are told again, under the same ids, and none is left out.

When the book was put back to an earlier state it is another instance, and the receiver is told on from where
the two have all in common: what came since is new, under ids of its own, and what was told before is not told
again. A book that was never the instance that the receiver knows is news from its first record on.

    taken          go on
    away           (no answer, or one that says "later") the same again after a pause, for `Pace.hold_s`;
                   then it is put aside, so that what follows is not held up for ever
    not taken      put aside at once; the third in a row counts as away: it is not the events then
    wants no more  stopped, until somebody says otherwise

What was put aside is sent again beside the news, ever more seldom, and is dead after the receiver's time to
give up: it stays listed, and is sent again when somebody asks for it.
"""

import asyncio
import logging
import random
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from sqlalchemy import Connection

from api.paging import Row
from api.push.events import Event, event_of
from api.push.pace import Pace
from api.push.receiver import Away, NotTaken, Receiver, WantsNoMore
from api.push.threads import in_thread
from api.stores import Stores
from collector.errors import StoreError
from collector.store.deliveries import (
    Place,
    find_due,
    find_place,
    keep_place,
    next_due_at,
    note_attempt,
    note_taken,
    put_aside,
)
from collector.store.feed import SOURCES, News, Reached, find_first_news, find_head, find_news
from collector.store.instances import find_lineage
from collector.store.queries import Record
from collector.store.tables import Room

BATCH = 20
"""Events between two writes of the place: so many may be told again after a kill."""
SKIPPED_MOST = 1000
"""Commits that are of no kind for this receiver before the place is written for their sake."""
DUE_BATCH = 5
"""Of what was put aside, between two batches of news."""
NOT_TAKEN_MOST = 3
RESTORED = (
    "the {room} stands before what was told already: it was restored from a backup, and its commit numbers "
    "would be given twice. Start the {maker} again, which makes the {room} another instance"
)
MAKERS: Mapping[Room, str] = {"book": "collector", "desk": "API"}
"""Who opens a room to write it, and then holds it against what is known of it outside."""

log = logging.getLogger(__name__)


@dataclass(slots=True)
class Trouble:
    """Since the receiver last took something."""

    failures: int = 0
    not_taken: int = 0
    says: str | None = None
    since: datetime | None = None
    held: Reached | None = None
    """The event that holds up what follows, …"""
    held_since_s: float = 0.0
    """… by the loop's clock, …"""
    held_attempts: int = 0
    """… after so many attempts."""


class Sender:
    """Tells one receiver, until it is cancelled.

    Args: dice: gives a number from 0 to 1.
    """

    def __init__(
        self,
        receiver: Receiver,
        stores: Callable[[], Stores],
        pace: Pace | None = None,
        dice: Callable[[], float] = random.random,
    ) -> None:
        self.receiver = receiver
        self.trouble = Trouble()
        self.waits: str | None = None
        """Why nothing can be told now, whatever the receiver says; None: it can."""
        self._stores = stores
        self._pace = pace or Pace()
        self._dice = dice
        self._place: Place | None = None
        """As the desk has it, or further."""
        self._written: Place | None = None
        """As the desk has it."""
        self._due_at: datetime | None = None
        """When the first of what was put aside is sent again; None: nothing waits."""
        self._woken = asyncio.Event()
        self._must_recall = True

    @property
    def place(self) -> Place | None:
        """None: neither book nor desk could be had yet."""
        return self._place

    def wake(self) -> None:
        """Look at the desk again: somebody has changed what is there."""
        self._must_recall = True
        self._woken.set()

    async def run(self) -> None:
        turns_failed = 0
        while True:
            try:
                pause_s = await self._turn()
                self.waits, turns_failed = None, 0
            except StoreError as error:
                turns_failed += 1
                pause_s = self._pace.pause_s(turns_failed, self._dice)
                self._wait_for(str(error))
            except Exception:
                log.exception("%s: a mistake of our own", self.receiver.name)
                pause_s = self._pace.longest_pause_s
                self._wait_for("a mistake of our own; the log has it")
            await self._rest(pause_s)

    def save(self) -> None:
        """Write the place, where it is not written yet. Raises: StoreError."""
        if self._place is not None and self._place != self._written:
            with self._stores().desk() as desk:
                keep_place(desk, self.receiver.name, self._place)
            self._written = self._place

    # ---- one turn ------------------------------------------------------------------------------------------

    async def _turn(self) -> float:
        """What is due, then a batch of news. Returns: s until the next."""
        self._woken.clear()
        if self._must_recall:
            self._must_recall = False
            await in_thread(self._recall)
        if not self._is_stopped and self._due_at is not None and self._due_at <= datetime.now(UTC):
            await self._send_due()
        return self._pace.longest_pause_s if self._is_stopped else await self._send_news()

    @property
    def _is_stopped(self) -> bool:
        assert self._place is not None
        return self._place.stopped_because is not None

    async def _rest(self, pause_s: float) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(pause_s):
                await self._woken.wait()

    def _recall(self) -> None:
        """From the desk; a receiver that is new begins where the site file says."""
        self.save()
        with self._stores().book() as connection:
            book = find_head(connection, "book")
        with self._stores().desk() as desk:
            place = find_place(desk, self.receiver.name)
            if place is None:
                heads = [book, find_head(desk, "desk")]
                if self.receiver.begin == "first":
                    heads = [replace(each, number=0) for each in heads]
                place = Place(heads[0], heads[1], datetime.now(UTC))
                keep_place(desk, self.receiver.name, place)
            self._due_at = next_due_at(desk, self.receiver.name)
        self._place = self._written = place

    async def _send_news(self) -> float:
        """What is new on the desk, then what is new in the book: cycles by the thousand must not hold up what
        people recorded."""
        desk, book = await in_thread(self._look)
        for row in (*desk.rows, *book.rows):
            pause_s = await self._offer(row)
            if pause_s is not None:
                await in_thread(self.save)
                return pause_s
        self._move_on("desk", desk.reached)
        self._move_on("book", book.reached)
        assert self._place is not None
        skipped = self._place.commits - (self._written.commits if self._written else 0)
        if desk.rows or book.rows or skipped >= SKIPPED_MOST:
            await in_thread(self.save)
        return 0.0 if desk.more or book.more else self._pace.look_every_s

    def _look(self) -> tuple[News, News]:
        """What is new on the desk and in the book, a batch together. Raises: StoreError: one of them can't be
        had, or was restored in a way that must not go on."""
        with self._stores().reading_desk() as connection:
            desk = self._find_news(connection, "desk", BATCH)
        with self._stores().book() as connection:
            return desk, self._find_news(connection, "book", BATCH - len(desk.rows))

    def _find_news(self, connection: Connection, room: Room, most: int) -> News:
        """Another desk is news from its first record on, and a book from where it was another instance."""
        assert self._place is not None
        head, reached = find_head(connection, room), self._place.of(room)
        if head.instance != reached.instance:
            shared = 0
            if room == "book":
                shared = find_lineage(connection).shared(reached.instance, reached.number)
            reached = replace(head, number=shared)
            self._place, self._written = self._place.at(room, reached, datetime.now(UTC)), None
        if head.number < reached.number:
            raise StoreError(RESTORED.format(room=room, maker=MAKERS[room]))
        kinds = self.receiver.kinds
        return find_first_news(connection, room, head, reached.number, most=most, kinds=kinds)

    async def _offer(self, row: Row) -> float | None:
        """Tell it one. Returns: s to pause before the same or the next; None: go on."""
        try:
            await self._tell(row)
        except NotTaken as error:
            self._fail(str(error))
            self.trouble.not_taken += 1
            if self.trouble.not_taken >= NOT_TAKEN_MOST:
                return await self._hold(row, None)
            await in_thread(self._put_aside, row, 1)
            return None
        except Away as error:
            self._fail(str(error))
            return await self._hold(row, error.asked_s)
        except WantsNoMore as error:
            await in_thread(self._stop, str(error))
            return self._pace.longest_pause_s
        self._succeed()
        self._move_on(_room_of(row), _which(row))
        return None

    async def _hold(self, row: Row, asked_s: float | None) -> float:
        """The same again after a pause; or, where it has held up the others for long enough, put aside."""
        trouble, now_s = self.trouble, asyncio.get_running_loop().time()
        if trouble.held != _which(row):
            trouble.held, trouble.held_since_s, trouble.held_attempts = _which(row), now_s, 0
        trouble.held_attempts += 1
        if now_s - trouble.held_since_s >= self._pace.hold_s:
            await in_thread(self._put_aside, row, trouble.held_attempts)
        return self._pause_s(asked_s)

    def _put_aside(self, row: Row, attempts: int) -> None:
        """In one transaction with the place behind it."""
        assert self._place is not None
        now = datetime.now(UTC)
        next_at = now + self._pace.again_in(attempts, self._dice)
        place = self._place.at(_room_of(row), _which(row), now)
        with self._stores().desk() as desk:
            put_aside(
                desk,
                self.receiver.name,
                _which(row),
                kind=row["kind"],
                attempts=attempts,
                error=self.trouble.says or "",
                at=now,
                next_at=next_at,
            )
            keep_place(desk, self.receiver.name, place)
        self._place = self._written = place
        self._due_at = min(self._due_at or next_at, next_at)
        says = "%s: commit %d of the %s is put aside: %s"
        log.warning(says, self.receiver.name, row["number"], _room_of(row), self.trouble.says)

    def _stop(self, says: str) -> None:
        assert self._place is not None
        self._place = replace(self._place, told_at=datetime.now(UTC), stopped_because=says)
        with self._stores().desk() as desk:
            keep_place(desk, self.receiver.name, self._place)
        self._written = self._place
        log.error(
            "%s wants no more, so it is told nothing until somebody resumes it: it %s",
            self.receiver.name,
            says,
        )

    # ---- what was put aside --------------------------------------------------------------------------------

    async def _send_due(self) -> None:
        """A few of it, up to the first at which the receiver is away."""
        due, rows = await in_thread(self._find_due)
        not_before: datetime | None = None
        for each, row in zip(due, rows, strict=True):
            error: str | None = None
            try:
                if row is None:
                    raise NotTaken("its record is not there any more")
                await self._tell(row)
            except WantsNoMore as no_more:
                await in_thread(self._stop, str(no_more))
                return
            except NotTaken as refusal:
                error = str(refusal)
            except Away as away:
                error = str(away)
                not_before = datetime.now(UTC) + self._pace.again_in(1, self._dice)
            await in_thread(self._note, each, error, is_lost=row is None)
            if not_before is not None:
                break
        self._due_at = await in_thread(self._next_due_at)
        if self._due_at is not None and not_before is not None:
            self._due_at = max(self._due_at, not_before)

    def _find_due(self) -> tuple[list[Record], list[Row | None]]:
        with self._stores().desk() as desk:
            due = find_due(desk, self.receiver.name, datetime.now(UTC), last=DUE_BATCH)
        with self._stores().book() as book, self._stores().reading_desk() as desk:
            rooms = {"book": book, "desk": desk}
            return due, [_find_again(rooms[SOURCES[each["kind"]].room], each) for each in due]

    def _note(self, each: Record, error: str | None, is_lost: bool) -> None:
        now = datetime.now(UTC)
        with self._stores().desk() as desk:
            if error is None:
                note_taken(desk, each["delivery_id"])
                return
            next_at = now + self._pace.again_in(each["attempts"] + 1, self._dice)
            is_dead = is_lost or next_at >= each["since"] + self.receiver.give_up_after
            note_attempt(desk, each["delivery_id"], error=error, at=now, next_at=None if is_dead else next_at)
        if is_dead:
            says = "%s: commit %d is given up after %d attempts: %s"
            log.error(says, self.receiver.name, each["commit_number"], each["attempts"] + 1, error)

    def _next_due_at(self) -> datetime | None:
        with self._stores().desk() as desk:
            return next_due_at(desk, self.receiver.name)

    # ---- how it goes ---------------------------------------------------------------------------------------

    async def _tell(self, row: Row) -> None:
        try:
            event: Event = event_of(row)
        except Exception as error:
            log.exception("%s: commit %d can't be told", self.receiver.name, row["number"])
            raise NotTaken(f"a mistake of our own; the log has it: {type(error).__name__}") from error
        await self.receiver.tell(event)

    def _move_on(self, room: Room, reached: Reached) -> None:
        assert self._place is not None
        if self._place.of(room) != reached:
            self._place = self._place.at(room, reached, datetime.now(UTC))

    def _fail(self, says: str) -> None:
        if self.trouble.failures == 0:
            self.trouble.since = datetime.now(UTC)
        if self.trouble.says != says:
            log.warning("%s: %s", self.receiver.name, says)
        self.trouble.failures += 1
        self.trouble.says = says

    def _wait_for(self, says: str) -> None:
        if self.waits != says:
            log.warning("%s is told nothing now: %s", self.receiver.name, says)
        self.waits = says
        self._must_recall = True

    def _succeed(self) -> None:
        if self.trouble.failures:
            log.info("%s takes what it is told again", self.receiver.name)
            self.trouble = Trouble()

    def _pause_s(self, asked_s: float | None = None) -> float:
        return self._pace.pause_s(self.trouble.failures, self._dice, asked_s)


def _room_of(row: Row) -> Room:
    return SOURCES[row["kind"]].room


def _which(row: Row) -> Reached:
    return Reached(row["instance"], row["number"])


def _find_again(connection: Connection, each: Record) -> Row | None:
    """What was put aside, as it is now. `connection`: to the room that it is in."""
    kind, number = each["kind"], each["commit_number"]
    rows = find_news(connection, number - 1, room=SOURCES[kind].room, last=1, kinds=(kind,))
    return next((row for row in rows if _which(row) == Reached(each["instance"], number)), None)
