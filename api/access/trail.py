"""The audit trail: every write with who, when, from where and how it ended, and every refusal, counted.

A write that is let in is on the desk before it is carried out: where the trail can't be written, nothing else
is. Refusals are summed here and told to the desk every few seconds, so that knocking costs no transaction.
"""

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

from api.access.askers import Asker
from api.stores import Stores
from collector.errors import StoreError
from collector.store.access_log import (
    OTHERS,
    Refusals,
    begin_write,
    count_refusals,
    finish_write,
    forget_write,
)

MOST_PENDING = 1000
LONGEST_PATH = 500


class Trail:
    """`refused` is of the event loop; the others block, and are called from any thread."""

    def __init__(self, stores: Callable[[], Stores]) -> None:
        self._stores = stores
        self._lock = threading.Lock()
        self._pending: dict[tuple[object, ...], Refusals] = {}

    def begin(self, asker: Asker, method: str, path: str) -> None:
        """Raises: StoreError: the write must not be carried out."""
        with self._stores().desk() as desk:
            asker.access_id = begin_write(
                desk, datetime.now(UTC), asker.token_id, asker.address, method, path[:LONGEST_PATH]
            )

    def finish(self, asker: Asker, status: int) -> None:
        """How a write that was let in ended; one that was refused by the resource goes to the refusals, which
        are counted by the caller. Raises: StoreError."""
        assert asker.access_id is not None
        with self._stores().desk() as desk:
            if 400 <= status < 500:
                forget_write(desk, asker.access_id)
            else:
                finish_write(desk, asker.access_id, status, asker.problem)

    def refused(self, asker: Asker, method: str, path: str, status: int) -> None:
        now = datetime.now(UTC)
        one = Refusals(
            first_at=now,
            last_at=now,
            times=1,
            token_id=asker.token_id,
            address=asker.address,
            method=method,
            path=path[:LONGEST_PATH],
            status=status,
            problem=asker.problem or str(status),
        )
        with self._lock:
            if _key(one) not in self._pending and len(self._pending) >= MOST_PENDING:
                one = replace(one, address=OTHERS, token_id=None)
            self._add(one)

    def write_refusals(self) -> None:
        """Tell the desk of the refusals since the last time. Raises: StoreError: they are told later."""
        if not self._pending:
            return
        with self._lock:
            told, self._pending = self._pending, {}
        try:
            with self._stores().desk() as desk:
                for each in told.values():
                    count_refusals(desk, each)
        except StoreError:
            with self._lock:
                since, self._pending = self._pending, told
                for each in since.values():
                    self._add(each)
            raise

    def _add(self, more: Refusals) -> None:
        before = self._pending.get(_key(more))
        if before is not None:
            more = replace(before, last_at=more.last_at, times=before.times + more.times)
        self._pending[_key(more)] = more


def _key(refusals: Refusals) -> tuple[object, ...]:
    return refusals.refused_on, refusals.address, refusals.token_id, refusals.problem
