"""Who asks: from where, over the loopback or not, with which token. Pure: headers in, facts out.

Only a request that comes straight over the loopback, under one of its names and without a trace of a proxy,
is taken as from this machine: behind a proxy on this machine may be anybody.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_network

from starlette.datastructures import Headers

from collector.listening import address_of, is_loopback
from collector.store.tokens import Scope, Token

ASKER = "clampbook.asker"
"""Where the request's scope has its Asker."""
PROXY_HEADERS = frozenset({"forwarded", "via", "x-real-ip", "x-client-ip"})
PROXY_PREFIX = "x-forwarded-"
UNKNOWN = "unknown"


@dataclass(slots=True)
class Asker:
    """One request's, from its first byte to the end of its answer."""

    address: str
    """Of the client: the peer's, or what a trusted proxy says; `unknown` where neither is an IP address."""
    is_local: bool
    """On this machine itself, over the loopback."""
    token: Token | None = None
    scopes: frozenset[Scope] = frozenset()
    access_id: int | None = None
    """Of its row in the access log, once a write is let in."""
    problem: str | None = None
    """The kind of problem that it was answered with."""

    @property
    def token_id(self) -> str | None:
        return None if self.token is None else self.token.token_id


def asker_of(peer: str, host: str, headers: Headers, proxies: Collection[str]) -> Asker:
    """
    Args:
        peer: address at the other end of the connection.
        host: name that was asked for, without the port.
        proxies: addresses of the peers that are believed when they say for whom they ask.
    """
    address = address_of(peer)
    forwarded = any(name in PROXY_HEADERS or name.startswith(PROXY_PREFIX) for name in headers)
    if address is None:
        return Asker(UNKNOWN, is_local=False)
    is_local = address.is_loopback and is_loopback(host) and not forwarded
    if str(address) in proxies:
        address = address_of(_last_hop(headers.getlist("x-forwarded-for"))) or address
    return Asker(str(address), is_local)


def network_of(address: str) -> str:
    """What failures are rationed by: one IPv6 customer has at least a /64 of addresses (RFC 6177)."""
    found = address_of(address)
    return str(ip_network((found, 64), strict=False)) if isinstance(found, IPv6Address) else address


def _last_hop(forwarded_for: Sequence[str]) -> str:
    """The one that our own proxy added: those before it are what the client said."""
    return ",".join(forwarded_for).rsplit(",", 1)[-1].strip()
