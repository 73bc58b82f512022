"""What the collector starts."""

import asyncio
from typing import Any, cast

import pytest

from collector import daemon
from collector.config import Site
from collector.store.writer import Writer

CONTROLLER = {
    "name": "L1-01",
    "line": "L1",
    "station": "1",
    "protocol": "modbus",
    "layout": "example:ring-modbus",
    "host": "127.0.0.1",
}


class NoWriter:
    async def watch(self) -> None:
        await asyncio.Event().wait()


async def wait_for_ever(*_given: Any) -> None:
    await asyncio.Event().wait()


@pytest.mark.parametrize(("look_every_s", "follows"), [(60, True), (0, False)])
async def test_findings_are_followed_unless_the_site_says_never(
    look_every_s: float, follows: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beside the controllers, and ended with them."""
    started: list[str] = []
    controller_follows = asyncio.Event()

    async def follow_controller(*_given: Any) -> None:
        started.append("controller")
        controller_follows.set()
        await asyncio.Event().wait()

    async def follow_findings(*_given: Any) -> None:
        started.append("findings")
        await asyncio.Event().wait()

    monkeypatch.setattr(daemon, "follow_controller", follow_controller)
    monkeypatch.setattr(daemon, "follow_findings", follow_findings)
    monkeypatch.setattr(daemon, "close_shifts", wait_for_ever)
    site = Site.model_validate(
        {
            "site": {"zone": "Europe/Berlin"},
            "store": {"folder": "book"},
            "analysis": {"look_every_s": look_every_s},
            "controllers": (CONTROLLER,),
        }
    )
    stop = asyncio.Event()
    layouts = cast(Any, {"L1-01": None})
    running = asyncio.create_task(daemon.follow_all(site, layouts, cast(Writer, NoWriter()), stop))
    await controller_follows.wait()
    stop.set()
    await running
    assert started == ["controller", "findings"][: 1 + follows]
