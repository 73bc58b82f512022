"""A tool with a known history of its punch velocity: what a chart should find, and where.

A cycle a minute. Limits begin afresh at a change of the punch pressure, a swap from A-01 to A-02, and a
service; after the service, the punch slows by three sigmas from one cycle to the next.
"""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from collector.model import BookedCycle, Cycle, SettingChange, ToolName
from collector.rfc3339 import format_rfc3339
from collector.store.engine import StoreAddress
from tests.api.plant import IDENTITIES, SITE, Filling, Plant, writing

TOOL = ToolName("Sample Works", "C-4", "3001")
MORNING = datetime(2026, 6, 1, 6, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
SIGMA = 0.1
LEVELS = {0: 6.0, 300: 6.3, 600: 6.1, 900: 6.2, 1150: 5.9}
"""First cycle (from 0) -> mean punch velocity, in m/s, from there on."""
SET_AT, SWAPPED_AT, SERVICE_AT, SLOWED_AT, CYCLES = 300, 600, 900, 1150, 1400
BY_HAND = 97
"""Every so many-th cycle is made by hand, at half the velocity: that says nothing of the punch."""
WITHOUT_VALUE = 50
"""Every so many-th cycle has none."""

WORN_SITE = f"""{SITE}
[[tool_models]]
maker = "Sample Works"
model = "C-4"

[tool_models.limits]
punch_velocity_m_s = {{ lower = 5.0, upper = 7.0 }}
"""


def ended_at(cycle: int) -> datetime:
    return MORNING + cycle * MINUTE


def before(cycle: int) -> datetime:
    """Between the cycle ahead and this one."""
    return ended_at(cycle) - MINUTE / 2


def cycles() -> list[Cycle]:
    """As the controllers recorded them; the sequence is that of the whole history."""
    random = np.random.default_rng(1)
    noise, skewed = random.normal(0, SIGMA, CYCLES), random.gamma(2.0, 40.0, CYCLES)
    shuffled = np.concatenate([random.permutation(10) for _ in range(CYCLES // 10)])  # nothing lasts in it
    level, made = 0.0, []
    for number in range(CYCLES):
        level = LEVELS.get(number, level)
        by_hand = number % BY_HAND == BY_HAND - 1
        velocity = level / 2 if by_hand else level + float(noise[number])
        made.append(
            Cycle(
                sequence=number + 1,
                result="ok",
                completion="completed",
                mode="manual" if by_hand else "automatic",
                part_id="=1+1" if number == CYCLES - 100 else f"P-{number:05}",
                tool_serial=TOOL.serial,
                punch_velocity_m_s=None if number % WITHOUT_VALUE == 7 else velocity,
                peak_tension_n=1000 + 40 * float(noise[number]) if number >= CYCLES - 20 else None,
                take_up_ms=300 + float(shuffled[number]),
                duration_ms=500 + float(skewed[number]),
                set_torque_nm=2.5,
            )
        )
    return made


async def make_worn(address: StoreAddress) -> None:
    async with writing(Plant(address)) as filling:
        await fill(filling)


async def record_service(client: httpx.AsyncClient) -> None:
    done = {"done_by": "Fitter 7", "done_at": format_rfc3339(before(SERVICE_AT))}
    assert (await client.post("/v1/tools/3001/service", json=done)).status_code in (200, 201)


async def fill(filling: Filling) -> None:
    """The history, but for the service, which goes to the desk."""
    await filling.writer.register(IDENTITIES)
    await filling.mount("A-01", TOOL, MORNING - MINUTE)
    made = cycles()
    await _book(filling, "A-01", made[:SET_AT])
    pressure = SettingChange("punch_pressure_kpa", 400.0, 420.0, ended_at(SET_AT - 1), ended_at(SET_AT))
    await filling.commit("A-01", settings=(pressure,))
    await _book(filling, "A-01", made[SET_AT:SWAPPED_AT])
    await filling.mount("A-01", None, before(SWAPPED_AT))
    await filling.mount("A-02", TOOL, before(SWAPPED_AT))
    await _book(filling, "A-02", made[SWAPPED_AT:])


async def _book(filling: Filling, controller: str, made: list[Cycle]) -> None:
    for begin in range(0, len(made), 200):
        booked = [
            BookedCycle(1, each.sequence, ended_at(each.sequence - 1), 500.0, TOOL, each)
            for each in made[begin : begin + 200]
        ]
        await filling.book(controller, booked, [])


def write_worn_site(folder: Path) -> Path:
    path = folder / "site.toml"
    path.write_text(WORN_SITE, encoding="utf-8")
    return path


async def ask(client: httpx.AsyncClient, address: str) -> dict[str, Any]:
    answer = await client.get(address)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def number_of(cycle: dict[str, str]) -> int:
    """Of the cycle in the history, from 0."""
    return int(cycle["id"].rsplit(".", 1)[1]) - 1
