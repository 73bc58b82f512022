"""The last state of each controller, on a topic of its own that the broker keeps for whoever comes later."""

import asyncio
import logging
import random
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import orjson

from api.push.broker import JSON, Broker
from api.push.pace import Pace
from api.push.receiver import Away, NotTaken
from api.push.threads import in_thread
from api.resources.controllers import shown
from api.schemas.push import ControllerState
from api.stores import Stores
from collector.config import Site
from collector.errors import StoreError
from collector.store.findings import find_findings
from collector.store.queries import find_controllers

LOOK_EVERY_S = 5.0
PACE = Pace(first_pause_s=LOOK_EVERY_S, longest_pause_s=60.0)

log = logging.getLogger(__name__)


def topic_of(controller: str) -> str:
    """Below the prefix."""
    return f"controllers/{controller}/state"


async def keep_states(
    broker: Broker, stores: Callable[[], Stores], site: Site, look_every_s: float = LOOK_EVERY_S
) -> None:
    """Publish what has changed; all of it after each new connection. Until cancelled."""
    published: dict[str, bytes] = {}
    connection, failures = 0, 0
    while True:
        try:
            await broker.stay_connected()
            for name, body in (await in_thread(read_states, stores(), site)).items():
                if connection != broker.connections:
                    connection, published = broker.connections, {}
                if published.get(name) != body:
                    await broker.publish(topic_of(name), body, JSON, retain=True)
                    published[name] = body
            failures = 0
        except (StoreError, Away, NotTaken):  # the sender beside this says so
            failures += 1
        except Exception:
            log.exception("the states of controllers are not published: a mistake of our own")
            failures += 1
        await asyncio.sleep(PACE.pause_s(failures, random.random) if failures else look_every_s)


def read_states(stores: Stores, site: Site) -> dict[str, bytes]:
    """Controller -> its state as JSON. Raises: StoreError."""
    with stores.book() as connection:
        found = find_controllers(connection)
        findings = find_findings(connection, state="open", last=None)
    now = datetime.now(UTC)
    states = (_state(shown(each, findings, site, now)) for each in found)
    return {each["name"]: orjson.dumps(each, option=orjson.OPT_UTC_Z) for each in states}


def _state(controller: dict[str, Any]) -> dict[str, Any]:
    """Of all that the API shows of a controller, what is worth a message when it changes."""
    state = {name: controller[name] for name in ControllerState.model_fields}
    state["unknown"] = {
        name: why for name, why in controller["unknown"].items() if name.split(".")[0] in state
    }
    return state
