"""`clampbook run`: collector and API as two watched processes, as a plant runs them."""

import os
import re
import signal
from pathlib import Path

import httpx

from simulators.plant import Plant
from simulators.scenario import SCENARIOS, load_scenario
from tests.processes import ended, eventually, running, site_of


async def test_both_run_come_back_when_killed_and_leave_when_told(tmp_path: Path) -> None:
    """The API answers with the controllers' cycles; each process that is killed is started again; SIGTERM
    ends all within 5 s, and nothing is left behind."""
    log = tmp_path / "log"
    async with Plant(load_scenario(SCENARIOS / "fast.toml"), speed=0.1) as plant:
        site = site_of(plant, tmp_path)
        (port,) = re.findall(r"^port = (\d+)$", site.read_text().split("[[controllers]]")[0], re.MULTILINE)

        async def cycles() -> int:
            try:
                async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client:
                    answer = await client.get("/v1/tools/F20-50003/cycles?last=1000")
            except httpx.TransportError:
                return 0
            return len(answer.json()["items"]) if answer.status_code == 200 else 0

        async def more_than(number: int) -> bool:
            return await cycles() > number

        def started(name: str) -> list[int]:
            return [int(pid) for pid in re.findall(rf"{name} started, process (\d+)", log.read_text())]

        async with running("collector", "run", "--site", str(site), log=log) as run:
            await eventually(lambda: more_than(0), "the API answers with cycles")
            for name in ("collector", "api"):
                seen = await cycles()
                os.kill(started(name)[-1], signal.SIGKILL)
                await eventually(lambda seen=seen: more_than(seen), f"{name} is back")
                assert len(started(name)) == 2
            assert await ended(run) == 0
        assert not any(map(is_alive, (*started("collector"), *started("api"))))


def is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True
