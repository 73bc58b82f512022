"""Serve the API: `python -m api --site FILE [--port N]`.

Ends with 0 when told to, with 2 and one sentence when a person has to change something first. One process and
one event loop: the signals are ours, and the server stops because we say so.
"""

import argparse
import asyncio
import contextlib
import logging
import os
import socket
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import uvicorn

from api.app import create_app
from api.connections import PatientConnection
from api.stores import Stores
from collector import __version__
from collector.config import Site, load_site
from collector.errors import ClampbookError
from collector.listening import is_loopback
from collector.processes import start_logging, until_asked_to_stop
from collector.store.engine import SQLITE_VERSION
from collector.store.tokens import find_tokens

UNUSABLE = 2
"""Exit code: a person must change something before it can begin."""
DRAIN_S = 2
"""How long requests under way may take after we were told to end."""
BACKLOG = 128

log = logging.getLogger("api")


class CannotServe(ClampbookError):
    """The API can't begin: what is the matter, in one sentence."""


class Server(uvicorn.Server):
    """Leaves the signals to us."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def main(arguments: list[str] | None = None) -> int:
    asked = _parser().parse_args(arguments)
    start_logging()
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    try:
        site, _ = load_site(asked.site)
        require_a_token(site)
        listening = listen(site.api.host, site.api.port if asked.port is None else asked.port)
    except ClampbookError as error:
        log.error("%s", error)
        return UNUSABLE
    with listening:
        says = "clampbook API %s, SQLite %s, serving %s at %s"
        log.info(says, __version__, SQLITE_VERSION, site.site.name, address_of(listening, site.api.has_tls))
        config = uvicorn.Config(
            create_app(site),
            http=PatientConnection.at_most(site.api.connections),
            ws="none",
            proxy_headers=False,  # who is believed about whom is decided in api/access/askers.py
            log_config=None,
            access_log=False,
            server_header=False,
            lifespan="on",
            timeout_graceful_shutdown=DRAIN_S,
            **tls_of(site),
        )
        asyncio.run(serve(Server(config), listening, with_parent=asked.with_parent))
    log.info("ended")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="clampbook serve", description="The API alone.")
    parser.add_argument("--site", type=Path, default=Path("site.toml"), metavar="FILE", help="site.toml")
    parser.add_argument("--port", type=int, metavar="N", help="not the site file's; 0 takes a free one")
    parser.add_argument("--with-parent", action="store_true", help="end when standard input ends")
    return parser


def require_a_token(site: Site) -> None:
    """Beyond the loopback nobody may ask without one. Raises: CannotServe: there is none; StoreError."""
    if is_loopback(site.api.host):
        return
    stores = Stores(site.store_address)
    try:
        with stores.desk() as desk:
            found = find_tokens(desk)
    finally:
        stores.close()
    if not any(each.state(datetime.now(UTC)) == "valid" for each in found):
        raise CannotServe(
            f"the API listens on {site.api.host}, beyond this machine, and there is no valid token, so "
            "nobody could ask: make one with `clampbook token create`, or set [api] host to 127.0.0.1"
        )


def tls_of(site: Site) -> dict[str, Any]:
    """What the server takes for TLS; nothing where a proxy does it, or nobody needs it."""
    if site.tls_files is None:
        return {}
    certificate, key = site.tls_files
    return {"ssl_certfile": str(certificate), "ssl_keyfile": str(key)}


def listen(host: str, port: int) -> socket.socket:
    """A listening socket. Raises: CannotServe: the port or the address can't be had."""
    if not 0 <= port <= 65535:
        raise CannotServe(f"{port} is no port; ports go from 1 to 65535")
    family, kind, protocol, _, where = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    listening = socket.socket(family, kind, protocol)
    try:
        if os.name == "posix":  # elsewhere it would let two processes share the port
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(where)
        listening.listen(BACKLOG)
    except OSError as error:
        listening.close()
        raise CannotServe(
            f"port {port} of {host} can't be had ({error.strerror}); end what uses it, or give another"
        ) from error
    return listening


def address_of(listening: socket.socket, has_tls: bool) -> str:
    host, port = listening.getsockname()[:2]
    scheme = "https" if has_tls else "http"
    return (
        f"{scheme}://[{host}]:{port}/"
        if listening.family == socket.AF_INET6
        else f"{scheme}://{host}:{port}/"
    )


async def serve(server: uvicorn.Server, listening: socket.socket, *, with_parent: bool) -> None:
    """Until we are told to end; then requests under way have `DRAIN_S`."""
    stop = await until_asked_to_stop(with_parent)
    serving = asyncio.create_task(server.serve(sockets=[listening]))
    stopping = asyncio.create_task(stop.wait())
    await asyncio.wait([serving, stopping], return_when=asyncio.FIRST_COMPLETED)
    stopping.cancel()
    server.should_exit = True
    await serving


if __name__ == "__main__":
    sys.exit(main())
