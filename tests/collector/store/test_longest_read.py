"""A read is ended after its time, on SQLite and on PostgreSQL alike."""

import pytest
from sqlalchemy import Engine, text

from collector.errors import TookTooLong
from collector.store.engine import StoreAddress, open_book_reader, store_errors

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
