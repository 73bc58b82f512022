"""A controller that publishes: a retained JSON status, a JSON message a cycle, and its curve as bytes.

What is not acknowledged by the broker stays in a bounded queue, oldest first, and is sent again after a
reconnect; so a cycle may come twice, and is lost only when the queue overflows or the controller loses its
memory.
"""

import asyncio
import contextlib
import json
import struct
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from types import TracebackType
from typing import Any, Self

import aiomqtt

from simulators.fronts.packing import to_millisecond
from simulators.memory import ALL_FIELDS, Controller, Event, Family, Fault, Finished, Record
from simulators.tool import Sampling
from simulators.units import BAR_KPA

STATUS_EVERY_S = 1.0
RECONNECT_AFTER_S = 0.5
ACKNOWLEDGED_WITHIN_S = 5.0
LEAVES_WITHIN_S = 0.5
MODES = {"automatic": "auto", "manual": "hand", "setup": "setup", "maintenance": "service"}
STATES = {
    "starting": "starting",
    "idle": "ready",
    "executing": "busy",
    "stopped": "halted",
    "out_of_service": "off",
}
RESULTS = {"ok": "pass", "nok": "fail", "undecided": "open"}
COMPLETIONS = {"completed": "done", "aborted": "abort", "failed": "error"}
CODES = {
    Fault.NO_BAND: "F-BAND",
    Fault.TENSION: "F-TENSION",
    Fault.PUNCH: "F-PUNCH",
    Fault.AIR: "F-AIR",
    Fault.EMERGENCY_STOP: "F-ESTOP",
    Fault.TRIGGER: "F-TRIGGER",
}


def _kept(record: Record) -> Record:
    def rounded(value: float | None, digits: int) -> float | None:
        return None if value is None else round(value, digits)

    return replace(
        record,
        controller_time=to_millisecond(record.controller_time),
        peak_tension_n=round(record.peak_tension_n, 1),
        lock_tension_n=rounded(record.lock_tension_n, 1),
        seating_loss_n=rounded(record.seating_loss_n, 1),
        set_torque_nm=round(record.set_torque_nm, 2),
        tension_speed_mm_s=round(record.tension_speed_mm_s, 1),
        punch_pressure_kpa=round(record.punch_pressure_kpa / BAR_KPA, 3) * BAR_KPA,
        supply_pressure_kpa=round(record.supply_pressure_kpa / BAR_KPA, 3) * BAR_KPA,
        punch_velocity_m_s=rounded(record.punch_velocity_m_s, 4),
        humidity_percent=round(record.humidity_percent, 1),
    )


FAMILY = Family(
    layout="messages-mqtt",
    maker="Example Tools",
    model="BT-30",
    slots=1,
    sequence_bits=32,
    slot_by_sequence=True,
    sampling=Sampling(interval_us=1000, most=1000, step_n=0.1),
    keeps_curve=True,
    recorded=ALL_FIELDS - {"motor_current_a"},
    numeric_serials=False,
    kept=_kept,
    status_codes=CODES,
    record_codes=CODES,
)


# ---- payloads ------------------------------------------------------------------------------------


def rfc3339(naive: datetime) -> str:
    """The controller's clock, which it believes to be UTC."""
    return naive.isoformat(timespec="milliseconds") + "Z"


def status_payload(controller: Controller, now: datetime) -> bytes:
    shown = controller.status(now)
    set_to = shown.settings
    return _json(
        {
            "last": shown.last_sequence,
            "mode": MODES[shown.mode],
            "state": STATES[shown.state],
            "faults": {"active": shown.fault_word, "acknowledged": shown.acknowledged_word},
            "estop": shown.emergency_stop,
            "counts": {"total": shown.total_count, "cleared": shown.count_since_cleared},
            "time": rfc3339(shown.clock),
            "cabinet": shown.cabinet_serial,
            "tool": {"serial": shown.tool_serial},
            "air_bar": round(shown.supply_pressure_kpa / BAR_KPA, 3),
            "set": {
                "torque_nm": round(set_to.set_torque_nm, 2),
                "speed_mm_s": round(set_to.tension_speed_mm_s, 1),
                "punch_bar": round(set_to.punch_pressure_kpa / BAR_KPA, 3),
                "band": set_to.band,
            },
        }
    )


def cycle_payload(record: Record) -> bytes:
    return _json(
        {
            "n": record.sequence,
            "time": rfc3339(record.controller_time),
            "tool": record.tool_serial,
            "result": RESULTS[record.result],
            "end": COMPLETIONS[record.completion],
            "mode": MODES[record.mode],
            "fault": None if record.fault is None else CODES[record.fault],
            "part": record.part_id,
            "band": record.band,
            "ms": {"total": record.duration_ms, "take_up": record.take_up_ms},
            "n_peak": record.peak_tension_n,
            "n_lock": record.lock_tension_n,
            "n_loss": record.seating_loss_n,
            "set": {
                "torque_nm": record.set_torque_nm,
                "speed_mm_s": record.tension_speed_mm_s,
                "punch_bar": round(record.punch_pressure_kpa / BAR_KPA, 3),
            },
            "air_bar": round(record.supply_pressure_kpa / BAR_KPA, 3),
            "punch_m_s": record.punch_velocity_m_s,
            "total": record.total_count,
            "ambient": {"humidity": record.humidity_percent},
        }
    )


def curve_payload(sequence: int, interval_us: int, samples: bytes) -> bytes:
    """Sequence, interval in µs, count, samples: little-endian."""
    return struct.pack("<IIH", sequence, interval_us, len(samples) // 2) + samples


def _json(value: dict[str, Any]) -> bytes:
    return json.dumps(value, separators=(",", ":")).encode()


# ---- the connection ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Unsent:
    """One finished cycle on its way to the broker."""

    epoch: int
    sequence: int
    """Unwrapped."""
    cycle: bytes
    curve: bytes | None


class MqttFront:
    """Publishes for one controller, under the topic name `address`. `async with` switches it on."""

    def __init__(
        self,
        controller: Controller,
        clock: Callable[[], datetime],
        broker_port: int,
        host: str = "127.0.0.1",
        queue_most: int = 2000,
        address: str | None = None,
    ) -> None:
        self.controller = controller
        self.clock = clock
        self.host = host
        self.broker_port = broker_port
        self.topic = f"clamps/{address or controller.name}"
        self.unsent: deque[Unsent] = deque()
        self.queue_most = queue_most
        self.dropped = 0
        """Cycles lost because the queue was full."""
        self.settled = asyncio.Event()
        """Set while nothing waits to be sent."""
        self._news = asyncio.Event()
        self._off = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        controller.on_cycle.append(self._finished)
        controller.on_event.append(self._happened)

    async def __aenter__(self) -> Self:
        await self.switch_on()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.switch_off()

    async def switch_on(self) -> None:
        if self._task is None:
            self._off.clear()
            self._task = asyncio.create_task(self._publish_while_on(), name=f"mqtt {self.controller.name}")

    async def switch_off(self) -> None:
        """Leave between two messages; where the broker doesn't let it, break off."""
        if self._task is None:
            return
        self._off.set()
        self._news.set()
        while True:
            # A cancellation may get lost in the library's wait_for (Python < 3.12), so it is repeated.
            done, _ = await asyncio.wait({self._task}, timeout=LEAVES_WITHIN_S)
            if done:
                break
            self._task.cancel()
        if not self._task.cancelled():
            self._task.result()
        self._task = None

    def _finished(self, finished: Finished) -> None:
        curve = finished.curve
        self.unsent.append(
            Unsent(
                finished.epoch,
                finished.sequence,
                cycle_payload(finished.record),
                None if curve is None else curve_payload(curve.sequence, curve.interval_us, curve.samples),
            )
        )
        if len(self.unsent) > self.queue_most:
            self.dropped += 1
            lost = self.unsent.popleft()
            self.controller.tell(
                "unsent cycle dropped", self.clock(), epoch=lost.epoch, sequence=lost.sequence
            )
        self.settled.clear()
        self._news.set()

    def _happened(self, event: Event) -> None:
        if event.what == "power cycle" and event.detail["memory_lost"]:
            self.unsent.clear()
        self._news.set()

    async def _publish_while_on(self) -> None:
        while not self._off.is_set():
            try:
                async with aiomqtt.Client(
                    self.host,
                    self.broker_port,
                    identifier=f"controller {self.controller.name}",
                    clean_session=True,
                    timeout=ACKNOWLEDGED_WITHIN_S,
                ) as client:
                    while not self._off.is_set():
                        await self._publish_news(client)
                        await _first_of(self._news, STATUS_EVERY_S)
            except aiomqtt.MqttError:
                await _first_of(self._off, RECONNECT_AFTER_S)

    async def _publish_news(self, client: aiomqtt.Client) -> None:
        """All unsent cycles in their order, then the status: it never tells of a cycle that isn't out."""
        self._news.clear()
        while self.unsent:
            if self._off.is_set():
                return
            first = self.unsent[0]
            await client.publish(f"{self.topic}/cycle", first.cycle, qos=1)
            if first.curve is not None:
                await client.publish(f"{self.topic}/curve", first.curve, qos=1)
            if self.unsent and self.unsent[0] is first:
                self.unsent.popleft()
        now = self.clock()
        if not self.controller.starting(now) or self.controller.while_starting == "zeroed":
            await client.publish(
                f"{self.topic}/status", status_payload(self.controller, now), qos=1, retain=True
            )
        if not self.unsent:
            self.settled.set()


async def _first_of(event: asyncio.Event, seconds: float) -> None:
    """Wait for the event, but no longer than that."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await event.wait()
