"""How a connection to a broker is left, by whoever reads from one and whoever publishes to one.

aiomqtt 2.5 leaves a socket open when it is ended in the middle of connecting, and can hang while it closes.
"""

import asyncio
from typing import Any


async def hang_up(paho: Any) -> None:
    """Send what is queued, DISCONNECT, and close; an attempt to connect that still runs stays silent.

    Args: paho: the client that aiomqtt has made for itself; under aiomqtt it runs on the event loop alone.
    """
    paho.on_disconnect = _stay_silent  # aiomqtt's fails after a cancelled attempt, before the close
    paho.on_socket_register_write = _stay_silent
    if paho.socket() is None:
        paho.on_socket_open = _hang_up_on
        paho.on_socket_close = paho.on_socket_unregister_write = _stay_silent
    try:
        # aiomqtt's callbacks that wait on the loop must not meet a socket number that is closed, or
        # another's by then.
        await asyncio.sleep(0)
    finally:
        paho.disconnect()
        paho.loop_write()


def _stay_silent(*_: object) -> None:
    """In the place of a callback of aiomqtt's."""


def _hang_up_on(_client: object, _userdata: object, dialled: Any) -> None:
    """For a connection that nobody waits for any more."""
    dialled.close()
