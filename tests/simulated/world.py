"""One world: a plant, a collector and a stretch of plant time in which things go wrong; then quiet, in which
everything has to come right.
"""

import asyncio
import hashlib
import logging
import random
from collections import Counter
from collections.abc import Coroutine, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import log10
from typing import Any

from sqlalchemy import Connection, Row, select

from collector.errors import StoreError
from collector.store import tables
from tests.simulated.book import Killed, Shelf
from tests.simulated.broker import Broker
from tests.simulated.collector import Collector
from tests.simulated.compare import Comparison, Told, compare
from tests.simulated.faults import draw
from tests.simulated.kinds import Kind, Protocol, draw_kind
from tests.simulated.loop import VirtualLoop
from tests.simulated.machines import Machine, WrongClock, since
from tests.simulated.network import Place, Way
from tests.simulated.truth import Made, identities

PROTOCOLS: tuple[Protocol, ...] = ("modbus", "s7", "mqtt")
POLLS_MOST = 300
"""Of one world: keeps it cheap."""
RESTART_S = 5.0
"""A service manager's pause before it starts a collector that could not begin."""
DRIFT_MOST = 100e-6
"""Of a quartz."""
QUIET_S = 120.0
"""After the last fault: longer than the longest pause between two tries to connect."""
NEAR = 300
"""Numbers to either side."""
SLOWEST_S = 30.0
"""A message on its way, while they come out of order."""
BOOK_TABLES = (
    "position",
    "controller",
    "tool",
    "mount",
    "cycle",
    "curve",
    "tally",
    "gap",
    "fault",
    "quarantine",
)


@dataclass(slots=True)
class Outcome:
    """What became of one world."""

    seed: int
    plant_s: float
    comparison: Comparison
    faults: Counter[str]
    story: list[str]
    digest: str
    """Of all rows of the book."""


class Site:
    """One place in the plant, with the controller that belongs there."""

    def __init__(self, world: "World", place: Place, kind: Kind) -> None:
        self.place, self.kind, self.world = place, kind, world
        self.machine = place.machine
        """The one that belongs here; while addresses are swapped it is not the one that answers here."""
        self.before: list[Made] = []
        """What those made that were here before it."""
        self.broker = place.broker
        self.publishes = "well"
        self.status_every_s = world.draw_status_pause()
        self.tools: set[int] = set()
        self._fell_back_in: int | None = None
        """Epoch of the book when the sequence fell back and the book had not seen it yet."""
        self._held = False
        self._unmet_in: int | None = None
        """Epoch of the book when another controller, which tells who it is, came here."""
        self._count_changed_at: datetime | None = None
        self._clock_changed_at: datetime | None = None
        self._swapped_at: datetime | None = None
        self._disordered_until: datetime | None = None
        """Until then a message may come that others overtook."""
        self.install(self.machine)

    @property
    def name(self) -> str:
        return self.place.name

    @property
    def made(self) -> list[Made]:
        return [*self.before, *self.machine.made]

    def install(self, machine: Machine) -> None:
        if machine is not self.machine:
            self.before = self.made
            self.machine.retire()
        if self.place.machine is self.machine:
            self.place.machine = machine
        self.machine = machine
        machine.may_go_on = self.may_go_on
        machine.on_cycle = self._publish_cycle

    def caught_up(self) -> Machine:
        self.machine.advance(self.world.now())
        return self.machine

    def mount(self, tool: int) -> None:
        self._swapped_at = self.world.utc_now()
        self.machine.tool = tool
        self.tools.add(tool)
        self.tell()

    def tell(self) -> None:
        """Publish a status, where this controller does."""
        if self.broker is not None and self.machine.powered:
            self._send("status", self.machine.status(), qos=0, retain=True)

    async def hurry(self, pause_s: float, for_s: float) -> None:
        usual, self.machine.pause_s = self.machine.pause_s, pause_s
        await asyncio.sleep(for_s)
        self.caught_up().pause_s = usual

    # ---- what no reader could ever know (see faults.NOT_DRAWN) ---------------------------------------------

    def may_go_on(self) -> bool:
        """Not up to the book's position, after a fall-back that the book has not seen."""
        if not (self._held and self._unseen()):
            return True
        position = self.world.position(self.name)
        assert position is not None
        return self._behind(position.sequence, self.machine.sequence + 1)

    def may_fall_back(self, to: int, memory_lost: bool, count: int) -> bool:
        """Args: to, count: what it will show then."""
        position = self.world.position(self.name)
        if self._is_disordered() and not self._messages_tell:
            return False
        if position is None:
            return self.broker is None
        if self.broker is not None and self._unmet_in is not None and position.epoch <= self._unmet_in:
            return False
        if (self._unseen() and not memory_lost) or self._count_unseen():
            return False
        if self.kind.narrow and self.machine.count - (position.total_count or 0) > self.kind.modulus // 4:
            return False
        if self._tells(position, to, count):
            return True
        return self._behind(position.sequence, to) and self._behind(position.sequence, to + 1)

    def fell_back(self, to: int, count: int) -> None:
        position = self.world.position(self.name)
        if position is not None:
            self._held = (self._unseen() and self._held) or not self._tells(position, to, count)
            if not self._unseen():
                self._fell_back_in = position.epoch

    def _is_disordered(self) -> bool:
        still = self._disordered_until is not None and self.world.utc_now() < self._disordered_until
        return still or self.publishes == "out of order"

    def may_be_disordered(self) -> bool:
        return self._messages_tell or not self._unseen()

    def may_have_sent(self, sequence: int) -> bool:
        """Whether a message with such a number, or one near it, may still come."""
        position = self.world.position(self.name)
        if self.broker is None or self._messages_tell or position is None:
            return False
        oldest = position.sequence - NEAR
        unread = (self.machine.sequence - position.sequence) % self.kind.modulus
        return (sequence - oldest) % self.kind.modulus <= unread + 2 * NEAR

    @property
    def _messages_tell(self) -> bool:
        """A count, or a time of a clock that is shown."""
        shows = self.kind.record_shows
        return "total_count" in shows or ("controller_time" in shows and "clock" in self.kind.status_shows)

    def is_known(self) -> None:
        """Its identity tells that it never was the one before, whatever it shows."""
        self._held = False
        position = self.world.position(self.name)
        self._unmet_in = None if position is None else position.epoch

    def may_mount(self, tool: int) -> bool:
        is_told = "tool_serial" in self.kind.record_shows or "tool_serial" not in self.kind.status_shows
        return is_told or tool not in self.tools or not self._is_unread_since(self._swapped_at)

    def can_change_count(self) -> bool:
        return not self.kind.narrow and not self._unseen() and not self._count_unseen()

    def count_changed(self) -> None:
        self._count_changed_at = self.world.utc_now()

    def can_change_clock(self) -> bool:
        is_known = self.world.position(self.name) is not None
        return is_known and not self._is_unread_since(self._clock_changed_at) and not self.place.logs

    @property
    def clock_was_changed(self) -> bool:
        return self._clock_changed_at is not None

    def clock_changed(self, shows_after_s: float = 0.0) -> None:
        self._clock_changed_at = self.world.utc_now() + timedelta(seconds=shows_after_s)

    def _tells(self, position: Row[Any], to: int, count: int) -> bool:
        """Whether the counter will show that it is another memory, however far it counts."""
        if self.broker is not None or not self.kind.knows("total_count") or position.total_count is None:
            return False
        return bool((count - to - position.total_count + position.sequence) % self.kind.modulus)

    def _unseen(self) -> bool:
        if self._fell_back_in is not None:
            position = self.world.position(self.name)
            if position is None or position.epoch > self._fell_back_in:
                self._fell_back_in, self._held = None, False
        return self._fell_back_in is not None

    def _count_unseen(self) -> bool:
        return self._is_unread_since(self._count_changed_at)

    def _is_unread_since(self, at: datetime | None) -> bool:
        if at is None:
            return False
        position = self.world.position(self.name)
        return position is None or position.read_through_at is None or position.read_through_at <= at

    def _behind(self, position: int, sequence: int) -> bool:
        return (sequence - position) % self.kind.modulus > self.kind.modulus // 2

    # ---- publishing ----------------------------------------------------------------------------------------

    async def publish(self) -> None:
        """Runs until cancelled."""
        world, next_status = self.world, 0.0
        while True:
            await asyncio.sleep(max(min(self.machine.due, next_status) - world.now(), 0.0))
            self.caught_up()
            if world.now() >= next_status:
                next_status = world.now() + self.status_every_s
                self.tell()

    def _publish_cycle(self, made: Made) -> None:
        if self.broker is None:
            return
        retain = self.publishes == "retained"
        self._send("cycle", made.raw, qos=1, retain=retain)
        if made.samples:
            self._send("curve", self.machine.curve_of(made), qos=1, retain=retain)

    def _send(self, topic: str, payload: bytes, qos: int, retain: bool) -> None:
        assert self.broker is not None
        if self.publishes == "into nothing":
            return
        dice = self.place.way.dice
        slow = self.publishes == "out of order" and qos and dice.random() < 0.3
        delay_s = dice.uniform(0.5, SLOWEST_S) if slow else 0.005
        if slow:
            self._disordered_until = self.world.utc_now() + timedelta(seconds=SLOWEST_S)
        for _ in range(2 if self.publishes == "twice" and qos and dice.random() < 0.5 else 1):
            asyncio.get_running_loop().call_later(
                delay_s, self.broker.publish, f"{self.place.name}/{topic}", payload, qos, retain
            )


class World:
    def __init__(self, shelf: Shelf, seed: int) -> None:
        self.shelf = shelf
        self.seed = seed
        self._dice = dice = random.Random(f"world {seed}")
        self.start = datetime(2031, 1, 1, tzinfo=UTC) + timedelta(seconds=dice.randrange(365 * 86_400))
        self.utc = since(self.start)
        self.plant_s = 10 ** dice.uniform(log10(180), log10(dice.choice([900, 1800, 9000])))
        self.faults: Counter[str] = Counter()
        self.story: list[str] = []
        self.down_s = 0.0
        self._lives = 0
        self._loop = VirtualLoop()
        self._identities = identities()
        self._tools = [dice.randint(1, 2**32 - 1) for _ in range(dice.randint(1, 4))]
        self._stop, self._killed = asyncio.Event(), asyncio.Event()
        self._well = asyncio.Event()
        self._over = False
        self.sites: list[Site] = []
        for name in "ABC"[: dice.choice([1, 1, 2, 3])]:
            self.sites.append(self._site(name))
        least = self.plant_s * len(self.sites) / POLLS_MOST
        self.poll_interval_s = max(least, dice.choice([0.3, 1.0, 4.0, 12.0]))
        self._commit_s = dice.choice([0.001, 0.02, 0.2])

    # ---- time, book, story ---------------------------------------------------------------------------------

    def now(self) -> float:
        return self._loop.time()

    def utc_now(self) -> datetime:
        return self.utc(self._loop.time())

    def say(self, what: str) -> None:
        self.story.append(f"{self.now():10.1f} s  {what}")

    def position(self, name: str) -> Row[Any] | None:
        """How far the book has got with a controller."""
        position, controller = tables.position, tables.controller
        with self.shelf.reader.connect() as book:
            return book.execute(
                select(position).join_from(position, controller).where(controller.c.name == name)
            ).one_or_none()

    def has_met(self, machine: Machine) -> bool:
        """Whether the book knows a controller by its identity."""
        known = select(tables.epoch.c.epoch).where(tables.epoch.c.serial == str(machine.serial))
        with self.shelf.reader.connect() as book:
            return book.execute(known.limit(1)).one_or_none() is not None

    # ---- building ------------------------------------------------------------------------------------------

    def draw_tool(self, dice: random.Random) -> int:
        return dice.choice(self._tools)

    def draw_status_pause(self) -> float:
        return max(self.plant_s / POLLS_MOST, self._dice.choice([1.0, 8.0, 30.0]))

    def _site(self, name: str) -> Site:
        dice = random.Random(f"world {self.seed} site {name}")
        protocol = dice.choice(PROTOCOLS)
        pause_s = dice.choice([2.0, 5.0, 15.0, 40.0])
        cycles = self.plant_s / pause_s * 1.5 + 600
        kind = draw_kind(dice, protocol, bits_enough=int(cycles).bit_length() + 1)
        if self.sites and dice.random() < 0.4:
            kind, pause_s = self.sites[0].kind, self.sites[0].machine.pause_s
        most = min(kind.modulus, 2**48)
        sequence = dice.choice(
            [0, 0, dice.randrange(100), dice.randrange(most), (kind.modulus - dice.randint(1, 100)) % 2**62]
        )
        count = dice.choice([sequence % 2**31, dice.randrange(100_000)])
        machine = self.machine(kind, dice, pause_s, sequence, count)
        way = Way(random.Random(f"world {self.seed} way {name}"), dice.choice([0.001, 0.01, 0.08]))
        place = Place(name, way, machine, self.now)
        if kind.protocol == "mqtt":
            place.broker = Broker(way.dice, self.utc_now, dice.choice([100, 1000]))
        site = Site(self, place, kind)
        machine.tool = self.draw_tool(dice)
        site.tools.add(machine.tool)
        machine.begin(self.now(), earlier=dice.choice([0, dice.randrange(2 * kind.slots + 5)]))
        return site

    def twin(self, site: Site) -> Site | None:
        """Another site with a controller of the same kind."""
        return next((each for each in self.sites if each.kind is site.kind and each is not site), None)

    def machine(self, kind: Kind, dice: random.Random, pause_s: float, sequence: int, count: int) -> Machine:
        """A controller that has not begun yet, with a clock of its own."""
        said = self.utc_now() + timedelta(hours=dice.choice([0, 0, 1, -5]), seconds=dice.gauss(0, 100))
        if dice.random() < 0.1:
            said = datetime(dice.choice([1970, 1990]), 1, 1, 1, tzinfo=UTC)
        clock = WrongClock(self.utc_now(), said, 1 + dice.uniform(-DRIFT_MOST, DRIFT_MOST))
        machine = Machine(kind, dice.randrange(1, 2**31), pause_s, clock, dice, self.utc, self._identities)
        machine.sequence, machine.count, machine.cleared = sequence, count, count
        return machine

    # ---- running -------------------------------------------------------------------------------------------

    def run(self) -> Outcome:
        self.shelf.begin(random.Random(f"world {self.seed} store"))
        mistakes = _Mistakes()
        logging.getLogger("collector").addHandler(mistakes)
        try:
            self._loop.run_until_complete(self._run())
            self.shelf.trouble.heal(self.shelf)
            self.shelf.engine.dispose()
            with self.shelf.reader.connect() as book:
                comparison = compare(book, self.truth())
                digest = _digest(book)
        finally:
            logging.getLogger("collector").removeHandler(mistakes)
            self._loop.close()
        comparison.wrong[:0] = mistakes.said
        return Outcome(self.seed, self.now(), comparison, self.faults, self.story, digest)

    def truth(self) -> list[Told]:
        return [
            Told(
                site.place.name,
                site.kind,
                site.made,
                frozenset(site.tools),
                site.machine.sequence,
            )
            for site in self.sites
        ]

    async def _run(self) -> None:
        for site in self.sites:
            self.say(f"{site.place.name}: {_in_words(site)}")
        collector = asyncio.create_task(self._keep_running())
        publishing = [asyncio.create_task(site.publish()) for site in self.sites if site.broker]
        faults = [asyncio.create_task(self._befall(number)) for number in range(self._dice.randint(1, 14))]
        watched = [collector, *publishing, *faults]
        await self._watch(asyncio.sleep(self.plant_s), watched)
        for each in faults:
            each.cancel()
        await asyncio.gather(*faults, return_exceptions=True)
        self._all_well()
        await self._watch(self._come_right(), watched)
        self._over = True
        self.stop()
        await collector
        for each in publishing:
            each.cancel()
        await asyncio.gather(*publishing, return_exceptions=True)

    async def _watch(self, stretch: Coroutine[Any, Any, None], tasks: Sequence[asyncio.Task[Any]]) -> None:
        """Raises: what any of the tasks raises."""
        main = asyncio.ensure_future(stretch)
        while not main.done():
            running = [each for each in tasks if not each.done()]
            await asyncio.wait([main, *running], return_when=asyncio.FIRST_COMPLETED)
            for each in tasks:
                if each.done() and not each.cancelled():
                    each.result()

    async def _come_right(self) -> None:
        """Production goes on until each controller has made a cycle that nothing could harm, then stops."""
        self.say("no more faults")
        await asyncio.sleep(QUIET_S)
        made = [len(site.caught_up().made) for site in self.sites]
        waited_s = 0
        while any(len(site.caught_up().made) <= n for site, n in zip(self.sites, made, strict=True)):
            await asyncio.sleep(5)
            waited_s += 5
            if waited_s > 3600:
                break  # the comparison says what stands still
        for site in self.sites:
            site.machine.producing = False
        await asyncio.sleep(QUIET_S)

    def _all_well(self) -> None:
        self._well.set()
        self.shelf.trouble.calm(self.shelf)
        for site in self.sites:
            if site.place.way.weather != "fair":
                site.place.way.change("fair")
            site.publishes = "well"
            machine = site.caught_up()
            site.place.machine = machine  # no address is swapped any more
            machine.nonsense_until, machine.spoil_next = 0.0, False
            if site.broker is not None and not site.broker.up:
                site.broker.start(session_kept=True, retained_kept=True)

    async def _befall(self, number: int) -> None:
        dice = random.Random(f"world {self.seed} fault {number}")
        await asyncio.sleep(dice.uniform(0, self.plant_s))
        site = dice.choice(self.sites)
        fault = draw(dice, site)
        site.caught_up()
        self.say(f"{site.place.name}: {fault.name}")
        if await fault.befall(self, site, dice):
            self.faults[fault.name] += 1
            self.say(f"{site.place.name}: {fault.name} is over")
        else:
            self.say(f"{site.place.name}: {fault.name} not now")

    # ---- the collector's lives -----------------------------------------------------------------------------

    def kill(self) -> None:
        self._killed.set()

    def stop(self) -> None:
        self._stop.set()

    async def _keep_running(self) -> None:
        while not self._over:
            self._stop.clear()
            self._killed.clear()
            self._lives += 1
            dice = random.Random(f"world {self.seed} life {self._lives}")
            self.say("collector starts")
            try:
                await self._live(dice)
            except StoreError as error:
                self.say(f"collector could not begin: {error}")
                self.down_s = max(self.down_s, RESTART_S)
            down_s, self.down_s = self.down_s, 0.0
            with suppress(TimeoutError):
                async with asyncio.timeout(down_s + 0.1):
                    await self._well.wait()

    async def _live(self, dice: random.Random) -> None:
        collector = Collector(
            self.shelf.engine,
            [site.place for site in self.sites],
            self.poll_interval_s,
            self.utc_now,
            lambda: self._commit_s * dice.random(),
            dice,
        )
        kills = self.shelf.trouble.kills
        try:
            await collector.live(self._stop, self._killed)
            self.say("collector stopped")
        except Killed:
            if self.shelf.trouble.kills == kills:
                self.shelf.take_image()
            self.say("collector killed")
            self.shelf.come_back()


class _Mistakes(logging.Handler):
    """What the collector itself calls unexpected."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        cause = record.exc_info[1] if record.exc_info else None
        self.said.append(f"{record.getMessage()} ({type(cause).__name__}: {cause})")


def _in_words(site: Site) -> str:
    kind, machine = site.kind, site.machine
    return (
        f"{kind.protocol}, {kind.bits} bits from {machine.sequence}, {kind.slots} slots by {kind.slot_by}, "
        f"status shows {', '.join(sorted(kind.status_shows)) or 'nothing'}, "
        f"record {', '.join(sorted(kind.record_shows)) or 'nothing'}, clock {kind.clock}, "
        f"{kind.samples} samples, a cycle every {machine.pause_s} s"
    )


def _digest(book: Connection) -> str:
    digest = hashlib.sha256()
    for name in BOOK_TABLES:
        table = tables.BOOK.tables[name]
        for row in book.execute(select(table).order_by(*table.primary_key.columns)):
            digest.update(repr(tuple(row)).encode())
    return digest.hexdigest()
