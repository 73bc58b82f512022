"""Controllers, light and fast: a memory in bytes, a clock of its own, and cycles that come by themselves.

Nothing runs: whoever looks at a controller first lets it catch up to that instant (`advance`), so a
controller costs nothing while nobody looks, and it goes on between the parts of a read.
"""

import heapq
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import orjson

from tests.simulated.kinds import (
    HISTORY_AT,
    REGISTER_BYTES,
    STATES,
    WRITE,
    Item,
    Kind,
    curve_at,
    size_of,
)
from tests.simulated.truth import Made, filler_of, peak_of, samples_of

RESULTS = ("ok", "nok", "undecided")
RESULT_BEYOND = 99
"""No result of any layout here."""
STARTING, IDLE, STOPPED = STATES
HELD_S = 5.0


class WrongClock:
    """A controller's clock: said = said_at + rate × (now - since)."""

    def __init__(self, now: datetime, said: datetime, rate: float) -> None:
        self._since, self._said, self._rate = now, said, rate

    def said(self, now: datetime) -> datetime:
        return self._said + (now - self._since) * self._rate

    def set(self, now: datetime, said: datetime, rate: float | None = None) -> None:
        self._since, self._said = now, said
        self._rate = self._rate if rate is None else rate


class Machine:
    """One controller with its memory."""

    def __init__(
        self,
        kind: Kind,
        serial: int,
        pause_s: float,
        clock: WrongClock,
        dice: random.Random,
        utc: Callable[[float], datetime],
        identities: Iterator[int],
    ) -> None:
        self.kind, self.serial, self.clock, self.made = kind, serial, clock, list[Made]()
        self.sequence = self.count = self.cleared = self.newest_slot = 0
        self.tool = 0
        self.producing = True
        self.life = 0
        """Goes up with every loss of power; what was under way then is lost."""
        self.state = IDLE
        self.powered = True
        self.pause_s = pause_s
        self.may_go_on: Callable[[], bool] = lambda: True
        """Asked before every cycle."""
        self.on_cycle: Callable[[Made], None] = lambda made: None
        self.spoil_next = False
        """The next record gets a value that the layout does not allow."""
        self.nonsense_until = 0.0
        """Until then the status block says a state that does not exist."""
        self._dice, self._utc, self._identities = dice, utc, identities
        self._upcoming: list[tuple[float, int, Callable[[float], None]]] = []
        self._numbered = 0
        self._now = 0.0
        self._record = size_of(kind.record)
        self._curve_at = curve_at(kind) * REGISTER_BYTES
        self._bytes = bytearray(self._curve_at + size_of(kind.curve) + kind.samples * REGISTER_BYTES)

    # ---- time ----------------------------------------------------------------------------------------------

    @property
    def due(self) -> float:
        """When something happens here next."""
        return self._upcoming[0][0]

    def advance(self, now: float) -> None:
        while self._upcoming and self._upcoming[0][0] <= now:
            at, _, act = heapq.heappop(self._upcoming)
            self._now = max(self._now, at)
            act(self._now)
        self._now = max(self._now, now)

    def _then(self, at: float, act: Callable[[float], None]) -> None:
        """Unless the power fails before."""
        life = self.life
        self._numbered += 1

        def guarded(now: float) -> None:
            if life == self.life:
                act(now)

        heapq.heappush(self._upcoming, (at, self._numbered, guarded))

    # ---- production ----------------------------------------------------------------------------------------

    def begin(self, now: float, earlier: int) -> None:
        """Switch on, with so many cycles made before."""
        self._now = now
        for each in range(earlier):
            self._finish(self._new_cycle(now - (earlier - each) * 2.0 - 1.0, elsewhere=True))
        self._next_cycle(now)

    def _next_cycle(self, now: float) -> None:
        """`pause_s` on average between two cycles, and never less than the shortest that there is."""
        pause_s = self.kind.shortest_cycle_s + self._dice.expovariate(1 / self.pause_s)
        self._then(now + pause_s, self._cycle)

    def _cycle(self, now: float) -> None:
        if not (self.producing and self.may_go_on()):
            self._then(now + HELD_S, self._cycle)
            return
        made = self._new_cycle(now)
        steps = sorted(self._dice.uniform(0.001, self.kind.recording_s) for _ in range(4))
        half = self._dice.randrange(self._record) // 2 * 2
        self._then(now + steps[0], lambda _: self._write_record(made, 0, half))
        self._then(now + steps[1], lambda _: self._write_record(made, half, self._record))
        self._then(now + steps[2], lambda _: self._write_curve(made))
        self._then(now + steps[3], lambda at: self._end_cycle(made, at))

    def _end_cycle(self, made: Made, now: float) -> None:
        self._finish(made)
        self.on_cycle(made)
        self._next_cycle(now)

    def _new_cycle(self, ended: float, elsewhere: bool = False) -> Made:
        true_id = next(self._identities)
        readable, self.spoil_next = not self.spoil_next, False
        result = true_id % 7 % 3
        made = Made(
            true_id=true_id,
            sequence=(self.sequence + 1) % self.kind.modulus,
            ended_at=self._utc(ended),
            tool=self.tool,
            total_count=self.count + 1,
            result=RESULTS[result],
            readable=readable,
            raw=b"",
            samples=samples_of(true_id, self.kind.samples),
            elsewhere=elsewhere,
        )
        values = {
            "sequence": made.sequence,
            "peak_tension_n": peak_of(true_id),
            "true_id": true_id,
            "result": result if readable else RESULT_BEYOND,
            "controller_time": self.clock.said(made.ended_at),
            "total_count": made.total_count,
            "tool_serial": made.tool,
        }
        for each in self.kind.record:
            if each.name.startswith("filler"):
                values[each.name] = filler_of(true_id, int(each.name.split("_")[1]))
        return replace(made, raw=self._coded(self.kind.record, values))

    def _coded(self, items: tuple[Item, ...], values: dict[str, Any]) -> bytes:
        if self.kind.protocol != "mqtt":
            return b"".join(WRITE[each.type](values[each.name]) for each in items)
        return orjson.dumps({each.name: _json_value(each.type, values[each.name]) for each in items})

    def _finish(self, made: Made) -> None:
        """The last thing a controller does for a cycle: it says that there is one more."""
        if made.elsewhere:
            self._write_record(made, 0, self._record)
            self._write_curve(made)
        self.newest_slot = self._slot_of(made)
        self.sequence, self.count, self.cleared = made.sequence, made.total_count, self.cleared + 1
        self.made.append(made)

    def _slot_of(self, made: Made) -> int:
        if self.kind.slots <= 1:
            return 0
        by_sequence = self.kind.slot_by == "sequence"
        return (made.sequence if by_sequence else self.newest_slot + 1) % self.kind.slots

    def _write_record(self, made: Made, begin: int, end: int) -> None:
        if self.kind.slots:
            at = HISTORY_AT * REGISTER_BYTES + self._slot_of(made) * self._record
            self._bytes[at + begin : at + end] = made.raw[begin:end]

    def _write_curve(self, made: Made) -> None:
        if self.kind.samples and self.kind.slots:
            raw = self.curve_of(made)
            self._bytes[self._curve_at : self._curve_at + len(raw)] = raw

    def curve_of(self, made: Made) -> bytes:
        head = {"sequence": made.sequence, "sample_count": len(made.samples), "sample_interval_us": 1000}
        return b"".join(WRITE[each.type](head[each.name]) for each in self.kind.curve) + b"".join(
            each.to_bytes(2, "big") for each in made.samples
        )

    # ---- what a reader sees --------------------------------------------------------------------------------

    def status(self) -> bytes:
        utc = self._utc(self._now)
        awake = self.state != STARTING
        values: dict[str, Any] = {
            "last_sequence": self.sequence if awake else 0,
            "state": self.state if self._now >= self.nonsense_until else RESULT_BEYOND,
            "newest_slot": self.newest_slot,
            "total_count": self.count if awake else 0,
            "count_since_cleared": self.cleared if awake else 0,
            "tool_serial": self.tool,
            "controller_serial": self.serial,
            "clock": self.clock.said(utc),
        }
        return self._coded(self.kind.status, values)

    def read(self, begin: int, size: int) -> bytes:
        """Bytes of the memory as they stand now."""
        if begin < HISTORY_AT * REGISTER_BYTES:
            return self.status()[begin : begin + size]
        return bytes(self._bytes[begin : begin + size])

    # ---- what befalls it -----------------------------------------------------------------------------------

    def lose_power(self, off_s: float, starting_s: float, wake: Callable[[], None]) -> None:
        """Off, then starting up with a memory that is not there yet; `wake` sets what it remembers."""
        self.life += 1
        self.powered = False
        self._then(self._now + off_s, lambda now: self._start(now, starting_s, wake))

    def _start(self, now: float, starting_s: float, wake: Callable[[], None]) -> None:
        self.powered, self.state = True, STARTING
        self._then(now + starting_s, lambda at: self._run(at, wake))

    def _run(self, now: float, wake: Callable[[], None]) -> None:
        self.state = IDLE
        wake()
        self._next_cycle(now)

    def retire(self) -> None:
        """Switched off for good."""
        self.life += 1
        self.powered = False

    def clear_memory(self) -> None:
        self._bytes = bytearray(len(self._bytes))
        self.newest_slot = 0


def _json_value(type_: str, value: Any) -> Any:
    if type_ == "unix_s":
        return value.timestamp() // 1
    if type_ == "unix_ms":
        return round(value.timestamp() * 1000)
    return value.isoformat(timespec="milliseconds") if isinstance(value, datetime) else value


def since(start: datetime) -> Callable[[float], datetime]:
    """Virtual seconds -> the instant in UTC."""
    return lambda seconds: start + timedelta(seconds=seconds)
