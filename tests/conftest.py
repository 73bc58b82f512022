"""What the tests share: the servers that some of them talk to, found by URL in the environment."""

import os
import socket

import pytest
from sqlalchemy import create_engine
from sqlalchemy.exc import OperationalError

POSTGRESQL = os.environ.get(
    "CLAMPBOOK_TEST_POSTGRESQL", "postgresql+psycopg://postgres@127.0.0.1:5432/postgres"
)
MOSQUITTO = os.environ.get("CLAMPBOOK_TEST_MOSQUITTO", "127.0.0.1:1883")


def server_missing(what: str) -> None:
    """Skip loudly; where every server is required (`CLAMPBOOK_TEST_REQUIRE_SERVERS=1`), fail."""
    if os.environ.get("CLAMPBOOK_TEST_REQUIRE_SERVERS") == "1":
        pytest.fail(f"{what}, and this run requires it")
    pytest.skip(f"NOT TESTED: {what}")


@pytest.fixture(scope="session")
def postgresql_url() -> str:
    """A PostgreSQL server on which databases can be made."""
    engine = create_engine(POSTGRESQL, connect_args={"connect_timeout": 3})
    try:
        engine.connect().close()
    except OperationalError as error:
        server_missing(f"no PostgreSQL at {engine.url!r} ({error.orig})")
    finally:
        engine.dispose()
    return POSTGRESQL


@pytest.fixture(scope="session")
def mosquitto() -> tuple[str, int]:
    """Host and port of a Mosquitto broker without access control."""
    host, port = MOSQUITTO.rsplit(":", 1)
    try:
        socket.create_connection((host, int(port)), timeout=3).close()
    except OSError as error:
        server_missing(f"no Mosquitto at {MOSQUITTO} ({error})")
    return host, int(port)
