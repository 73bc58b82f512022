"""The Modbus front: right bytes for readers, no for everybody else."""

import asyncio
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from pymodbus.client import AsyncModbusTcpClient

from simulators.fronts.modbus import ModbusFront
from simulators.fronts.modbus_maps import LAST, MAPS, RING, TENTH_LBF_N
from simulators.memory import Controller, Curve, Fault, Slot, WhileStarting
from tests.simulators.rigs import A_RECORD, NOON, new_controller, now_at_noon, run_cycles

Reads = Callable[[int, int], Awaitable[list[int]]]


@pytest.fixture
async def ring() -> AsyncIterator[ModbusFront]:
    async with ModbusFront(new_controller(RING), MAPS["ring-modbus"], now_at_noon) as front:
        yield front


@pytest.fixture
async def last() -> AsyncIterator[ModbusFront]:
    async with ModbusFront(new_controller(LAST), MAPS["last-record-modbus"], now_at_noon) as front:
        yield front


@pytest.fixture
async def client(ring: ModbusFront) -> AsyncIterator[AsyncModbusTcpClient]:
    client = AsyncModbusTcpClient(ring.host, port=ring.port, retries=0, reconnect_delay=0, timeout=2)
    assert await client.connect()
    yield client
    client.close()


async def exchange(front: ModbusFront, request: str) -> str:
    """One request over a new connection; the answer's bytes, or nothing where the connection was closed."""
    async with asyncio.timeout(5):
        reader, writer = await asyncio.open_connection(front.host, front.port)
        writer.write(bytes.fromhex(request))
        head = await reader.read(6)
        body = await reader.readexactly(struct.unpack(">H", head[4:])[0]) if head else b""
        writer.close()
        await writer.wait_closed()
        return (head + body).hex().upper()


# ---- bytes -------------------------------------------------------------------------------------------


async def test_a_real_client_reads_a_ring_record_as_it_was_packed_by_hand(
    ring: ModbusFront, client: AsyncModbusTcpClient
) -> None:
    """32 registers, 32-bit values with the low word first, 65535 for what there is not."""
    ring.controller.ring[10] = Slot(RING.kept(A_RECORD))
    answer = await client.read_holding_registers(100 + 10 * 32, count=32)
    unix_s = int(datetime(2020, 7, 12, 17, 32, 2, tzinfo=UTC).timestamp())
    assert answer.registers == [
        *(0x1234, unix_s & 0xFFFF, unix_s >> 16, 40117, 0),
        *(0x0102, 1, 13, 620, 301),
        *(1500, 1480, 65535, 500, 400, 900, 870, 1958),
        *(0x5678, 0x1234),
        *(0x4231, 0x352D, 0x3036, 0x3100),
        *(0x5030, 0x3030, 0x3030, 0x3432, 0, 0),
        *(59769, 17142),  # 123.456 with the low word first: E979 42F6 (IEEE 754)
    ]


async def test_a_real_client_reads_the_ring_status_as_it_was_packed_by_hand(
    ring: ModbusFront, client: AsyncModbusTcpClient
) -> None:
    """Words as the example layout has them."""
    controller = ring.controller
    run_cycles(controller, 3)
    controller.total_count, controller.count_since_cleared = 70_000, 65_536
    controller.change_settings(NOON, set_torque_nm=5.649241451380835, punch_pressure_kpa=620.528156385)
    controller.set_supply_pressure(344.73786465840805, NOON)
    controller.press_emergency_stop(NOON)
    controller.acknowledge(NOON)
    controller.set_mode("setup", NOON)
    controller.clock_offset_s = 0.007
    answer = await client.read_holding_registers(0, count=32)
    assert answer.registers == [
        *(3, 2, 3, 0b11000, 0b11000, 1),
        *(70_000 - 65_536, 1, 0, 1),
        *(2026, 11, 24, 12, 0, 0, 7),
        *(40117, 0, 500, 500, 400, 900),
        *(0x4231, 0x352D, 0x3034, 0x3800, 0x0310),
        *(0x4342, 0x3030, 0x3437, 0x3131),
    ]


async def test_a_real_client_reads_the_curve_of_the_last_cycle(
    ring: ModbusFront, client: AsyncModbusTcpClient
) -> None:
    """Sequence, count, interval, samples; 605 registers in five requests."""
    finished = run_cycles(ring.controller, 2)[-1]
    registers: list[int] = []
    for start in range(2000, 2605, 121):
        registers += (await client.read_holding_registers(start, count=121)).registers
    assert finished.curve is not None
    count = finished.curve.count
    assert registers[:5] == [2, count, 2000, 0, 0]
    samples = struct.unpack(f"<{count}H", finished.curve.samples)
    assert tuple(registers[5 : 5 + count]) == samples
    assert set(registers[5 + count :]) == {0}
    assert max(samples) * TENTH_LBF_N == pytest.approx(finished.record.peak_tension_n)


async def test_a_real_client_reads_the_last_record_with_all_bytes_reversed(last: ModbusFront) -> None:
    """Low byte and low word first: a plain little-endian structure; texts change places in pairs."""
    record = LAST.kept(replace(A_RECORD, result="ok", completion="completed", peak_tension_n=123.456))
    last.controller.ring[0] = Slot(record)
    client = AsyncModbusTcpClient(last.host, port=last.port)
    assert await client.connect()
    answer = await client.read_input_registers(40, count=16)
    ms = int(datetime(2020, 7, 12, 17, 32, 2, 854_000, tzinfo=UTC).timestamp() * 1000)
    expected = bytes.fromhex("34120000") + ms.to_bytes(8, "little") + bytes.fromhex("01000100")
    expected += bytes.fromhex("79E9F642") + bytes.fromhex("BE9FFA3F") + bytes.fromhex("6C020000")
    assert struct.pack(">16H", *answer.registers)[:28] == expected
    status = struct.pack(">20H", *(await client.read_input_registers(0, count=20)).registers)
    assert status[20:32] == b"0411\x007\0\0\0\0\0\0"
    client.close()


async def test_the_specifications_own_header_is_answered_with_the_specifications_own_bytes(
    ring: ModbusFront,
) -> None:
    """CHK-MOD-03 (Modbus messaging guide, quoted by a public crate): transaction 5377, unit 255, value 5."""
    ring.controller.raise_fault(Fault.NO_BAND, NOON, cause=True)
    ring.controller.raise_fault(Fault.PUNCH, NOON, cause=True)
    ring.controller.acknowledge(NOON)
    assert await exchange(ring, "150100000006FF0300040001") == "150100000005FF03020005"


# ---- refusals ----------------------------------------------------------------------------------------

SPECIFICATIONS_WRITES = [
    "0500ACFF00",
    "0600010003",
    "0F0013000A02CD01",
    "100001000204000A0102",
    "16000400F20025",
    "1700030006000E00030600FF00FF00FF",
]
"""CHK-MOD-01: write requests of the Modbus application protocol V1.1b3."""


@pytest.mark.parametrize("pdu", SPECIFICATIONS_WRITES)
async def test_every_write_is_refused_and_counted_and_changes_nothing(ring: ModbusFront, pdu: str) -> None:
    """Exception 01, whichever way to write it is."""
    before = ring.controller.status(NOON)
    function = int(pdu[:2], 16)
    answer = await exchange(ring, f"00070000{len(pdu) // 2 + 1:04X}01{pdu}")
    assert answer == f"000700000003 01 {function | 0x80:02X} 01".replace(" ", "")
    assert (ring.write_requests, ring.other_requests, ring.read_requests) == (1, 0, 0)
    assert ring.controller.status(NOON) == before
    assert ring.requests[-1].function == function


@pytest.mark.parametrize("pdu", ["0100130013", "0200C40016", "1804DE", "2B0E0100", "07"])
async def test_every_other_function_is_refused_and_counted(ring: ModbusFront, pdu: str) -> None:
    """Coils, discrete inputs, queues, identification: exception 01."""
    answer = await exchange(ring, f"00070000{len(pdu) // 2 + 1:04X}01{pdu}")
    assert answer.endswith(f"{int(pdu[:2], 16) | 0x80:02X}01")
    assert (ring.write_requests, ring.other_requests) == (0, 1)


async def test_a_real_client_is_told_that_it_must_not_write(
    ring: ModbusFront, client: AsyncModbusTcpClient
) -> None:
    """The library gets an exception response for a register and for many."""
    for answer in (await client.write_register(0, 5), await client.write_registers(0, [1, 2])):
        assert answer.isError()
        assert answer.exception_code == 1
    assert ring.write_requests == 2


@pytest.mark.parametrize(
    ("first", "count", "code"),
    [
        (0, 33, 2),
        (31, 2, 2),
        (90, 5, 2),
        (99, 2, 2),
        (1059, 2, 2),
        (2604, 2, 2),
        (65535, 1, 2),
        (0, 126, 3),
        (0, 0, 3),
    ],
)
async def test_registers_that_are_not_there_are_refused_with_the_right_code(
    ring: ModbusFront, first: int, count: int, code: int
) -> None:
    """2 for an address outside of a block, 3 for a number outside of 1 to 125 (CHK-MOD-04)."""
    answer = await exchange(ring, f"00010000000601 03 {first:04X}{count:04X}".replace(" ", ""))
    assert answer == f"0001000000030183{code:02X}"


async def test_the_other_table_is_not_there(ring: ModbusFront, last: ModbusFront) -> None:
    """Holding registers of one controller are no input registers, and the other way round."""
    assert (await exchange(ring, "000100000006010400000001"))[-4:] == "8402"
    assert (await exchange(last, "000100000006010300000001"))[-4:] == "8302"


@pytest.mark.parametrize(
    "request_bytes", ["000100010006010300000001", "00010000FFFF010300000001", "000100000001010300"]
)
async def test_bytes_that_are_not_modbus_end_the_connection(ring: ModbusFront, request_bytes: str) -> None:
    """Another protocol number, or a length that no Modbus frame has."""
    assert await exchange(ring, request_bytes) == ""


async def test_every_read_is_in_the_log(ring: ModbusFront, client: AsyncModbusTcpClient) -> None:
    """Function, address and count, in order."""
    await client.read_holding_registers(0, count=32)
    await client.read_holding_registers(100, count=64)
    assert [(each.function, each.address, each.count) for each in ring.requests] == [(3, 0, 32), (3, 100, 64)]


# ---- power -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("while_starting", "expected"), [("zeroed", [0, 0, 2026]), ("blank", [0, 0, 0]), ("refuses", None)]
)
async def test_a_starting_controller_answers_nothing_useful(
    while_starting: WhileStarting, expected: list[int] | None
) -> None:
    """Last sequence and state are zero, the clock may be there; or exception 06, server busy."""
    controller = new_controller(RING)
    run_cycles(controller, 3)
    controller.while_starting = while_starting
    controller.power_off(NOON)
    controller.power_on(NOON)
    async with ModbusFront(controller, MAPS["ring-modbus"], now_at_noon) as front:
        client = AsyncModbusTcpClient(front.host, port=front.port)
        assert await client.connect()
        answer = await client.read_holding_registers(0, count=32)
        client.close()
    if expected is None:
        assert answer.exception_code == 6
    else:
        assert [answer.registers[at] for at in (0, 2, 10)] == expected


async def test_a_front_without_power_refuses_connections_and_comes_back_at_the_same_port(
    ring: ModbusFront,
) -> None:
    """Open connections are cut."""
    port = ring.port
    reader, writer = await asyncio.open_connection(ring.host, port)
    writer.write(bytes.fromhex("000100000006010300000001"))
    await reader.readexactly(11)
    await ring.switch_off()
    with pytest.raises(ConnectionError):
        await asyncio.open_connection(ring.host, port)
    writer.close()
    await ring.switch_on()
    assert ring.port == port
    assert await exchange(ring, "000100000006010300000001") != ""


async def test_a_reader_between_two_steps_of_writing_gets_new_front_and_old_back(ring: ModbusFront) -> None:
    """A torn record: the new sequence with the old total count."""
    controller = ring.controller
    run_cycles(controller, 31)
    steps = controller.keep(controller.pull_trigger(), NOON + timedelta(seconds=60))
    next(steps)
    next(steps)
    torn = (await exchange(ring, f"0001000000060103{100 + 2 * 32:04X}0020"))[18:]
    assert (torn[:4], torn[18 * 4 : 20 * 4]) == ("0020", "00020000")
    next(steps)
    whole = (await exchange(ring, f"0001000000060103{100 + 2 * 32:04X}0020"))[18:]
    assert (whole[:4], whole[18 * 4 : 20 * 4]) == ("0020", "00200000")


def test_the_maps_have_the_sizes_that_the_layouts_state() -> None:
    """Registers: 32, 30 × 32 and 605; 20 and 16."""
    for name, sizes in {"ring-modbus": [32, 960, 605], "last-record-modbus": [20, 16]}.items():
        controller: Controller = new_controller(MAPS[name].family)
        controller.curve = Curve(1, 2000, bytes(1200))
        assert [len(area.packed(controller, NOON)) // 2 for area in MAPS[name].areas] == sizes
        assert [area.size // 2 for area in MAPS[name].areas] == sizes
