"""A read is ended after its time, or when it is told to, on SQLite and on PostgreSQL alike."""

import time
from concurrent.futures import ThreadPoolExecutor, wait

import pytest
from sqlalchemy import Engine, text

from collector.errors import TookTooLong
from collector.store.engine import StoreAddress, interrupter, open_book_reader, store_errors

ENDLESS = text(
    "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 2000000000) "
    "SELECT count(*) FROM n"
)
SOME_MILLISECONDS = text(
    "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 20000) SELECT count(*) FROM n"
)


def test_a_read_is_ended_after_its_time(book_address: StoreAddress, book_engine: Engine) -> None:
    """And the next one on the same connection has its whole time again."""
    reader = open_book_reader(book_address, longest_read_s=1.0)
    for _ in range(2):
        with pytest.raises(TookTooLong, match="ask for less"), store_errors(), reader.connect() as connection:
            connection.execute(ENDLESS)
        with store_errors(), reader.connect() as connection:
            assert connection.scalar(SOME_MILLISECONDS) == 20000
    reader.dispose()


def test_a_read_is_ended_from_another_thread(book_address: StoreAddress, book_engine: Engine) -> None:
    """However often it is told to, before, meanwhile and afterwards; the connection can be used again."""
    reader = open_book_reader(book_address, longest_read_s=30.0)
    with reader.connect() as connection, ThreadPoolExecutor(1) as pool:
        interrupt = interrupter(connection)
        interrupt()
        began = time.monotonic()
        reading = pool.submit(connection.execute, ENDLESS)
        while not reading.done():
            interrupt()
            wait([reading], timeout=0.1)
        assert time.monotonic() - began < 5
        with pytest.raises(TookTooLong, match="ask for less"), store_errors():
            reading.result()
    interrupt()
    with store_errors(), reader.connect() as connection:
        assert connection.scalar(SOME_MILLISECONDS) == 20000
    reader.dispose()
    interrupt()
