"""A tool's measures as arrays, and where they have to be learnt anew."""

from datetime import timedelta

import numpy as np
import pytest
from sqlalchemy import Engine

from collector.model import MountChange, SettingChange
from collector.store.measures import find_last_restart, find_restarts, find_series
from collector.store.queries import find_tool
from collector.store.tables import to_us
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, MORNING, TOOL, curve, cycle, entry


@pytest.fixture
async def tool_id(book_engine: Engine, book_reader: Engine) -> int:
    """Five cycles, one of them made by hand, one aborted; the second has a curve; the band was changed."""
    said = [{}, {"peak_tension_n": 700.0}, {"mode": "manual"}, {"completion": "aborted"}, {"band": "B20"}]
    cycles = tuple(cycle(number, **each) for number, each in enumerate(said, start=1))
    change = SettingChange("band", "B15", "B20", cycles[3].ended_at, cycles[4].ended_at)
    async with Writer(book_engine, now=lambda: MORNING) as writer:
        await writer.register(IDENTITIES)
        mounts = (MountChange(TOOL, MORNING),)
        await writer.commit(
            entry("L1-01", 1, 5, cycles=cycles, curves=(curve(2),), mounts=mounts, settings=(change,))
        )
    with book_reader.connect() as connection:
        return int(find_tool(connection, TOOL.serial)["tool_id"])


def test_a_series_is_oldest_first_with_nothing_made_up(tool_id: int, book_reader: Engine) -> None:
    """A cycle without the value has NaN, whether the cycle or its curve should have told it."""
    with book_reader.connect() as connection:
        series = find_series(connection, tool_id, ["peak_tension_n", "curve_peak_n"], working_only=False)
        newest = find_series(connection, tool_id, ["curve_peak_n"], last=2)
        oldest = find_series(connection, tool_id, ["curve_peak_n"], first=2)
        nothing = find_series(connection, tool_id, ["work_j"], until=MORNING)
    assert series.sequence.tolist() == [1, 2, 3, 4, 5]
    assert series.ended_us[0] == to_us(MORNING + timedelta(seconds=10))
    assert series.values["peak_tension_n"][1] == 700.0
    assert np.isnan(series.values["peak_tension_n"]).tolist() == [True, False, True, True, True]
    assert np.isnan(series.values["curve_peak_n"]).tolist() == [True, False, True, True, True]
    assert (series.id(4), series.band[4]) == ("L1-01.1.5", "B20")
    assert (newest.sequence.tolist(), oldest.sequence.tolist()) == ([2, 5], [1, 2])
    assert series.mode[2] == "manual"
    assert series.is_working().tolist() == [True, True, False, False, True]
    assert (len(nothing), nothing.values["work_j"].size) == (0, 0)


def test_a_measure_that_does_not_exist_is_refused(tool_id: int, book_reader: Engine) -> None:
    """Not taken for one without values."""
    with book_reader.connect() as connection, pytest.raises(KeyError, match="peak_n"):
        find_series(connection, tool_id, ["peak_n"])


def test_a_service_a_swap_and_a_setting_begin_anew(tool_id: int, book_reader: Engine) -> None:
    """In their order of time, each with a sentence."""
    service = MORNING + timedelta(seconds=25)
    with book_reader.connect() as connection:
        restarts = find_restarts(connection, tool_id, [service])
        assert find_last_restart(connection, tool_id, [service]) == restarts[-1]
        late = MORNING + timedelta(hours=1)
        assert find_last_restart(connection, tool_id, [service, late]) == (
            late,
            "service",
            "a service was done",
            late,
        )
    assert [(each.reason, each.at) for each in restarts] == [
        ("swap", MORNING),
        ("service", service),
        ("settings changed", MORNING + timedelta(seconds=40)),
    ]
    assert restarts[2].says == "band was set from B15 to B20 on L1-01"
