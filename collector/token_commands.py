"""`clampbook token`: makes, lists and revokes tokens, on the desk.

The API writes the desk as long as it runs; these commands open it beside it for one short transaction, which
SQLite allows: whoever comes second waits, at most for the busy timeout. A running API notices within seconds.
"""

import argparse
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from collector.config import Site, load_site
from collector.errors import QueryError
from collector.store.engine import migrate_desk, open_desk, store_errors
from collector.store.tokens import SCOPES, Token, create_token, find_tokens, revoke_token

LIFE_DAYS = 365
"""Of a token that is made without --expires."""
COLUMNS = ("name", "id", "scopes", "lines", "state", "expires_at", "last_used_at", "last_used_from")
WITHOUT_LINES = {"service", "admin"}
"""Scopes that can't be held to a line: a service is done on a tool, and tools move between lines."""


class Printer(Protocol):
    def __call__(self, rows: Sequence[dict[str, Any]], columns: Sequence[str] = ...) -> None: ...


def add_token_commands(
    parser: argparse.ArgumentParser, print_table: Printer
) -> list[argparse.ArgumentParser]:
    """The commands below `clampbook token`, for whatever they have in common with the others."""
    command = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    create = command.add_parser(
        "create",
        help="make a token; it is shown this once",
        epilog="Scopes: read: all that an engineer sees. integrate: counts, statements, shifts, gaps, "
        "reconciliations, feed and exports, nothing else. service: record services and acknowledgements, and "
        "read. admin: the audit trail and the tokens' last use, and read.",
    )
    create.add_argument(
        "--name", required=True, help="who will ask with it, such as mes-2027; given only once"
    )
    create.add_argument("--scope", required=True, action="append", choices=SCOPES, help="may be repeated")
    create.add_argument("--line", action="append", help="for this line only; may be repeated")
    create.add_argument(
        "--expires",
        type=_day,
        metavar="DAY",
        help=f"last day, such as 2027-06-30, in the plant's zone (default: {LIFE_DAYS} days from now)",
    )
    create.set_defaults(run=_create)
    listing = command.add_parser("list", help="all tokens, without their secrets")
    listing.set_defaults(run=lambda asked: _list(asked, print_table))
    revoke = command.add_parser("revoke", help="end a token; a running API notices within seconds")
    revoke.add_argument("token", metavar="NAME", help="name or id")
    revoke.set_defaults(run=_revoke)
    return [create, listing, revoke]


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date such as 2027-06-30") from None


def _create(asked: argparse.Namespace) -> int:
    site, _ = load_site(asked.site)
    _require_lines(site, asked.scope, asked.line)
    now = datetime.now(UTC)
    expires_at = (
        now + timedelta(days=LIFE_DAYS) if asked.expires is None else _end_of(asked.expires, site.zone)
    )
    with _desk(site) as desk:
        shown = create_token(desk, asked.name, asked.scope, asked.line, now=now, expires_at=expires_at)
    print(shown)
    print(
        f"This is shown once; keep it where only {asked.name} reads it. It is sent as\n"
        f"    Authorization: Bearer {shown.split('.')[0]}.…\n"
        f"and ends at {expires_at.isoformat(timespec='seconds')}.",
        file=sys.stderr,
    )
    return 0


def _require_lines(site: Site, scopes: Sequence[str], lines: Sequence[str] | None) -> None:
    if lines is None:
        return
    if unfit := WITHOUT_LINES & set(scopes):
        raise QueryError(
            f"--line does not go with --scope {sorted(unfit)[0]}, which can't be held to one line; leave "
            "--line out, or make a token of its own for that scope"
        )
    known = sorted({controller.line for controller in site.controllers})
    for line in lines:
        if line not in known:
            raise QueryError(f"line {line!r} is not in the site file; there are {', '.join(known)}")


def _end_of(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day + timedelta(days=1), time(), zone).astimezone(UTC)


def _list(asked: argparse.Namespace, print_table: Printer) -> int:
    site, _ = load_site(asked.site)
    with _desk(site) as desk:
        found = find_tokens(desk)
    now = datetime.now(UTC)
    print_table([_shown(each, now) for each in found], COLUMNS)
    return 0


def _shown(token: Token, now: datetime) -> dict[str, Any]:
    return {
        "name": token.name,
        "id": token.token_id,
        "scopes": " ".join(token.scopes),
        "lines": "all" if token.lines is None else " ".join(token.lines),
        "state": token.state(now),
        "expires_at": token.expires_at,
        "last_used_at": token.last_used_at,
        "last_used_from": token.last_used_from,
    }


def _revoke(asked: argparse.Namespace) -> int:
    site, _ = load_site(asked.site)
    with _desk(site) as desk:
        found = revoke_token(desk, asked.token, datetime.now(UTC))
    again = "" if found.revoked_at is None else " already"
    print(f"{found.name} ({found.token_id}) is revoked{again}")
    return 0


@contextmanager
def _desk(site: Site) -> Iterator[Connection]:
    engine = open_desk(site.store_address)
    try:
        migrate_desk(engine)
        with store_errors(), engine.begin() as connection:
            yield connection
    finally:
        engine.dispose()
