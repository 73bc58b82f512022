"""A whole plant behind real sockets."""

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter
from pymodbus.client import AsyncModbusTcpClient

from simulators.fronts.modbus import ModbusFront
from simulators.fronts.mqtt import MqttFront
from simulators.memory import Event
from simulators.plant import Plant
from simulators.scenario import SCENARIOS, Action, ControllerPlan, Scenario, load_scenario
from simulators.truth import Truth, read_truth

ACTION: TypeAdapter[Action] = TypeAdapter(Action)
LAYOUTS = {
    "A": "ring-modbus",
    "B": "last-record-modbus",
    "C": "ring-s7",
    "D": "messages-mqtt",
    "E": "ring-s7",
}
WITHIN_S = 10


def scenario(names: str = "A", events: tuple[dict[str, Any], ...] = (), **plan: Any) -> Scenario:
    """Controllers by letter; no cycle happens by itself and nothing goes wrong, unless the plan says so."""
    still = {"cycle_every_s": None, "no_band_share": 0.0, "trigger_share": 0.0, "loose_share": 0.0}
    return Scenario(
        controllers=tuple(
            ControllerPlan.model_validate(
                {"name": name, "layout": LAYOUTS[name], "tool": str(100 + number), "prefilled": 0}
                | still
                | plan
            )
            for number, name in enumerate(names)
        ),
        events=tuple(ACTION.validate_python(event) for event in events),
    )


def action(controller: str, do: str, **arguments: Any) -> Action:
    return ACTION.validate_python({"controller": controller, "do": do} | arguments)


async def last_sequence(plant: Plant, name: str) -> int:
    """As a reader sees it over Modbus; the first register of the ring's status."""
    client = AsyncModbusTcpClient("127.0.0.1", port=plant.ports[name], retries=0, reconnect_delay=0)
    assert await client.connect()
    answer = await client.read_holding_registers(0, count=1)
    client.close()
    return int(answer.registers[0])


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "truth.ndjson"


# ---- cycles ------------------------------------------------------------------------------------------


async def test_controllers_have_been_running_before_the_plant_starts() -> None:
    """The ring is filled, start-up is over, and the counters go on from what was before."""
    async with Plant(scenario(prefilled=15, sequence_before=1000, total_before=5000)) as plant:
        controller = plant.controller("A")
        status = controller.status(datetime.now(UTC))
        assert (status.last_sequence, status.total_count, status.state) == (1015, 5015, "idle")
        assert sum(slot is not None for slot in controller.ring) == 15
        assert await last_sequence(plant, "A") == 1015


async def test_a_test_can_make_a_cycle_at_once_and_a_reader_sees_it() -> None:
    """No pace, no waiting."""
    async with Plant(scenario()) as plant:
        finished = await plant.make_cycle("A", "no band")
        assert (finished.sequence, finished.record.completion) == (1, "failed")
        assert await last_sequence(plant, "A") == 1


async def test_a_controller_that_may_not_cycle_makes_none() -> None:
    """Neither by itself nor when a test asks for it."""
    async with Plant(scenario()) as plant:
        await plant.apply(action("A", "emergency_stop"))
        with pytest.raises(RuntimeError, match="A can't make a cycle now"):
            await plant.make_cycle("A")


async def test_cycles_come_at_the_plants_pace() -> None:
    """A gap of one second at speed 50 is 20 ms."""
    async with Plant(scenario(cycle_every_s=(1.0, 1.0)), speed=50) as plant:
        loop = asyncio.get_running_loop()
        started_at = loop.time()
        made = await plant.wait_for_cycles("A", 25)
        assert 0.4 < loop.time() - started_at < WITHIN_S
        assert [finished.sequence for finished in made[:25]] == list(range(1, 26))


async def test_controllers_clocks_stay_on_wall_time_at_any_speed() -> None:
    """A cycle's stamp is the wall instant at which it finished, plus the controller's own offset."""
    before = datetime.now(UTC)
    async with Plant(scenario("C", cycle_every_s=(1.0, 1.0), clock_offset_s=100.0), speed=100) as plant:
        for finished in await plant.wait_for_cycles("C", 5):
            assert before <= finished.ended_at <= datetime.now(UTC)
            off_s = (finished.record.controller_time - finished.ended_at.replace(tzinfo=None)).total_seconds()
            assert off_s == pytest.approx(100, abs=0.002)


async def test_one_seed_makes_one_story_at_any_speed() -> None:
    """All measured values are the same; only the instants differ."""
    stories = []
    for speed in (20.0, 60.0):
        async with Plant(scenario("AC", cycle_every_s=(0.5, 1.5), no_band_share=0.1), speed=speed) as plant:
            made = [(await plant.wait_for_cycles(name, 10))[:10] for name in "AC"]
        stories.append(
            [[(each.curve, each.record.result, each.record.take_up_ms) for each in cycles] for cycles in made]
        )
    assert stories[0] == stories[1]
    assert stories[0][0] != stories[0][1]


async def test_a_pause_between_two_steps_of_writing_can_be_made_long() -> None:
    """A test that looks for torn records need not hope for luck."""
    async with Plant(scenario("A", write_pause_s=0.05)) as plant:
        making = asyncio.create_task(plant.make_cycle("A"))
        torn = []
        while not making.done():
            torn.append(any(slot is not None and slot.half for slot in plant.controller("A").ring))
            await asyncio.sleep(0)
        assert any(torn)
        assert torn[-1] is False


# ---- truth -------------------------------------------------------------------------------------------


async def test_the_truth_has_every_cycle_of_every_controller_and_says_which_came_before(path: Path) -> None:
    """Gap-free sequences, from the first prefilled cycle to the last."""
    async with Plant(scenario("ABCD", prefilled=3, cycle_every_s=(1.0, 1.0)), speed=50, truth=path) as plant:
        for name in "ABCD":
            await plant.wait_for_cycles(name, 5)
    truth = read_truth(path)
    for name in "ABCD":
        cycles = [cycle for cycle in truth.cycles if cycle.controller == name]
        assert [cycle.sequence for cycle in cycles] == list(range(1, len(cycles) + 1))
        assert [cycle.before_start for cycle in cycles[:5]] == [True] * 3 + [False] * 2
        assert [cycle.ended_at for cycle in cycles] == sorted(cycle.ended_at for cycle in cycles)


def whats(truth: Truth) -> list[str]:
    return [event.what for event in truth.events]


# ---- what happens ------------------------------------------------------------------------------------


async def test_two_controllers_exchange_their_tools(path: Path) -> None:
    """The next cycles carry the other serial; both swaps are in the truth."""
    async with Plant(scenario("CE"), truth=path) as plant:
        await plant.make_cycle("C")
        await plant.apply(action("C", "swap_tool", other="E"))
        serials = [(await plant.make_cycle(name)).record.tool_serial for name in "CE"]
        assert serials == ["101", "100"]
    assert "tool swap" in whats(read_truth(path))


async def test_a_tool_can_be_taken_away_and_another_hung_up() -> None:
    """Without a tool there are no cycles."""
    async with Plant(scenario("C")) as plant:
        await plant.apply(action("C", "swap_tool"))
        with pytest.raises(RuntimeError):
            await plant.make_cycle("C")
        await plant.apply(action("C", "swap_tool", tool="NEW-1"))
        assert (await plant.make_cycle("C")).record.tool_serial == "NEW-1"


async def test_a_power_cycle_cuts_connections_and_comes_back_starting() -> None:
    """At the same port; zeros until the start-up time is over."""
    async with Plant(scenario(prefilled=3), speed=60) as plant:
        client = AsyncModbusTcpClient("127.0.0.1", port=plant.ports["A"], retries=0, reconnect_delay=0)
        assert await client.connect()
        lost = asyncio.Event()
        client.ctx.connection_lost = _noting(client.ctx.connection_lost, lost)
        await plant.apply(action("A", "power_cycle", off_s=3.0))
        async with asyncio.timeout(WITHIN_S):
            await lost.wait()
        client.close()
        assert await last_sequence(plant, "A") == 0
        async with asyncio.timeout(WITHIN_S):
            await plant.wait_until(lambda: plant.controller("A").may_cycle(datetime.now(UTC)))
        assert await last_sequence(plant, "A") == 3


def _noting(
    inner: Callable[[Exception | None], None], noted: asyncio.Event
) -> Callable[[Exception | None], None]:
    def outer(reason: Exception | None) -> None:
        noted.set()
        inner(reason)

    return outer


async def test_lost_memory_begins_a_new_epoch_in_the_truth(path: Path) -> None:
    """Sequences begin at 1 again."""
    async with Plant(scenario(start_up_s=0.0, prefilled=2), truth=path) as plant:
        await plant.apply(action("A", "power_cycle", off_s=0.0, memory_lost=True))
        await plant.make_cycle("A")
    assert [(cycle.epoch, cycle.sequence) for cycle in read_truth(path).cycles] == [(1, 1), (1, 2), (2, 1)]


async def test_somebody_acknowledges_after_a_while(path: Path) -> None:
    """Twelve seconds at speed 100; the fault of a band that is over then clears."""
    async with Plant(scenario(), speed=100, truth=path) as plant:
        await plant.make_cycle("A", "no band")
        async with asyncio.timeout(WITHIN_S):
            await plant.wait_until(lambda: not plant.controller("A").faults)
    assert whats(read_truth(path)) == ["fault raised", "fault acknowledged", "fault cleared"]


async def test_nobody_acknowledges_where_the_plan_says_so() -> None:
    """The fault stays, and a punch that stuck keeps the controller stopped."""
    async with Plant(scenario("C", acknowledge_after_s=None), speed=1000) as plant:
        await plant.apply(action("C", "fit_band", band="B15-061"))
        assert (await plant.make_cycle("C")).record.completion == "failed"
        with pytest.raises(RuntimeError):
            await plant.make_cycle("C")
        await plant.apply(action("C", "acknowledge"))
        await plant.apply(action("C", "fit_band"))
        assert (await plant.make_cycle("C")).record.completion == "completed"


async def test_an_unplugged_controller_works_on_and_its_port_comes_back() -> None:
    """Only the network is gone."""
    async with Plant(scenario(), speed=10) as plant:
        unplugged = asyncio.create_task(plant.apply(action("A", "unplug_network", for_s=3.0)))
        port = plant.ports["A"]
        async with asyncio.timeout(WITHIN_S):
            while await _answers(port):
                pass
        await plant.make_cycle("A")
        await unplugged
        assert plant.ports["A"] == port
        assert await last_sequence(plant, "A") == 1


async def test_a_controllers_log_is_fetched_with_a_stick(tmp_path: Path) -> None:
    """It has more cycles than the memory, outlives a lost one, and each file has a name of its own."""
    async with Plant(scenario("B", prefilled=40), speed=1000) as plant:
        await plant.apply(action("B", "power_cycle", memory_lost=True))
        await plant.wait_until(lambda: plant.controller("B").may_cycle(plant.clock()))
        await plant.make_cycle("B")
        await plant.apply(action("B", "write_log", folder=str(tmp_path)))
        short = plant.write_log("B", tmp_path, last=3)
    (whole,) = _files(tmp_path) - {short}
    numbers = [line.split(b",")[0] for line in whole.read_bytes().splitlines()]
    assert numbers == [b"%d" % number for number in (*range(1, 41), 1)]
    assert whole.read_bytes().endswith(short.read_bytes())
    assert short.read_bytes().count(b"\n") == 3


def _files(folder: Path) -> set[Path]:
    return set(folder.iterdir())


async def _answers(port: int) -> bool:
    try:
        _, writer = await asyncio.open_connection("127.0.0.1", port)
    except ConnectionError:
        return False
    writer.close()
    return True


SETTERS: list[tuple[str, dict[str, Any], Callable[[Plant], object], object]] = [
    (
        "supply_pressure",
        {"kpa": 500.0},
        lambda plant: plant.controller("C").status(datetime.now(UTC)).fault_word,
        8,
    ),
    ("fault", {"fault": "air", "lasting": True}, lambda plant: list(plant.controller("C").faults), [3]),
    ("end_fault", {"fault": "air"}, lambda plant: list(plant.controller("C").faults), []),
    ("setup", {}, lambda plant: plant.controller("C").mode, "setup"),
    ("set", {"set_torque_nm": 8.5}, lambda plant: plant.controller("C").settings.set_torque_nm, 8.5),
    ("set_clock", {"offset_s": 7.0}, lambda plant: plant.controller("C").clock_offset_s, 7.0),
    ("clear_counter", {}, lambda plant: plant.controller("C").count_since_cleared, 0),
    ("release_emergency_stop", {}, lambda plant: plant.controller("C").emergency_stop, False),
    (
        "wear",
        {"punch_wear": 0.2, "punch_wear_per_cycle": 0.01},
        lambda plant: (plant.controller("C").tool or pytest.fail("no tool")).punch_wear,
        0.2,
    ),
]


@pytest.mark.parametrize(("do", "arguments", "seen", "expected"), SETTERS, ids=[case[0] for case in SETTERS])
async def test_each_event_does_what_it_says(
    do: str, arguments: dict[str, Any], seen: Callable[[Plant], object], expected: object
) -> None:
    """The rest has a test of its own."""
    async with Plant(scenario("C", prefilled=2)) as plant:
        await plant.apply(action("C", do, **arguments))
        assert seen(plant) == expected


async def test_a_scenario_plays_its_events_in_order_and_again(path: Path) -> None:
    """At the plant's pace, whatever their order in the file; here every two seconds at speed 40."""
    events = (
        {"at": "00:01", "controller": "A", "do": "manual"},
        {"at": "00:00", "controller": "A", "do": "setup"},
    )
    plan = scenario(events=events).model_copy(update={"repeat_every": "00:02"})
    async with Plant(plan, speed=40, truth=path) as plant:
        async with asyncio.timeout(WITHIN_S):
            for mode in ("setup", "manual", "setup", "manual"):
                await plant.wait_until(lambda mode=mode: plant.controller("A").mode == mode)
    modes = [event.detail["mode"] for event in read_truth(path).events]
    assert modes[:4] == ["setup", "manual", "setup", "manual"]


async def test_what_breaks_the_plant_reaches_whoever_waits() -> None:
    """A tool that a controller can't keep is a mistake in the scenario, not a silent stop."""
    events = ({"at": "00:00", "controller": "A", "do": "swap_tool", "tool": "BT-1"},)

    async def wait_for_ever() -> None:
        async with asyncio.timeout(WITHIN_S), Plant(scenario(events=events)) as plant:
            await plant.wait_until(lambda: False)

    with pytest.raises(ValueError, match="keeps serial numbers as numbers"):
        await wait_for_ever()


# ---- fronts, ports, state ----------------------------------------------------------------------------


async def test_every_controller_gets_a_front_for_its_layout_and_a_port_of_its_own() -> None:
    """Those that publish share the broker's."""
    async with Plant(scenario("ABCD")) as plant:
        assert [type(plant.front(name)).__name__ for name in "ABCD"] == [
            *("ModbusFront", "ModbusFront", "S7Front", "MqttFront")
        ]
        assert len(set(plant.ports.values())) == 4
        assert plant.broker is not None
        assert plant.ports["D"] == plant.broker.port
        listed = plant.addresses()
        assert listed["broker"] == {"host": "127.0.0.1", "port": plant.broker.port}
        assert listed["controllers"]["C"]["port"] == plant.ports["C"]
        assert listed["controllers"]["C"]["layout"] == "ring-s7"


async def test_no_broker_is_started_where_nobody_publishes() -> None:
    """Nor listed."""
    async with Plant(scenario("AC")) as plant:
        assert (plant.broker, plant.addresses()["broker"]) == (None, None)


async def test_after_the_plant_nothing_listens_and_nothing_runs() -> None:
    """Ports are closed and no task is left."""
    async with Plant(scenario("AD", cycle_every_s=(1.0, 1.0)), speed=50) as plant:
        await plant.wait_for_cycles("D", 2)
        ports = plant.ports
    assert not any([await _answers(port) for port in ports.values()])
    assert asyncio.all_tasks() == {asyncio.current_task()}


async def test_a_plant_with_state_goes_on_where_it_stopped(tmp_path: Path, path: Path) -> None:
    """Sequence, counters and worn tool; no second prefill, and the truth is one file for both runs."""
    for _ in range(2):
        async with Plant(scenario("AC", prefilled=4), state=tmp_path / "state", truth=path) as plant:
            for name in "AC":
                await plant.make_cycle(name)
            tools = [plant.controller(name).tool for name in "AC"]
    assert [tool.cycles for tool in tools if tool is not None] == [6, 6]
    sequences = [cycle.sequence for cycle in read_truth(path).cycles if cycle.controller == "A"]
    assert sequences == [1, 2, 3, 4, 5, 6]


async def test_a_publishing_controller_does_not_publish_what_was_before() -> None:
    """Those cycles went out in their time; live ones do go out."""
    async with Plant(scenario("D", prefilled=5)) as plant:
        front = plant.front("D")
        assert isinstance(front, MqttFront)
        await plant.make_cycle("D")
        async with asyncio.timeout(WITHIN_S):
            await _sent(front)
        assert plant.broker is not None
        assert plant.broker.published["controller D"] >= 3


async def _sent(front: MqttFront) -> None:
    await front.settled.wait()


async def test_the_demo_runs_at_high_speed_with_every_event(path: Path) -> None:
    """Ten minutes of it in a few seconds: faults with three instants, a new epoch, a wrap, a swap."""
    plan = load_scenario(SCENARIOS / "demo.toml")
    told: list[Event] = []
    async with Plant(plan, speed=120, truth=path) as plant:
        plant.controller("L1-04").on_event.append(
            lambda event: told.append(event) if event.what == "wear" else None
        )
        async with asyncio.timeout(30):
            await plant.wait_until(lambda: len(told) == 2)
        front = plant.front("L1-01")
        assert isinstance(front, ModbusFront)
        assert front.write_requests == 0
    truth = read_truth(path)
    assert set(whats(truth)) >= {
        *("fault raised", "fault acknowledged", "fault cleared", "tool swap", "setting change", "wear"),
        *("supply pressure", "counter clear", "power cycle", "mode"),
    }
    assert {cycle.epoch for cycle in truth.cycles if cycle.controller == "L1-02"} == {1, 2}
    assert any(cycle.shown_sequence < cycle.sequence for cycle in truth.cycles)
    assert {cycle.completion for cycle in truth.cycles} == {"completed", "failed", "aborted"}
    assert {cycle.tool_serial for cycle in truth.cycles if cycle.controller == "L1-03"} == {
        "BT20-0417",
        "BT20-0388",
    }
