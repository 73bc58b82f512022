"""The MQTT front: retained status, a message a cycle, its curve; nothing lost while the broker is away."""

import asyncio
import json
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import aiomqtt
import pytest

from simulators.broker import Broker
from simulators.fronts.mqtt import FAMILY, MqttFront, curve_payload, cycle_payload
from simulators.memory import WhileStarting
from tests.simulators.rigs import A_RECORD, NOON, Told, new_controller, now_at_noon, run_cycles

WITHIN_S = 10


class Listener:
    """A subscriber to everything below `clamps/`."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self.client = client
        self.got: list[aiomqtt.Message] = []

    async def until(self, true: Callable[[], bool]) -> None:
        async with asyncio.timeout(WITHIN_S):
            while not true():
                self.got.append(await anext(aiter(self.client.messages)))

    def payloads(self, kind: str) -> list[bytes]:
        return [bytes(message.payload) for message in self.got if str(message.topic) == f"clamps/T-01/{kind}"]

    @property
    def sequences(self) -> list[int]:
        return [json.loads(payload)["n"] for payload in self.payloads("cycle")]

    @property
    def statuses(self) -> list[dict[str, object]]:
        return [json.loads(payload) for payload in self.payloads("status")]


@asynccontextmanager
async def listening(broker: Broker) -> AsyncIterator[Listener]:
    async with aiomqtt.Client(broker.host, broker.port, identifier="book", clean_session=False) as client:
        await client.subscribe("clamps/+/+", qos=1)
        yield Listener(client)


@pytest.fixture
async def broker() -> AsyncIterator[Broker]:
    async with Broker() as broker:
        yield broker


@pytest.fixture
async def front(broker: Broker) -> AsyncIterator[MqttFront]:
    async with MqttFront(new_controller(FAMILY), now_at_noon, broker.port) as front:
        yield front


# ---- payloads ----------------------------------------------------------------------------------------


def test_a_cycle_is_published_as_it_was_written_by_hand() -> None:
    """Every field of the example layout, pressures in bar, the controller's words."""
    assert json.loads(cycle_payload(FAMILY.kept(A_RECORD))) == {
        "n": 4660,
        "time": "2020-07-12T17:32:02.854Z",
        "tool": "40117",
        "result": "fail",
        "end": "error",
        "mode": "hand",
        "fault": "F-PUNCH",
        "part": "P0000042",
        "band": "B15-061",
        "ms": {"total": 620, "take_up": 301},
        "n_peak": 667.2,
        "n_lock": 658.3,
        "n_loss": None,
        "set": {"torque_nm": 5.65, "speed_mm_s": 40.0, "punch_bar": 6.205},
        "air_bar": 6.0,
        "punch_m_s": 1.958,
        "total": 305419896,
        "ambient": {"humidity": 45.0},
    }


def test_a_curve_is_published_as_plain_little_endian_bytes() -> None:
    """Sequence, interval, count, samples."""
    payload = curve_payload(0x1234, 1000, struct.pack("<3h", 1, 256, 32767))
    assert payload == bytes.fromhex("34120000E8030000030001000001FF7F")


async def test_the_status_has_every_field_of_the_example_layout(broker: Broker, front: MqttFront) -> None:
    """In the controller's own words and units."""
    controller = front.controller
    run_cycles(controller, 3)
    controller.set_supply_pressure(500.0, NOON)
    controller.acknowledge(NOON)
    controller.set_mode("maintenance", NOON)
    async with listening(broker) as listener:
        await listener.until(lambda: bool(listener.statuses) and listener.statuses[-1]["mode"] == "service")
    assert listener.statuses[-1] == {
        "last": 3,
        "mode": "service",
        "state": "off",
        "faults": {"active": 8, "acknowledged": 8},
        "estop": False,
        "counts": {"total": 3, "cleared": 3},
        "time": "2026-11-24T12:00:00.000Z",
        "cabinet": "CB004711",
        "tool": {"serial": "40117"},
        "air_bar": 5.0,
        "set": {"torque_nm": 9.4, "speed_mm_s": 40.0, "punch_bar": 3.3, "band": "B15-048"},
    }


# ---- order, retained, again --------------------------------------------------------------------------


async def test_a_cycle_goes_out_before_its_curve_and_both_before_the_status(
    broker: Broker, front: MqttFront
) -> None:
    """So a status never tells of a cycle that is not out yet."""
    async with listening(broker) as listener:
        await listener.until(lambda: bool(listener.statuses))
        del listener.got[:]
        finished = run_cycles(front.controller, 1)[0]
        await listener.until(lambda: any(status["last"] == 1 for status in listener.statuses))
    kinds = [str(message.topic).rsplit("/", 1)[1] for message in listener.got]
    assert [kind for kind in kinds if kind != "status"] == ["cycle", "curve"]
    assert kinds[-1] == "status"
    assert listener.payloads("cycle") == [cycle_payload(finished.record)]
    assert finished.curve is not None
    assert listener.payloads("curve") == [curve_payload(1, 1000, finished.curve.samples)]


async def test_everything_is_sent_with_qos_1_and_only_the_status_is_retained(
    broker: Broker, front: MqttFront
) -> None:
    """Whoever comes later gets the last status at once, and no cycle."""
    async with listening(broker) as listener:
        run_cycles(front.controller, 1)
        await listener.until(lambda: any(status["last"] == 1 for status in listener.statuses))
        assert {message.qos for message in listener.got} == {1}
    assert list(broker.retained) == ["clamps/T-01/status"]


async def test_the_status_comes_every_second_and_at_once_on_a_change(
    broker: Broker, front: MqttFront
) -> None:
    """A quiet controller is heard all the same."""
    async with listening(broker) as listener:
        await listener.until(lambda: len(listener.statuses) >= 2)
        loop = asyncio.get_running_loop()
        started_at = loop.time()
        front.controller.press_emergency_stop(NOON)
        await listener.until(lambda: bool(listener.statuses[-1]["estop"]))
        assert loop.time() - started_at < 0.9
        count = len(listener.statuses)
        await listener.until(lambda: len(listener.statuses) == count + 1)
        assert loop.time() - started_at > 0.8


async def test_cycles_wait_while_the_broker_is_away_and_come_in_order(
    broker: Broker, front: MqttFront
) -> None:
    """None is lost; one that was not acknowledged may come twice."""
    async with listening(broker) as listener:
        await listener.until(lambda: bool(listener.statuses))
    await broker.stop()
    made = run_cycles(front.controller, 30)
    assert len(front.unsent) == 30
    await broker.start()
    async with listening(broker) as listener:
        await listener.until(lambda: 30 in listener.sequences)
    assert sorted(set(listener.sequences)) == [finished.sequence for finished in made]
    async with asyncio.timeout(WITHIN_S):
        await front.settled.wait()
    assert (len(front.unsent), front.dropped) == (0, 0)


async def test_a_full_queue_drops_the_oldest_cycle_and_counts_it(broker: Broker) -> None:
    """A controller has only so much room."""
    front = MqttFront(new_controller(FAMILY), now_at_noon, broker.port, queue_most=5)
    told = Told(front.controller)
    run_cycles(front.controller, 8)
    dropped = [event.detail["sequence"] for event in told.events if event.what == "unsent cycle dropped"]
    assert dropped == [1, 2, 3]
    assert ([unsent.sequence for unsent in front.unsent], front.dropped) == ([4, 5, 6, 7, 8], 3)


async def test_lost_memory_takes_unsent_cycles_with_it(broker: Broker) -> None:
    """A power cycle alone does not."""
    front = MqttFront(new_controller(FAMILY), now_at_noon, broker.port)
    run_cycles(front.controller, 3)
    front.controller.power_off(NOON)
    assert len(front.unsent) == 3
    front.controller.power_off(NOON, memory_lost=True)
    assert len(front.unsent) == 0


async def test_a_front_leaves_in_time_even_when_the_broker_is_gone(broker: Broker, front: MqttFront) -> None:
    """Switching off does not wait for a connection."""
    async with listening(broker) as listener:
        await listener.until(lambda: bool(listener.statuses))
    await broker.stop()
    async with asyncio.timeout(2):
        await front.switch_off()


@pytest.mark.parametrize(("while_starting", "says"), [("zeroed", True), ("blank", False), ("refuses", False)])
async def test_a_starting_controller_publishes_nothing_useful(
    broker: Broker, while_starting: WhileStarting, says: bool
) -> None:
    """Either a status that says `starting` and zeros, or nothing at all."""
    controller = new_controller(FAMILY)
    run_cycles(controller, 3)
    controller.while_starting = while_starting
    controller.power_off(NOON)
    controller.power_on(NOON)
    async with MqttFront(controller, now_at_noon, broker.port) as front:
        async with asyncio.timeout(WITHIN_S):
            await front.settled.wait()
    assert ("clamps/T-01/status" in broker.retained) is says
    if says:
        status = json.loads(broker.retained["clamps/T-01/status"].payload)
        assert (status["state"], status["last"], status["counts"]["total"]) == ("starting", 0, 0)
