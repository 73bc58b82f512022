"""Tokens on the desk: shown once, kept as a hash, looked up by id; on SQLite and on PostgreSQL alike."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, select

from collector.errors import QueryError
from collector.store.engine import StoreAddress, migrate_desk, open_desk
from collector.store.tables import access_log, token
from collector.store.tokens import (
    SCOPES,
    TOKEN,
    Token,
    create_token,
    find_tokens,
    is_of,
    note_use,
    revoke_token,
)

NOW = datetime(2026, 11, 26, 8, tzinfo=UTC)
LATER = NOW + timedelta(days=30)


@pytest.fixture
def desk(book_address: StoreAddress) -> Iterator[Engine]:
    engine = open_desk(book_address)
    migrate_desk(engine)
    with engine.begin() as connection:
        connection.execute(access_log.delete())
        connection.execute(token.delete())
    yield engine
    engine.dispose()


def create(desk: Engine, name: str = "mes-2027", lines: list[str] | None = None) -> str:
    with desk.begin() as connection:
        return create_token(connection, name, ["integrate"], lines, now=NOW, expires_at=LATER)


def test_the_desk_keeps_a_hash_and_nothing_to_ask_with(desk: Engine) -> None:
    """No column has the secret; the hash belongs to it and to no other."""
    shown = create(desk)
    parts = TOKEN.fullmatch(shown)
    assert parts is not None
    with desk.connect() as connection:
        (row,) = connection.execute(select(token)).all()
    assert parts["secret"] not in repr(row)
    assert row.token_id == parts["id"]
    assert row.hash.startswith("$argon2id$")
    assert is_of(parts["secret"], row.hash)
    assert not is_of(parts["secret"][:-1] + ("A" if shown[-1] != "A" else "B"), row.hash)


def test_two_tokens_share_nothing(desk: Engine) -> None:
    """Neither id nor secret, and each has its own salt."""
    first, second = create(desk, "a"), create(desk, "b")
    assert not set(first.split(".")) & set(second.split("."))
    with desk.connect() as connection:
        assert len({each.hash for each in find_tokens(connection)}) == 2


@pytest.mark.parametrize("name", ["", " mes", "a" * 65, "a\nb", "mes;"])
def test_a_name_must_be_printable_and_short(desk: Engine, name: str) -> None:
    """It goes into logs and tables."""
    with pytest.raises(QueryError, match="is no name for a token"):
        create(desk, name)


def test_a_name_is_given_once(desk: Engine) -> None:
    """Also after its token was revoked: the audit trail must not mean two."""
    create(desk)
    with desk.begin() as connection:
        revoke_token(connection, "mes-2027", NOW)
    with pytest.raises(QueryError, match="a name is given once"):
        create(desk)


def test_a_token_that_would_be_over_is_not_made(desk: Engine) -> None:
    """A slip in the year is noticed at once."""
    with desk.begin() as connection, pytest.raises(QueryError, match="expired already"):
        create_token(connection, "late", ["read"], None, now=NOW, expires_at=NOW)


def test_a_token_is_revoked_by_name_or_id_and_keeps_the_first_time(desk: Engine) -> None:
    """Revoking again changes nothing; an unknown one is said."""
    token_id = create(desk).split(".")[0]
    with desk.begin() as connection:
        assert revoke_token(connection, "mes-2027", NOW).revoked_at is None
        assert revoke_token(connection, token_id, LATER).revoked_at == NOW
        with pytest.raises(QueryError, match="no token with the id or name 'other'"):
            revoke_token(connection, "other", NOW)
        (found,) = find_tokens(connection)
    assert (found.revoked_at, found.state(NOW)) == (NOW, "revoked")


def test_the_latest_use_stands(desk: Engine) -> None:
    """Whichever is told last."""
    token_id = create(desk, lines=["L2", "L1", "L1"]).split(".")[0]
    with desk.begin() as connection:
        note_use(connection, token_id, LATER, "192.0.2.2")
        note_use(connection, token_id, NOW, "192.0.2.1")
        (found,) = find_tokens(connection)
    assert (found.last_used_at, found.last_used_from) == (LATER, "192.0.2.2")
    assert (found.lines, found.scopes) == (("L1", "L2"), ("integrate",))


def test_a_token_ends_at_its_end() -> None:
    """Not a microsecond later."""
    made = Token("cb_x", "x", "", ("read",), None, NOW, LATER, None, None, None)
    assert made.state(LATER - timedelta(microseconds=1)) == "valid"
    assert made.state(LATER) == "expired"


@given(st.sets(st.sampled_from(SCOPES), min_size=1))
def test_no_scope_brings_one_that_changes_anything(given: set[str]) -> None:
    """Service and admin bring read; nothing else brings more than itself."""
    ordered = tuple(scope for scope in SCOPES if scope in given)
    brought = Token("cb_x", "x", "", ordered, None, NOW, LATER, None, None, None).all_scopes
    assert brought - given <= {"read"}
    assert ("read" in brought) == bool(given & {"read", "service", "admin"})


@given(st.text(max_size=80))
def test_nothing_is_of_a_hash_that_is_none(secret: str) -> None:
    """A damaged row lets nobody in."""
    assert not is_of(secret, secret)
