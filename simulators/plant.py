"""A plant of simulated controllers behind real sockets. The only place that owns a clock and waits.

`speed` multiplies the plant's pace: gaps between cycles, scenario time, start-up, people's reactions. The
controllers' own clocks stay on wall time: a cycle's stamp is the wall instant at which it finished in the
accelerated run.
"""

import asyncio
import json
from collections.abc import Awaitable, Callable, Coroutine, Iterator, Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from zlib import crc32

import numpy as np

from simulators.broker import Broker
from simulators.fronts import modbus_maps, mqtt, s7_map
from simulators.fronts.logfile import LOGS
from simulators.fronts.modbus import ModbusFront
from simulators.fronts.mqtt import MqttFront
from simulators.fronts.s7 import S7Front
from simulators.memory import (
    LOG_MOST,
    Controller,
    Family,
    Fault,
    Finished,
    memory_to_json,
    restore_memory,
)
from simulators.scenario import (
    Acknowledge,
    Action,
    ChangeMode,
    ChangeSettings,
    ClearCounter,
    ControllerPlan,
    EmergencyStop,
    EndFault,
    FitBand,
    PowerCycle,
    RaiseFault,
    ReleaseEmergencyStop,
    Scenario,
    SetClock,
    SupplyPressure,
    SwapTool,
    UnplugNetwork,
    Wear,
    WriteLog,
    seconds,
)
from simulators.tool import BANDS, Disturbance, Settings, Tool
from simulators.truth import TruthFile

Front = ModbusFront | S7Front | MqttFront

FAMILIES: Mapping[str, Family] = {
    modbus_maps.RING.layout: modbus_maps.RING,
    modbus_maps.LAST.layout: modbus_maps.LAST,
    s7_map.FAMILY.layout: s7_map.FAMILY,
    mqtt.FAMILY.layout: mqtt.FAMILY,
}


def wall_clock() -> datetime:
    return datetime.now(UTC)


@dataclass(slots=True)
class Cabinet:
    """One controller with its front, as the plant runs it."""

    plan: ControllerPlan
    controller: Controller
    front: Front
    pace: np.random.Generator
    """For gaps alone, so that a cycle's values don't depend on the plant's speed."""
    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    """Held while a cycle runs, and while somebody works on the controller."""
    finished: list[Finished] = field(default_factory=list)
    """Cycles since the plant started."""


class Plant:
    """`async with Plant(scenario) as plant:` starts broker, fronts and cycles; leaving ends them all.

    Args:
        speed: the plant's pace, 1 for real time.
        truth: file that gets a line for each cycle and event; see `truth.py`.
        state: folder in which controllers keep their memory when the simulator is restarted.
        base_port: first port of the fronts, one each, then the broker's; 0 lets the system choose.
    """

    def __init__(
        self,
        scenario: Scenario,
        *,
        speed: float = 1.0,
        truth: Path | None = None,
        state: Path | None = None,
        base_port: int = 0,
        clock: Callable[[], datetime] = wall_clock,
    ) -> None:
        self.scenario = scenario
        self.speed = speed
        self.state = state
        self.base_port = base_port
        self.clock = clock
        self.cabinets: dict[str, Cabinet] = {}
        self.broker: Broker | None = None
        """Only where a controller publishes."""
        self._truth = TruthFile(truth, append=state is not None)
        self._stack = AsyncExitStack()
        self._tasks: set[asyncio.Task[None]] = set()
        self._failure: BaseException | None = None
        self._change = asyncio.Event()

    async def __aenter__(self) -> Self:
        async with AsyncExitStack() as stack:
            stack.enter_context(self._truth)
            if any(plan.layout == mqtt.FAMILY.layout for plan in self.scenario.controllers):
                port = self.base_port and self.base_port + len(self.scenario.controllers)
                self.broker = await stack.enter_async_context(Broker(port=port))
            for number, plan in enumerate(self.scenario.controllers):
                cabinet = self._cabinet(plan, self.base_port and self.base_port + number)
                self.cabinets[plan.name] = cabinet
                await stack.enter_async_context(cabinet.front)
            self._truth.before_start = False
            stack.push_async_callback(self._stop_tasks)
            self._start_tasks()
            self._stack = stack.pop_all()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._stack.aclose()
        self._keep_state()
        if self._failure is not None:
            raise self._failure

    # ---- what tests and the command line ask for -------------------------------------------------

    def controller(self, name: str) -> Controller:
        return self.cabinets[name].controller

    def front(self, name: str) -> Front:
        return self.cabinets[name].front

    @property
    def ports(self) -> dict[str, int]:
        """Controller -> TCP port; for one that publishes, the broker's."""
        return {name: _port(cabinet.front) for name, cabinet in self.cabinets.items()}

    def addresses(self) -> dict[str, Any]:
        """All that a site file needs to know, as plain JSON values."""
        return {
            "controllers": {
                name: {
                    "layout": cabinet.plan.layout,
                    "line": cabinet.plan.line,
                    "station": cabinet.plan.station,
                    "host": cabinet.front.host,
                    "port": _port(cabinet.front),
                }
                for name, cabinet in self.cabinets.items()
            },
            "broker": {"host": self.broker.host, "port": self.broker.port} if self.broker else None,
        }

    async def wait_until(self, true: Callable[[], bool]) -> None:
        """Return once `true()` holds, looked at after each cycle and event. Raises what broke the plant."""
        while not true():
            if self._failure is not None:
                raise self._failure
            await self._change.wait()

    async def wait_for_cycles(self, name: str, count: int) -> list[Finished]:
        """The first `count` cycles (or more) that a controller finished since the plant started."""
        cabinet = self.cabinets[name]
        await self.wait_until(lambda: len(cabinet.finished) >= count)
        return list(cabinet.finished)

    async def make_cycle(self, name: str, disturbance: Disturbance | None = None) -> Finished:
        """Make one cycle at once. Raises: RuntimeError: the controller can't make one now."""
        cabinet = self.cabinets[name]
        async with cabinet.lock:
            if not cabinet.controller.may_cycle(self.clock()):
                raise RuntimeError(
                    f"{name} can't make a cycle now: it is off, starting, stopped or without a tool"
                )
            await self._cycle(cabinet, disturbance)
        return cabinet.finished[-1]

    async def apply(self, action: Action) -> None:
        """Let something happen now, whatever its `at`; returns when done (power cycle: power is back)."""
        cabinet = self.cabinets[action.controller]
        await ACTIONS[type(action)](self, cabinet, action)
        self._changed()

    def write_log(self, name: str, folder: Path, last: int = LOG_MOST) -> Path:
        """Put the CSV log of a controller's last cycles into a folder, under a name of its own.

        Raises: KeyError: such a controller keeps no log.
        """
        cabinet = self.cabinets[name]
        written = LOGS[cabinet.plan.layout](list(cabinet.controller.log)[-last:])
        path = folder / f"{name}-{self.clock():%Y%m%d-%H%M%S-%f}.csv"
        path.write_bytes(written)
        return path

    # ---- building --------------------------------------------------------------------------------

    def _cabinet(self, plan: ControllerPlan, port: int) -> Cabinet:
        now = self.clock()
        controller = _controller(plan, self.speed)
        self._truth.follow(controller)
        kept = self._kept(plan.name)
        if kept is not None:
            restore_memory(controller, kept)
        controller.rng = self._rng(plan.name, controller.counted)
        controller.power_on(now, started=True)
        if kept is None:
            self._prefill(controller, plan, now)
        cabinet = Cabinet(plan, controller, self._front(plan, controller, port), self._rng(plan.name, -1))
        controller.on_cycle.append(lambda finished: self._cycle_finished(cabinet, finished))
        controller.on_event.append(lambda event: self._event_happened(cabinet, event.what))
        return cabinet

    def _rng(self, name: str, stream: int) -> np.random.Generator:
        return np.random.default_rng([self.scenario.seed, crc32(name.encode()), stream + 1])

    def _prefill(self, controller: Controller, plan: ControllerPlan, now: datetime) -> None:
        """Cycles from before the start, at the plan's mean pace; somebody acknowledged what they raised."""
        gap_s = sum(plan.cycle_every_s or (4.0, 4.0)) / 2 / self.speed
        for number in range(plan.prefilled, 0, -1):
            ended_at = now - timedelta(seconds=gap_s * number)
            for _ in controller.keep(controller.pull_trigger(), ended_at):
                pass
            controller.acknowledge(ended_at)

    def _front(self, plan: ControllerPlan, controller: Controller, port: int) -> Front:
        if plan.layout in modbus_maps.MAPS:
            return ModbusFront(controller, modbus_maps.MAPS[plan.layout], self.clock, port=port)
        if plan.layout == s7_map.FAMILY.layout:
            return S7Front(controller, s7_map.MAP, self.clock, port=port, pdu_length=plan.pdu_length)
        assert self.broker is not None
        return MqttFront(controller, self.clock, self.broker.port, queue_most=plan.unsent_most)

    # ---- running ---------------------------------------------------------------------------------

    def _start_tasks(self) -> None:
        for cabinet in self.cabinets.values():
            if cabinet.plan.cycle_every_s is not None:
                self._spawn(
                    self._work(cabinet, *cabinet.plan.cycle_every_s), f"cycles of {cabinet.plan.name}"
                )
        if self.scenario.events:
            self._spawn(self._play(), "scenario")
        if self.state is not None:
            self._spawn(self._keep_state_often(), "state")

    def _spawn(self, work: Coroutine[Any, Any, None], name: str) -> None:
        task = asyncio.create_task(work, name=name)
        self._tasks.add(task)
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and task.exception() is not None:
            self._failure = self._failure or task.exception()
            self._changed()

    async def _stop_tasks(self) -> None:
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def _changed(self) -> None:
        self._change.set()
        self._change = asyncio.Event()

    async def _sleep(self, plant_s: float) -> None:
        await asyncio.sleep(plant_s / self.speed)

    async def _work(self, cabinet: Cabinet, least_s: float, most_s: float) -> None:
        """One cycle after the other, as long as the controller may."""
        loop = asyncio.get_running_loop()
        due_at = loop.time()
        while True:
            gap_s = float(cabinet.pace.uniform(least_s, most_s)) / self.speed
            due_at = max(due_at + gap_s, loop.time())
            await asyncio.sleep(due_at - gap_s / 4 - loop.time())
            async with cabinet.lock:
                if cabinet.controller.may_cycle(self.clock()):
                    cabinet.controller.executing = True
                    await asyncio.sleep(max(0.0, due_at - loop.time()))
                    await self._cycle(cabinet, None)

    async def _cycle(self, cabinet: Cabinet, disturbance: Disturbance | None) -> None:
        """The caller holds the cabinet's lock."""
        controller = cabinet.controller
        tried = controller.pull_trigger(disturbance)
        for _ in controller.keep(tried, self.clock()):
            await asyncio.sleep(cabinet.plan.write_pause_s)

    def _cycle_finished(self, cabinet: Cabinet, finished: Finished) -> None:
        cabinet.finished.append(finished)
        self._changed()

    def _event_happened(self, cabinet: Cabinet, what: str) -> None:
        if what == "fault raised" and cabinet.plan.acknowledge_after_s is not None:
            self._spawn(
                self._acknowledge_later(cabinet, cabinet.plan.acknowledge_after_s), "somebody acknowledges"
            )
        self._changed()

    async def _acknowledge_later(self, cabinet: Cabinet, after_s: float) -> None:
        await self._sleep(after_s)
        async with cabinet.lock:
            if cabinet.controller.powered:
                cabinet.controller.acknowledge(self.clock())

    async def _play(self) -> None:
        """The scenario's events in their order, again and again where it says so."""
        loop = asyncio.get_running_loop()
        started_at = loop.time()
        events = sorted(self.scenario.events, key=lambda event: seconds(event.at))
        for base_s in self._rounds():
            for event in events:
                due_at = started_at + (base_s + seconds(event.at)) / self.speed
                await asyncio.sleep(max(0.0, due_at - loop.time()))
                self._spawn(self.apply(event), f"{event.do} {event.controller}")

    def _rounds(self) -> Iterator[float]:
        every = self.scenario.repeat_every
        base_s = 0.0
        yield base_s
        while every is not None:
            base_s += seconds(every)
            yield base_s

    # ---- state -----------------------------------------------------------------------------------

    def _kept(self, name: str) -> Mapping[str, Any] | None:
        path = self.state / f"{name}.json" if self.state is not None else None
        if path is None or not path.exists():
            return None
        kept: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return kept

    def _keep_state(self) -> None:
        if self.state is None:
            return
        self.state.mkdir(parents=True, exist_ok=True)
        for name, cabinet in self.cabinets.items():
            fresh = self.state / f"{name}.json.new"
            fresh.write_text(json.dumps(memory_to_json(cabinet.controller)), encoding="utf-8")
            fresh.replace(self.state / f"{name}.json")

    async def _keep_state_often(self) -> None:
        while True:
            await asyncio.sleep(1.0)
            self._keep_state()

    # ---- what can happen -------------------------------------------------------------------------

    async def _wear(self, cabinet: Cabinet, action: Wear) -> None:
        async with cabinet.lock:
            cabinet.controller.wear(self.clock(), **_given(action))

    async def _swap_tool(self, cabinet: Cabinet, action: SwapTool) -> None:
        """Locks are taken in the order of names, so that two swaps can't wait for each other."""
        async with AsyncExitStack() as locks:
            for name in sorted({action.controller, action.other or action.controller}):
                await locks.enter_async_context(self.cabinets[name].lock)
            now = self.clock()
            if action.other is None:
                cabinet.controller.mount(Tool(action.tool) if action.tool else None, now)
                return
            other = self.cabinets[action.other].controller
            hers = other.mount(None, now)
            other.mount(cabinet.controller.mount(hers, now), now)

    async def _clear_counter(self, cabinet: Cabinet, action: ClearCounter) -> None:
        async with cabinet.lock:
            cabinet.controller.clear_counter(self.clock())

    async def _supply_pressure(self, cabinet: Cabinet, action: SupplyPressure) -> None:
        cabinet.controller.set_supply_pressure(action.kpa, self.clock())

    async def _emergency_stop(self, cabinet: Cabinet, action: EmergencyStop) -> None:
        cabinet.controller.press_emergency_stop(self.clock())

    async def _release_emergency_stop(self, cabinet: Cabinet, action: ReleaseEmergencyStop) -> None:
        cabinet.controller.release_emergency_stop(self.clock())

    async def _change_mode(self, cabinet: Cabinet, action: ChangeMode) -> None:
        async with cabinet.lock:
            cabinet.controller.set_mode(action.do, self.clock())

    async def _raise_fault(self, cabinet: Cabinet, action: RaiseFault) -> None:
        cabinet.controller.raise_fault(Fault[action.fault.upper()], self.clock(), cause=action.lasting)

    async def _end_fault(self, cabinet: Cabinet, action: EndFault) -> None:
        cabinet.controller.end_cause(Fault[action.fault.upper()], self.clock())

    async def _acknowledge(self, cabinet: Cabinet, action: Acknowledge) -> None:
        cabinet.controller.acknowledge(self.clock())

    async def _power_cycle(self, cabinet: Cabinet, action: PowerCycle) -> None:
        async with cabinet.lock:
            cabinet.controller.power_off(self.clock(), memory_lost=action.memory_lost)
            await cabinet.front.switch_off()
            await self._sleep(action.off_s)
            cabinet.controller.power_on(self.clock())
            await cabinet.front.switch_on()
        self._spawn(self._tell_when_up(cabinet), f"start-up of {cabinet.plan.name}")

    async def _tell_when_up(self, cabinet: Cabinet) -> None:
        started_at = cabinet.controller.started_at
        assert started_at is not None
        left = started_at + timedelta(seconds=cabinet.controller.start_up_s) - self.clock()
        await asyncio.sleep(max(0.0, left.total_seconds()))
        self._changed()

    async def _change_settings(self, cabinet: Cabinet, action: ChangeSettings) -> None:
        async with cabinet.lock:
            cabinet.controller.change_settings(self.clock(), **_given(action))

    async def _fit_band(self, cabinet: Cabinet, action: FitBand) -> None:
        async with cabinet.lock:
            cabinet.controller.fitted_band = action.band or ""

    async def _set_clock(self, cabinet: Cabinet, action: SetClock) -> None:
        cabinet.controller.set_clock(action.offset_s, self.clock())

    async def _unplug_network(self, cabinet: Cabinet, action: UnplugNetwork) -> None:
        await cabinet.front.switch_off()
        await self._sleep(action.for_s)
        await cabinet.front.switch_on()

    async def _write_log(self, cabinet: Cabinet, action: WriteLog) -> None:
        self.write_log(cabinet.plan.name, Path(action.folder), action.last)


ACTIONS: Mapping[type, Callable[[Plant, Cabinet, Any], Awaitable[None]]] = {
    Wear: Plant._wear,
    SwapTool: Plant._swap_tool,
    ClearCounter: Plant._clear_counter,
    SupplyPressure: Plant._supply_pressure,
    EmergencyStop: Plant._emergency_stop,
    ReleaseEmergencyStop: Plant._release_emergency_stop,
    ChangeMode: Plant._change_mode,
    RaiseFault: Plant._raise_fault,
    EndFault: Plant._end_fault,
    Acknowledge: Plant._acknowledge,
    PowerCycle: Plant._power_cycle,
    ChangeSettings: Plant._change_settings,
    FitBand: Plant._fit_band,
    SetClock: Plant._set_clock,
    UnplugNetwork: Plant._unplug_network,
    WriteLog: Plant._write_log,
}


def _controller(plan: ControllerPlan, speed: float) -> Controller:
    band = BANDS[plan.band]
    return Controller(
        name=plan.name,
        family=FAMILIES[plan.layout],
        tool=Tool(plan.tool, punch_wear=plan.punch_wear, punch_wear_per_cycle=plan.punch_wear_per_cycle),
        settings=Settings(
            plan.set_torque_nm or band.recommended_torque_nm,
            plan.tension_speed_mm_s,
            plan.punch_pressure_kpa or band.recommended_pressure_kpa,
            plan.band,
        ),
        rng=np.random.default_rng(0),
        serial=plan.serial or f"CB{crc32(plan.name.encode()) % 1_000_000:06d}",
        supply_pressure_kpa=plan.supply_pressure_kpa,
        start_up_s=plan.start_up_s / speed,
        while_starting=plan.while_starting,
        clock_offset_s=plan.clock_offset_s,
        clock_drift_ppm=plan.clock_drift_ppm,
        no_band_share=plan.no_band_share,
        trigger_share=plan.trigger_share,
        loose_share=plan.loose_share,
        counted=plan.sequence_before,
        total_count=plan.total_before,
    )


def _given(action: Wear | ChangeSettings) -> dict[str, Any]:
    """The arguments that were given."""
    return action.model_dump(exclude={"at", "controller", "do"}, exclude_none=True)


def _port(front: Front) -> int:
    return front.broker_port if isinstance(front, MqttFront) else front.port
