"""What goes wrong in a world: drawn from the seed, each with its time, place and length."""

import asyncio
import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from collector.layouts.decoder import Decoder
from tests.simulated.network import Weather
from tests.simulated.truth import log_row_of

if TYPE_CHECKING:
    from tests.simulated.world import Site, World

NOT_DRAWN = """
What no reader could ever know, and therefore is not drawn:

- A controller whose sequence fell back runs on, unread, up to the book's position or beyond, with no counter
  that contradicts: nothing that it shows then tells it from one that never fell back. It waits there until
  the book has seen it.
- A second fall-back to an older number while the first is unseen: a cycle that is lost in it has its place
  among those of a memory that nobody ever read; how many are lost the counter tells, but not where.
- A fall-back of a pushing controller before the book has met it, be it the second in its place: its session
  may hold messages from before.
- More than half a circle of cycles while nobody could read, without a counter that tells how many circles;
  and with one, a count that somebody enters, or a fall-back behind so many unread cycles.
- Another controller, of a kind that tells no identity, in the place of the first, with a count or a sequence
  that could be the first one's, or with records of its past: its count is lower here, it brings none, and the
  rule of the fall-back holds for it.
- Swapped addresses of controllers that tell no identity, or before the book has met both: nothing shows whose
  cycles they are.
- A replacement while addresses are swapped: an identity that nobody knows, where another one stood.
- A clock set by less than one reading of it can be wrong by (its resolution, a message's delay).
- A clock that is set, or stands still, at a controller that pushes: its statuses come when they come, and a
  stamp from between two of them looks like that of a delayed message until the next one shows the clock.
  So another controller in its place, of a kind that tells no identity, has the clock of the one before.
- A log with stamps of a clock that was set since: nobody says by how much it was wrong when.
- A tool that comes back before anybody saw that it was gone, where no record names its tool.
- A clock set before the book has met its controller, which remembers stamps of the time before.
- A clock set a second time before the first was seen, or one that stood still and was set right before it
  was far enough behind to be seen: a stamp from between is of a clock that nobody ever
  read.
- A count that somebody enters between a restart and the first look at it: the one witness of how many cycles
  are missing then says something else, and nothing else says that it does.
- A status block longer than one request: read in parts, its parts are of different instants, and a sequence
  of one with a count of the other is a status that never was. Layouts of the trade fit in one request.
- Sequences that count beyond 2^62 from below: no tool lives to count so far.
- Another controller in the place of one that pushes, with a number of those that may still queue in the
  broker or that others overtook, where messages tell neither a time nor a count.
- A fall-back of a controller that pushes, and whose messages tell neither a time nor a count, while messages
  come out of order: one from before it, overtaken by one from after, has a number as it will come again.
- The last messages before the end are not lost: only a later one tells that they are missing.
"""


@dataclass(frozen=True, slots=True)
class Fault:
    name: str
    likely: float
    suits: Callable[["Site"], bool]
    befall: Callable[["World", "Site", random.Random], Awaitable[bool]]
    """Returns: False: it could not be done honestly now (see NOT_DRAWN), so it was not."""


def a_while(dice: random.Random) -> float:
    """Seconds: mostly short, sometimes an hour."""
    return float(10 ** dice.uniform(-0.5, dice.choice([1.0, 1.5, 2.0, 3.0, 3.6])))


def any_site(_: "Site") -> bool:
    return True


def is_read(site: "Site") -> bool:
    return site.broker is None


def is_pushed(site: "Site") -> bool:
    return site.broker is not None


def has_twin(site: "Site") -> bool:
    return is_read(site) and site.kind.knows("controller_serial") and site.world.twin(site) is not None


# ---- links -------------------------------------------------------------------------------------------------


def weather(kind: Weather) -> Callable[["World", "Site", random.Random], Awaitable[bool]]:
    async def befall(world: "World", site: "Site", dice: random.Random) -> bool:
        site.place.way.change(kind)
        await asyncio.sleep(a_while(dice))
        site.place.way.change("fair")
        return True

    return befall


async def cut(world: "World", site: "Site", dice: random.Random) -> bool:
    for _ in range(dice.choice([1, 1, 3, 8])):
        site.place.way.cuts += 1
        await asyncio.sleep(dice.uniform(0.1, 5))
    return True


# ---- the store and the collector ---------------------------------------------------------------------------


def store(kind: str) -> Callable[["World", "Site", random.Random], Awaitable[bool]]:
    async def befall(world: "World", site: "Site", dice: random.Random) -> bool:
        world.shelf.trouble.strike(world.shelf, kind)
        await asyncio.sleep(a_while(dice))
        world.shelf.trouble.heal(world.shelf)
        return True

    return befall


async def kill_at_statement(world: "World", site: "Site", dice: random.Random) -> bool:
    for _ in range(dice.choice([1, 1, 2, 5])):
        world.shelf.trouble.kill_soon(dice.randint(1, 60))
        await asyncio.sleep(dice.uniform(1, 30))
    return True


async def kill_now(world: "World", site: "Site", dice: random.Random) -> bool:
    for _ in range(dice.choice([1, 1, 2, 5])):
        world.kill()
        await asyncio.sleep(dice.uniform(0, 3))
    return True


async def stop(world: "World", site: "Site", dice: random.Random) -> bool:
    world.down_s = a_while(dice)
    world.stop()
    return True


async def down(world: "World", site: "Site", dice: random.Random) -> bool:
    world.down_s = a_while(dice) * 5
    world.kill()
    return True


# ---- controllers -------------------------------------------------------------------------------------------


async def tool_swap(world: "World", site: "Site", dice: random.Random) -> bool:
    for _ in range(dice.choice([1, 1, 2, 4])):
        tool = world.draw_tool(dice)
        if not site.may_mount(tool):
            return False
        site.mount(tool)
        await asyncio.sleep(dice.uniform(0, 20))
    return True


async def count_entered(world: "World", site: "Site", dice: random.Random) -> bool:
    if not site.can_change_count():
        return False
    site.machine.count = dice.choice([0, dice.randrange(100_000)])
    site.machine.cleared = 0
    site.count_changed()
    return True


async def clears_count_since(world: "World", site: "Site", dice: random.Random) -> bool:
    site.machine.cleared = 0
    return True


async def unreadable(world: "World", site: "Site", dice: random.Random) -> bool:
    for _ in range(dice.choice([1, 1, 3])):
        site.machine.spoil_next = True
        await asyncio.sleep(dice.uniform(0, 60))
    return True


async def nonsense(world: "World", site: "Site", dice: random.Random) -> bool:
    site.machine.nonsense_until = world.now() + dice.uniform(0.1, 20)
    return True


async def burst(world: "World", site: "Site", dice: random.Random) -> bool:
    await site.hurry(dice.uniform(0.02, 0.5), dice.uniform(2, 20))
    return True


async def restart(world: "World", site: "Site", dice: random.Random) -> bool:
    """Power off and on; what it remembers then is drawn."""
    machine, kind = site.machine, site.kind
    fall = dice.choice(["nothing", "memory", "memory", "older", "older", "zero"])
    off_s, starting_s = dice.choice([0.2, 2.0, a_while(dice)]), dice.choice([0.0, 1.0, 10.0])
    older = min(dice.randint(1, 3 * kind.slots + 3), machine.sequence)
    back = {"nothing": 0, "older": older}.get(fall, machine.sequence)
    counter = dice.choice(["kept", "lost"]) if fall != "older" else dice.choice(["kept", "older"])
    count = {"kept": machine.count, "lost": 0, "older": max(machine.count - back, 0)}[counter]
    sequence = machine.sequence - back

    def wake() -> None:
        if fall == "memory":
            machine.clear_memory()
        if fall == "older" and kind.slot_by == "newest_slot":
            machine.newest_slot = (machine.newest_slot - back) % kind.slots
        machine.sequence, machine.count, machine.cleared = sequence, count, min(count, machine.cleared)

    if fall != "nothing":
        if not site.may_fall_back(sequence, fall in ("memory", "zero"), count):
            return False
        site.fell_back(sequence, count)
    else:
        count = machine.count
    machine.lose_power(off_s, starting_s, wake)
    await asyncio.sleep(off_s + starting_s)
    return True


async def replaced(world: "World", site: "Site", dice: random.Random) -> bool:
    """Another controller of the same kind in the same place, with a past of its own."""
    kind, old = site.kind, site.machine
    if site.place.machine is not old:
        return False
    sequence = dice.choice([0, dice.randrange(200), dice.randrange(min(kind.modulus, 2**48))])
    knows_itself = kind.knows("controller_serial")
    earlier = dice.randrange(2 * kind.slots + 5) if knows_itself and sequence > 2 * kind.slots + 5 else 0
    count = dice.randrange(100_000) if knows_itself else dice.randrange(old.count // 2 + 1)
    shown, counted = sequence + earlier, count + earlier
    if site.may_have_sent(sequence):
        return False
    if not knows_itself:
        if old.count < 1000 or not site.may_fall_back(shown, True, counted):
            return False
        site.fell_back(shown, counted)
    machine = world.machine(kind, dice, old.pause_s, sequence, count)
    machine.tool = old.tool
    if site.broker is not None and not knows_itself:
        machine.clock = old.clock
    site.install(machine)
    site.clock_changed()  # to its own
    if knows_itself:
        site.is_known()
    machine.begin(world.now(), earlier)
    site.tell()
    return True


async def swapped(world: "World", site: "Site", dice: random.Random) -> bool:
    """Two controllers of one kind with each other's addresses."""
    twin = world.twin(site)
    if twin is None or not all(world.has_met(each.machine) for each in (site, twin)):
        return False
    site.place.machine, twin.place.machine = twin.machine, site.machine
    await asyncio.sleep(a_while(dice))
    for each in (site, twin):
        each.caught_up()
        each.place.machine = each.machine
    return True


async def clock_set(world: "World", site: "Site", dice: random.Random) -> bool:
    """By a person, by a time server, for summer time, or to its first year by an empty battery."""
    if not site.can_change_clock():
        return False
    site.clock_changed()
    now, clock, least_s = world.utc_now(), site.machine.clock, least_step_s(site)
    if dice.random() < 0.2:
        clock.set(now, datetime(dice.choice([1970, 1990]), 1, 1, tzinfo=UTC))
    else:
        by_s = dice.choice([least_s, -least_s, -20.0, 300.0, 3600.0, -3600.0, 86_400.0 * 30])
        clock.set(now, clock.said(now) + timedelta(seconds=by_s))
    return True


def least_step_s(site: "Site") -> float:
    """More than a reading of the clock can be wrong by."""
    return 4.0 if site.kind.clock == "unix_s" or site.broker is not None else 1.0


async def clock_stands(world: "World", site: "Site", dice: random.Random) -> bool:
    if not site.can_change_clock():
        return False
    site.clock_changed(shows_after_s=least_step_s(site))
    clock = site.machine.clock
    clock.set(world.utc_now(), clock.said(world.utc_now()), rate=0.0)
    await asyncio.sleep(max(a_while(dice), least_step_s(site)))
    site.caught_up()
    site.clock_changed()
    clock.set(world.utc_now(), clock.said(world.utc_now()), rate=1.0)
    return True


def keeps_a_log(site: "Site") -> bool:
    """With a time in each row, and a clock to hold it against."""
    fine = site.kind.layout.time_resolution_ms <= 1
    return fine and site.kind.knows("clock") and "controller_time" in site.kind.record_shows


async def log_brought(world: "World", site: "Site", dice: random.Random) -> bool:
    """Rows of the controller's own log, some of them with less in them than its records."""
    made = site.machine.made
    if site.clock_was_changed or not made:
        return False
    first = dice.choice([0, dice.randrange(len(made)), max(len(made) - 20, 0)])
    last = dice.choice([len(made), dice.randint(first, len(made))])
    left_out = dice.choice([{}, {"total_count": None}, {"tool_serial": None}])
    decoder = Decoder(site.kind.layout)
    rows = [
        replace(
            decoder.decode_cycle(each.raw),
            raw=log_row_of(each.true_id, "tool_serial" not in left_out),
            **left_out,
        )
        for each in made[first:last]
        if each.readable
    ]
    site.place.logs.append(rows)
    await asyncio.sleep(a_while(dice))
    return True


# ---- the broker --------------------------------------------------------------------------------------------


async def broker_restart(world: "World", site: "Site", dice: random.Random) -> bool:
    assert site.broker is not None
    if not site.broker.up:
        return False
    site.broker.stop()
    await asyncio.sleep(a_while(dice))
    site.broker.start(session_kept=dice.random() < 0.5, retained_kept=dice.random() < 0.5)
    return True


async def small_queue(world: "World", site: "Site", dice: random.Random) -> bool:
    assert site.broker is not None
    before, site.broker.queue_most = site.broker.queue_most, dice.choice([1, 3, 10])
    site.place.way.change("lost")
    await asyncio.sleep(a_while(dice))
    site.place.way.change("fair")
    site.broker.queue_most = before
    return True


def publisher(how: str) -> Callable[["World", "Site", random.Random], Awaitable[bool]]:
    async def befall(world: "World", site: "Site", dice: random.Random) -> bool:
        if how == "out of order" and not site.may_be_disordered():
            return False
        site.publishes = how
        await asyncio.sleep(a_while(dice))
        site.publishes = "well"
        return True

    return befall


FAULTS = (
    Fault("link half-open", 1, any_site, weather("half-open")),
    Fault("link refused", 1, any_site, weather("refused")),
    Fault("link lost", 2, any_site, weather("lost")),
    Fault("link garbled", 1, any_site, weather("garbled")),
    Fault("link flaky", 2, any_site, weather("flaky")),
    Fault("controller says no", 0.5, any_site, weather("says no")),
    Fault("link cut", 2, any_site, cut),
    Fault("store locked", 1, any_site, store("locked")),
    Fault("store full", 1, any_site, store("full")),
    Fault("store read-only", 0.5, any_site, store("read-only")),
    Fault("store disk errors", 1, any_site, store("disk errors")),
    Fault("store answers lost", 1, any_site, store("lost answers")),
    Fault("killed at a statement", 3, any_site, kill_at_statement),
    Fault("killed", 2, any_site, kill_now),
    Fault("stopped", 1, any_site, stop),
    Fault("down", 2, any_site, down),
    Fault("tool swapped", 2, any_site, tool_swap),
    Fault("count entered", 1, any_site, count_entered),
    Fault("count since cleared", 0.5, any_site, clears_count_since),
    Fault("record unreadable", 1.5, any_site, unreadable),
    Fault("status unreadable", 0.7, any_site, nonsense),
    Fault("burst", 1.5, is_read, burst),
    Fault("controller restarted", 3, any_site, restart),
    Fault("controller replaced", 1, any_site, replaced),
    Fault("addresses swapped", 3, has_twin, swapped),
    Fault("clock set", 2, is_read, clock_set),
    Fault("clock stands still", 0.7, is_read, clock_stands),
    Fault("log file brought", 4, keeps_a_log, log_brought),
    Fault("broker restarted", 4, is_pushed, broker_restart),
    Fault("broker's queue overflowed", 4, is_pushed, small_queue),
    Fault("messages twice", 3, is_pushed, publisher("twice")),
    Fault("messages out of order", 4, is_pushed, publisher("out of order")),
    Fault("messages retained", 3, is_pushed, publisher("retained")),
    Fault("publisher cut off", 3, is_pushed, publisher("into nothing")),
)


def draw(dice: random.Random, site: "Site") -> Fault:
    suits = [each for each in FAULTS if each.suits(site)]
    return dice.choices(suits, [each.likely for each in suits])[0]
