"""The store's tests run on SQLite (a folder of their own) and on PostgreSQL (a database of their own)."""

import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, inspect, make_url, text

from collector.store import tables
from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer


@pytest.fixture(scope="session")
def postgresql_database(postgresql_url: str) -> Iterator[str]:
    """URL of a fresh database, dropped at the end of the run."""
    server = create_engine(postgresql_url, isolation_level="AUTOCOMMIT")
    name = f"clampbook_test_{uuid.uuid4().hex}"
    with server.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    yield make_url(postgresql_url).set(database=name).render_as_string(hide_password=False)
    with server.connect() as connection:
        connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    server.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def book_address(request: pytest.FixtureRequest, tmp_path: Path) -> StoreAddress:
    """Where a book with nothing in it is or may be made."""
    if request.param == "sqlite":
        return StoreAddress(folder=tmp_path / "store")
    url = request.getfixturevalue("postgresql_database")
    empty_tables(url)
    return StoreAddress(url=url)


def empty_tables(url: str) -> None:
    """Making them anew for each test would take most of its time."""
    server = create_engine(url)
    with server.begin() as connection:
        if inspect(connection).has_schema("book"):
            names = ", ".join(f"book.{table.name}" for table in tables.BOOK.sorted_tables)
            connection.execute(text(f"TRUNCATE {names} RESTART IDENTITY"))
    server.dispose()


@pytest.fixture
def book_engine(book_address: StoreAddress) -> Iterator[Engine]:
    """The writer's engine of a new book."""
    engine = open_book_writer(book_address)
    migrate_book(engine)
    yield engine
    engine.dispose()


@pytest.fixture
def book_reader(book_address: StoreAddress, book_engine: Engine) -> Iterator[Engine]:
    """A reader's engine of the same book."""
    engine = open_book_reader(book_address)
    yield engine
    engine.dispose()
