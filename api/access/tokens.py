"""Tokens as the API checks them: the desk's table read again every other second, the slow hash once a token.

A token that was verified is remembered by its HMAC under a key of this process, so that the next request with
it costs one digest and a look-up; whether it is revoked or over is asked of the table each time.
"""

import asyncio
import hmac
import logging
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import NoReturn

from starlette.concurrency import run_in_threadpool

from api.access.throttle import Throttle
from api.stores import Stores
from collector.errors import StoreError
from collector.store.tokens import TOKEN, Token, find_tokens, is_of, note_use

FRESH_S = 2.0
"""How long the table is believed without looking again: a revoked token ends within this time."""
STALE_S = 300.0
"""How long it is believed while the desk can't be read."""
REMEMBERED_S = 3600.0
"""After its last use."""
MOST_REMEMBERED = 1000
USE_NOTED_S = 60.0
"""The last use of a token is written at most once in so many seconds."""

log = logging.getLogger(__name__)


class InvalidToken(Exception):
    """It is not one of ours, or not any more; the text says which, to whoever holds its secret."""


class TooManyFailures(Exception):
    def __init__(self, wait_s: float) -> None:
        super().__init__("too many tokens from there were wrong")
        self.wait_s = wait_s


@dataclass(slots=True)
class _Uses:
    """Last uses that the desk has not got yet, and when each token's was last written."""

    pending: dict[str, tuple[datetime, str]] = field(default_factory=dict)
    written_at_s: dict[str, float] = field(default_factory=dict)


class Tokens:
    """All methods are of the event loop but `write_uses`, which blocks."""

    def __init__(self, stores: Callable[[], Stores], throttle: Throttle | None = None) -> None:
        self._stores = stores
        self._throttle = Throttle() if throttle is None else throttle
        self._key = secrets.token_bytes(32)
        self._verifying = asyncio.Lock()
        """One hash at a time: each takes a core and 19 MiB."""
        self._known: Mapping[str, Token] = {}
        self._read_at_s: float | None = None
        self._looked_at_s = float("-inf")
        self._remembered: OrderedDict[bytes, tuple[str, str, float]] = OrderedDict()
        """Digest -> id, hash, when it was last used; the one used last at the end."""
        self._uses = _Uses()

    async def holder(self, presented: str, address: str) -> Token:
        """The token that was presented from an address.

        Args:
            address: what failures are rationed by.

        Raises: InvalidToken; TooManyFailures; StoreError: the desk can't be read.
        """
        now_s = time.monotonic()
        known = await self._table(now_s)
        digest = hmac.digest(self._key, presented.encode(), "sha256")
        found = self._recall(digest, known, now_s)
        if found is None:
            found = await self._verify(presented, digest, known, address)
        now = datetime.now(UTC)
        state = found.state(now)
        if state != "valid":
            raise InvalidToken(f"the token is {state}")
        return found

    def used(self, token: Token, address: str) -> None:
        """It was used just now; `write_uses` tells the desk."""
        self._uses.pending[token.token_id] = (datetime.now(UTC), address)

    def write_uses(self, *, at_once: bool = False) -> None:
        """Tell the desk of those uses that are due, or of all. Raises: StoreError."""
        now_s = time.monotonic()
        due = {
            token_id: use
            for token_id, use in list(self._uses.pending.items())
            if at_once or now_s - self._uses.written_at_s.get(token_id, float("-inf")) >= USE_NOTED_S
        }
        if not due:
            return
        with self._stores().desk() as desk:
            for token_id, (at, address) in due.items():
                note_use(desk, token_id, at, address)
        for token_id, use in due.items():
            self._uses.written_at_s[token_id] = now_s
            if self._uses.pending.get(token_id) == use:
                del self._uses.pending[token_id]

    async def _table(self, now_s: float) -> Mapping[str, Token]:
        """By id. Whoever comes while it is read again goes on with what is known. Raises: StoreError."""
        if (
            self._read_at_s is None
            or now_s - min(self._read_at_s + STALE_S, self._looked_at_s + FRESH_S) >= 0
        ):
            await self._look(now_s)
        return self._known

    async def _look(self, now_s: float) -> None:
        self._looked_at_s = now_s
        try:
            self._known = await run_in_threadpool(self._read)
            self._read_at_s = now_s
        except StoreError as error:
            if self._read_at_s is None or now_s - self._read_at_s > STALE_S:
                raise
            log.warning("the tokens can't be read, those of the last look are believed: %s", error)

    def _read(self) -> dict[str, Token]:
        with self._stores().desk() as desk:
            return {each.token_id: each for each in find_tokens(desk)}

    def _recall(self, digest: bytes, known: Mapping[str, Token], now_s: float) -> Token | None:
        token_id, hashed, used_at_s = self._remembered.pop(digest, ("", "", 0.0))
        found = known.get(token_id)
        if found is None or found.hash != hashed or now_s - used_at_s > REMEMBERED_S:
            return None
        self._remembered[digest] = (token_id, hashed, now_s)
        return found

    async def _verify(self, presented: str, digest: bytes, known: Mapping[str, Token], address: str) -> Token:
        """Raises: InvalidToken, TooManyFailures."""
        self._admit(address)
        parts = TOKEN.fullmatch(presented)
        if parts is not None and parts["id"] not in known:
            await self._look(time.monotonic())  # it may have been made just now
            known = self._known
        found = known.get(parts["id"]) if parts else None
        if parts is None or found is None:
            self._fail(address)
        async with self._verifying:
            now_s = time.monotonic()
            if (recalled := self._recall(digest, known, now_s)) is not None:
                return recalled  # another request with it was verified while this one waited
            self._admit(address)
            if not await run_in_threadpool(is_of, parts["secret"], found.hash):
                self._fail(address)
            self._remembered[digest] = (found.token_id, found.hash, now_s)
            if len(self._remembered) > MOST_REMEMBERED:
                self._remembered.popitem(last=False)
        return found

    def _admit(self, address: str) -> None:
        if wait_s := self._throttle.wait_s(address, time.monotonic()):
            raise TooManyFailures(wait_s)

    def _fail(self, address: str) -> NoReturn:
        self._throttle.failed(address, time.monotonic())
        raise InvalidToken("the token is not one that was made here")
