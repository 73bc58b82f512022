"""Promise: the controller is only ever read. The whole collector, seen on the wire and by the controllers."""

from contextlib import AsyncExitStack
from pathlib import Path

from collector.store.engine import StoreAddress
from simulators.fronts.tcp import TcpFront
from simulators.plant import Plant
from simulators.scenario import SCENARIOS, load_scenario
from tests.processes import came_by, caught_up, ended, eventually, hold_still, running, site_of
from tests.rigs import (
    MODBUS_READS,
    MQTT_READS,
    S7_READS,
    RecordingProxy,
    all_but,
    modbus_functions,
    mqtt_packet_types,
    s7_functions,
)

SPOKEN = {
    "ring-modbus": (modbus_functions, MODBUS_READS),
    "last-record-modbus": (modbus_functions, MODBUS_READS),
    "ring-s7": (s7_functions, S7_READS),
    "messages-mqtt": (mqtt_packet_types, MQTT_READS),
}


async def test_a_session_of_the_collector_is_reads_alone(tmp_path: Path) -> None:
    """History, new cycles, curves, a restart: every request that left the collector is a read, and no
    controller saw anything else."""
    async with Plant(load_scenario(SCENARIOS / "fast.toml"), speed=0.25) as plant, AsyncExitStack() as stack:
        proxies = {
            name: await stack.enter_async_context(RecordingProxy("127.0.0.1", port))
            for name, port in plant.ports.items()
        }
        site = site_of(plant, tmp_path, {name: proxy.port for name, proxy in proxies.items()})
        address = StoreAddress(folder=tmp_path / "book")
        for seen in (10, 30):
            async with running("collector", "collect", "--site", str(site), log=tmp_path / "log") as process:
                for name in proxies:
                    await plant.wait_for_cycles(name, seen)
                await eventually(came_by(plant, address), "the book has come by")
                if seen == 30:
                    await hold_still(plant)
                    await eventually(lambda: caught_up(plant, address), "the book has all cycles")
                assert await ended(process) == 0
        for name, proxy in proxies.items():
            await proxy.until_left()
            functions, allowed = SPOKEN[plant.cabinets[name].plan.layout]
            assert len(functions(proxy.sent)) > 10, name
            assert all_but(allowed, functions(proxy.sent)) == [], name
            front = plant.front(name)
            if isinstance(front, TcpFront):
                assert (front.write_requests, front.other_requests) == (0, 0), name
