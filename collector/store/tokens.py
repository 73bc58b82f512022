"""Tokens: who may ask the API, for what, until when. They lie on the desk.

A token is text such as `cb_k7x2m9q4.` and 43 more characters. The part before the dot is its id: no secret,
it is what is looked up, listed and revoked. The part after it has 256 random bits and is kept as an argon2id
hash only: whoever reads the desk can't ask with what is found there.
"""

import json
import re
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal, get_args

from argon2 import PasswordHasher
from argon2.exceptions import VerificationError
from sqlalchemy import Connection, select

from collector.errors import QueryError
from collector.store.queries import records
from collector.store.tables import token

Scope = Literal["read", "integrate", "service", "admin"]
SCOPES: tuple[Scope, ...] = get_args(Scope)
MEANT: Mapping[Scope, frozenset[Scope]] = {
    "read": frozenset({"read"}),
    "integrate": frozenset({"integrate"}),
    "service": frozenset({"service", "read"}),
    "admin": frozenset({"admin", "read"}),
}
"""Scope -> the scopes that it brings: who records a service or looks after the API also reads."""

TOKEN = re.compile(r"(?P<id>cb_[a-z2-9]{8})\.(?P<secret>[A-Za-z0-9_-]{43})")
ID_LETTERS = "abcdefghijkmnpqrstuvwxyz23456789"
"""Without those that are mixed up when read aloud."""
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._ -]{0,63}")

HASHER = PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1)
"""argon2id with the least that the OWASP Password Storage Cheat Sheet asks for (19 MiB, 2 passes, 1 lane;
from memory). The secret is 256 random bits, so nothing hangs on more, and a line PC is small."""


@dataclass(frozen=True, slots=True)
class Token:
    """A row of the table."""

    token_id: str
    name: str
    hash: str
    scopes: tuple[Scope, ...]
    """As given."""
    lines: tuple[str, ...] | None
    """Only these lines; None: all."""
    created_at: datetime
    expires_at: datetime
    revoked_at: datetime | None
    last_used_at: datetime | None
    last_used_from: str | None

    @property
    def all_scopes(self) -> frozenset[Scope]:
        """With those that they bring."""
        return frozenset[Scope]().union(*(MEANT[scope] for scope in self.scopes))

    def state(self, now: datetime) -> Literal["valid", "revoked", "expired"]:
        if self.revoked_at is not None:
            return "revoked"
        return "expired" if now >= self.expires_at else "valid"


def create_token(
    connection: Connection,
    name: str,
    scopes: Sequence[Scope],
    lines: Sequence[str] | None,
    *,
    now: datetime,
    expires_at: datetime,
) -> str:
    """The token as it is shown this once.

    Raises: QueryError: no usable name, a name that was given before, or an end that is over already.
    """
    if NAME.fullmatch(name) is None:
        raise QueryError(
            f"{name!r} is no name for a token; use up to 64 letters, digits, blanks and . _ -, such as "
            "mes-2027"
        )
    if connection.execute(select(token.c.token_id).where(token.c.name == name)).first() is not None:
        raise QueryError(
            f"there is a token named {name!r}; a name is given once, also after its token was revoked, "
            "so that the audit trail stays clear"
        )
    if expires_at <= now:
        raise QueryError("the token would have expired already; give a later day")
    token_id = "cb_" + "".join(secrets.choice(ID_LETTERS) for _ in range(8))
    secret = secrets.token_urlsafe(32)
    connection.execute(
        token.insert().values(
            token_id=token_id,
            name=name,
            hash=HASHER.hash(secret),
            scopes=" ".join(scope for scope in SCOPES if scope in scopes),
            lines=None if lines is None else json.dumps(sorted(set(lines))),
            created_at=now,
            expires_at=expires_at,
        )
    )
    return f"{token_id}.{secret}"


def find_tokens(connection: Connection) -> list[Token]:
    """All that were ever made, the newest first."""
    rows = records(connection.execute(select(token).order_by(token.c.created_at.desc(), token.c.token_id)))
    return [_token(row) for row in rows]


def revoke_token(connection: Connection, wanted: str, now: datetime) -> Token:
    """The token as it was; one that was revoked before keeps its time.

    Raises: QueryError: there is no token of that id or name.
    """
    rows = records(
        connection.execute(select(token).where((token.c.token_id == wanted) | (token.c.name == wanted)))
    )
    if not rows:
        raise QueryError(f"there is no token with the id or name {wanted!r}; see `clampbook token list`")
    found = _token(rows[0])
    change = token.update().where(token.c.token_id == found.token_id, token.c.revoked_at.is_(None))
    connection.execute(change.values(revoked_at=now))
    return found


def note_use(connection: Connection, token_id: str, at: datetime, address: str) -> None:
    """The latest use stands, whoever comes last to tell."""
    earlier = token.c.last_used_at.is_(None) | (token.c.last_used_at < at)
    change = token.update().where(token.c.token_id == token_id, earlier)
    connection.execute(change.values(last_used_at=at, last_used_from=address))


def is_of(secret: str, hashed: str) -> bool:
    """Does the secret belong to the hash? Some 20 to 40 ms; compared in constant time by the library."""
    try:
        return HASHER.verify(hashed, secret)
    except (VerificationError, ValueError):  # ValueError: what is kept is no hash
        return False


def _token(row: Mapping[str, Any]) -> Token:
    lines = None if row["lines"] is None else tuple(json.loads(row["lines"]))
    scopes = tuple(scope for scope in SCOPES if scope in row["scopes"].split())
    return Token(**{**row, "scopes": scopes, "lines": lines})
