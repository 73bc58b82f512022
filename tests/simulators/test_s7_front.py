"""The S7 front: right bytes for readers, no for everybody else."""

import asyncio
import struct
from collections.abc import AsyncIterator

import pytest
from snap7.async_client import AsyncClient
from snap7.error import S7Error
from snap7.type import Area

from simulators.fronts.s7 import S7Front
from simulators.fronts.s7_map import FAMILY, MAP, date_and_time, dtl, s7_string
from simulators.memory import Curve, Slot, WhileStarting
from tests.simulators.rigs import A_RECORD, NOON, new_controller, now_at_noon, run_cycles


@pytest.fixture
async def front() -> AsyncIterator[S7Front]:
    async with S7Front(new_controller(FAMILY), MAP, now_at_noon) as front:
        yield front


@pytest.fixture
async def client(front: S7Front) -> AsyncIterator[AsyncClient]:
    client = await connected(front)
    yield client
    await client.disconnect()


async def connected(front: S7Front, pdu_length: int = 960) -> AsyncClient:
    client = AsyncClient()
    client.set_connection_type(3)
    client.pdu_length = pdu_length
    await client.connect(front.host, 0, 1, front.port)
    return client


# ---- bytes -------------------------------------------------------------------------------------------


async def test_a_real_client_reads_a_record_as_it_was_packed_by_hand(
    front: S7Front, client: AsyncClient
) -> None:
    """98 bytes of DB 101; time as in CHK-S7-01 (published with a public S7 library)."""
    front.controller.ring[7] = Slot(FAMILY.kept(A_RECORD))
    expected = (
        bytes.fromhex("00001234")
        + bytes.fromhex("2007121732028541")
        + b"\x10\x0540117".ljust(18, b"\0")
        + bytes.fromhex("020301000003")
        + bytes.fromhex("0000026C0000012D")
        + struct.pack(">8f", 667.233242289075, 658.336799, -1, 5.649241451380835, 40, 6.20528156385, 6, 1.958)
        + bytes.fromhex("12345678")
        + b"\x0e\x08P0000042".ljust(16, b"\0")
        + bytes.fromhex(f"{0x12345678 % 10_000:04d}")
    )
    assert bytes(await client.db_read(101, 7 * 98, 98)) == expected


async def test_a_real_client_reads_the_status_as_it_was_packed_by_hand(
    front: S7Front, client: AsyncClient
) -> None:
    """102 bytes of DB 100."""
    controller = front.controller
    run_cycles(controller, 3)
    controller.set_supply_pressure(500.0, NOON)
    controller.press_emergency_stop(NOON)
    controller.total_count = 0x12345678
    controller.clock_offset_s = 0.25
    expected = (
        bytes.fromhex("00000003000300030018000001001234567800000003")
        + bytes.fromhex("07EA0B18030C00000EE6B280")
        + struct.pack(">4f", 5.0, 9.4, 40.0, 3.3)
        + b"\x08\x07B15-048\0"
        + b"\x10\x0540117".ljust(18, b"\0")
        + b"\x0a\x07CLAMP-2\0\0\0"
        + bytes.fromhex("013B")
        + b"\x08\x08CB004711"
    )
    assert bytes(await client.db_read(100, 0, 102)) == expected


async def test_a_real_client_reads_the_curve_of_the_last_cycle(front: S7Front, client: AsyncClient) -> None:
    """Sequence, count, interval, samples with the high byte first."""
    finished = run_cycles(front.controller, 2)[-1]
    block = bytes(await client.db_read(102, 0, 2010))
    assert finished.curve is not None
    count = finished.curve.count
    assert struct.unpack(">IHI", block[:10]) == (2, count, 1000)
    assert struct.unpack(f">{count}h", block[10 : 10 + 2 * count]) == struct.unpack(
        f"<{count}h", finished.curve.samples
    )
    assert set(block[10 + 2 * count :]) == {0}


def test_types_have_the_bytes_that_a_public_library_published() -> None:
    """CHK-S7-01: DTL, DATE_AND_TIME, STRING (weekday 1 is Sunday)."""
    time = A_RECORD.controller_time
    assert date_and_time(time) == bytes.fromhex("2007121732028541")
    assert dtl(
        time.replace(year=2022, month=3, day=9, hour=12, minute=34, second=45, microsecond=0)
    ) == bytes.fromhex("07E60309040C222D00000000")
    assert s7_string("test", 4) == bytes.fromhex("040474657374")
    assert s7_string("", 10)[:2] == bytes.fromhex("0A00")


def test_the_map_has_the_sizes_that_the_layout_states() -> None:
    """Bytes: 102, 40 × 98 and 2010."""
    controller = new_controller(FAMILY)
    controller.curve = Curve(1, 1000, bytes(2000))
    assert [len(area.packed(controller, NOON)) for area in MAP.areas] == [102, 3920, 2010]
    assert [area.size for area in MAP.areas] == [102, 3920, 2010]


# ---- connection --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ours", "asked", "agreed"), [(240, 960, 240), (480, 960, 480), (960, 960, 960), (960, 480, 480)]
)
async def test_the_shorter_of_two_pdu_lengths_is_agreed(ours: int, asked: int, agreed: int) -> None:
    """And a long read still gives the right bytes, in as many requests as it takes."""
    controller = new_controller(FAMILY)
    run_cycles(controller, 5)
    async with S7Front(controller, MAP, now_at_noon, pdu_length=ours) as front:
        client = await connected(front, asked)
        assert client.pdu_length == agreed
        assert bytes(await client.db_read(101, 0, 3920)) == MAP.areas[1].packed(controller, NOON)
        assert front.read_requests == -(-3920 // (agreed - 18))
        await client.disconnect()


async def test_bytes_that_are_not_s7_end_the_connection(front: S7Front) -> None:
    """The first byte of a TPKT header is 3."""
    async with asyncio.timeout(5):
        reader, writer = await asyncio.open_connection(front.host, front.port)
        writer.write(b"GET / HTTP/1.1\r\n\r\n")
        assert await reader.read() == b""
        writer.close()
        await writer.wait_closed()


async def test_a_connection_confirm_has_the_callers_reference(front: S7Front) -> None:
    """ISO 8073: a request E0 from reference 1234 is confirmed by D0 to 1234, with its parameters."""
    async with asyncio.timeout(5):
        reader, writer = await asyncio.open_connection(front.host, front.port)
        writer.write(bytes.fromhex("0300001611E00000123400C0010AC1020100C2020102"))
        assert await reader.readexactly(22) == bytes.fromhex("0300001611D01234000100C0010AC1020100C2020102")
        writer.close()
        await writer.wait_closed()


# ---- refusals ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("db", "start", "size", "says"),
    [(99, 0, 4, "0x0a"), (100, 100, 4, "0x05"), (100, 102, 1, "0x05"), (102, 2009, 2, "0x05")],
)
async def test_bytes_that_are_not_there_are_refused_with_the_right_code(
    front: S7Front, client: AsyncClient, db: int, start: int, size: int, says: str
) -> None:
    """0x0A for a block that does not exist, 0x05 for an address outside of one."""
    with pytest.raises(S7Error, match=says):
        await client.db_read(db, start, size)
    assert len(await client.db_read(100, 0, 102)) == 102


async def test_other_memory_than_data_blocks_is_not_there(client: AsyncClient) -> None:
    """Merkers: 0x0A."""
    with pytest.raises(S7Error, match="0x0a"):
        await client.read_area(Area.MK, 0, 0, 4)


async def test_every_way_to_change_something_is_refused_and_counted(
    front: S7Front, client: AsyncClient
) -> None:
    """Writing, stopping, starting."""
    before = MAP.areas[0].packed(front.controller, NOON)
    for number, change in enumerate(
        (lambda: client.db_write(100, 0, bytearray(4)), client.plc_stop, client.plc_hot_start), 1
    ):
        with pytest.raises(S7Error):
            await change()
        assert (front.write_requests, front.other_requests) == (number, 0)
    assert MAP.areas[0].packed(front.controller, NOON) == before


async def test_every_read_is_in_the_log(front: S7Front, client: AsyncClient) -> None:
    """Function, block, address and count."""
    await client.db_read(101, 98, 98)
    assert [(each.function, each.area, each.address, each.count) for each in front.requests] == [
        (4, 101, 98, 98)
    ]


# ---- power -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("while_starting", "clock"), [("zeroed", "07ea0b18"), ("blank", "00000000"), ("refuses", None)]
)
async def test_a_starting_controller_answers_nothing_useful(
    while_starting: WhileStarting, clock: str | None
) -> None:
    """Last sequence and state are zero, the clock may be there; or 0x03, access not allowed."""
    controller = new_controller(FAMILY)
    run_cycles(controller, 3)
    controller.while_starting = while_starting
    controller.power_off(NOON)
    controller.power_on(NOON)
    async with S7Front(controller, MAP, now_at_noon) as front:
        client = await connected(front)
        if clock is None:
            with pytest.raises(S7Error, match="0x03"):
                await client.db_read(100, 0, 102)
        else:
            status = bytes(await client.db_read(100, 0, 102))
            assert (status[:8], status[22:26].hex()) == (bytes(8), clock)
        await client.disconnect()


async def test_a_reader_between_two_steps_of_writing_gets_new_front_and_old_back(front: S7Front) -> None:
    """A torn record: the new sequence with the old total count."""
    controller = front.controller
    run_cycles(controller, 41)
    steps = controller.keep(controller.pull_trigger(), NOON)
    next(steps)
    next(steps)
    client = await connected(front)
    torn = bytes(await client.db_read(101, 2 * 98, 98))
    assert (torn[:4], torn[76:80]) == (b"\0\0\0\x2a", b"\0\0\0\x02")
    next(steps)
    whole = bytes(await client.db_read(101, 2 * 98, 98))
    assert (whole[:4], whole[76:80]) == (b"\0\0\0\x2a", b"\0\0\0\x2a")
    await client.disconnect()
