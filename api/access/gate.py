"""The gate: every request passes it before anything else of the application sees it.

`Gate` finds out who asks and turns away whoever may not ask at all (RFC 6750: 401 with a challenge);
`allowed` holds the asker against the row of the operation in `rights.py` (403), once the framework has found
which operation it is. What is refused or written leaves its trace in the audit trail.
"""

import asyncio
import logging
import math
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from urllib.parse import quote, urlsplit

from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.access.askers import ASKER, Asker, asker_of, network_of
from api.access.rights import HEALTH, RIGHTS, WITHOUT_TOKEN, Right, named_lines
from api.access.throttle import Allowance, Rations
from api.access.tokens import InvalidToken, Tokens, TooManyFailures
from api.access.trail import Trail
from api.problems import Problem, path_as_sent, problem
from api.stores import Stores
from collector.config import Site
from collector.errors import StoreError
from collector.listening import address_of, is_loopback
from collector.store.tokens import Token

REALM = 'Bearer realm="clampbook"'
SAFE = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})
REFUSED = frozenset({401, 403, 421, 429})
UNCHANGED_COSTS = 0.1
"""Of a request: one that is answered with 304."""
BUSY_S = 5
WARN_AHEAD = timedelta(days=30)
WRITE_EVERY_S = 5.0

log = logging.getLogger(__name__)


class Access:
    """What the gate knows: the site's rules, the tokens, the trail."""

    def __init__(self, site: Site, stores: Callable[[], Stores]) -> None:
        self.api = site.api
        self.line_of: Mapping[str, str] = {each.name: each.line for each in site.controllers}
        self.tokens = Tokens(stores)
        self.rations = Rations(Allowance(self.api.request_burst, 1 / self.api.requests_per_s))
        self.under_way = 0
        """Requests that are being answered."""
        self.trail = Trail(stores)
        own = set() if (address := address_of(self.api.host)) is None else {str(address)}
        self.names = {*self.api.names, *own}

    def is_called(self, host: str) -> bool:
        """Is that one of our names? A foreign name that was made to point here (DNS rebinding) is none."""
        return is_loopback(host) or host in self.names

    def is_encrypted(self, peer: str) -> bool:
        """Or never leaves this machine, or comes from the proxy that does the TLS."""
        address = address_of(peer)
        return self.api.has_tls or (
            address is not None and (address.is_loopback or str(address) in self.api.proxies)
        )

    def write(self, *, at_once: bool = False) -> None:
        """Tell the desk what is not there yet. Where it can't be written now, it is told later."""
        try:
            self.tokens.write_uses(at_once=at_once)
            self.trail.write_refusals()
        except StoreError as error:
            log.warning("the audit trail and the last uses of tokens wait for the desk: %s", error)

    async def keep_writing(self) -> None:
        while True:
            await asyncio.sleep(WRITE_EVERY_S)
            await run_in_threadpool(self.write)


class Gate:
    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        access: Access = scope["app"].state.access
        headers = Headers(scope=scope)
        peer, host = (scope.get("client") or ("",))[0], _host(headers)
        asker = scope[ASKER] = asker_of(peer, host, headers, access.api.proxies)
        status = 500

        async def watch(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                if asker.token is not None:
                    _tell_of_token(asker.token, message)
            await send(message)

        access.under_way += 1
        try:
            refusal = (
                _stranger(access, scope, peer, host)
                or _busy(access, scope)
                or await _identify(access, scope, asker, headers)
            )
            await (refusal or self.app)(scope, receive, watch)
        finally:
            access.under_way -= 1
            if status == 304 and asker.token is not None and scope["path"] not in HEALTH:
                access.rations.give_back(asker.token.token_id, 1 - UNCHANGED_COSTS)
            await _leave_trace(access.trail, scope, asker, status)


async def allowed(request: Request) -> None:
    """A dependency of every operation. Raises: Problem: the asker may not do this; StoreError: a write that
    can't be noted in the audit trail is not carried out."""
    access: Access = request.app.state.access
    asker: Asker = request.scope[ASKER]
    right = RIGHTS[f"{request.method} {request.scope['route'].path_format}"]
    require_scope(asker, right)
    if asker.token is not None and asker.token.lines is not None and not right.is_of_no_line:
        _hold_to_lines(request, right, asker.token, access.line_of)
    if request.method not in SAFE:
        await run_in_threadpool(access.trail.begin, asker, request.method, path_as_sent(request.scope))


def require_scope(asker: Asker, right: Right) -> None:
    """Raises: Problem: the asker has none of the scopes."""
    if not asker.scopes.isdisjoint(right.scopes):
        return
    if asker.token is None:
        raise Problem("token-needed", "this needs a token, on this machine too", headers=_challenge())
    says = f"the token {asker.token.name} has not got the scope {right.scopes[0]}"
    raise Problem("insufficient-scope", says, headers=_challenge("insufficient_scope", right))


def _hold_to_lines(request: Request, right: Right, token: Token, line_of: Mapping[str, str]) -> None:
    assert token.lines is not None
    named = named_lines(right, request.path_params, request.query_params.multi_items(), line_of)
    own = ", ".join(token.lines)
    if (
        named <= set(token.lines)
        if named
        else right.is_cut and not set(line_of.values()).isdisjoint(token.lines)
    ):
        return
    if right.is_cut and not named:
        how = ", and the site file has no controller there"
    else:
        how = "; it does not tell lines apart" if right.by is None else f"; name one of its {right.by}s"
    says = f"the token {token.name} is for {own} only{how}"
    raise Problem("other-line", says, headers=_challenge("insufficient_scope", right))


def _stranger(access: Access, scope: Scope, peer: str, host: str) -> Response | None:
    """The refusal of a request that is none of ours, whoever asks."""
    if not access.is_called(host):
        says = "this API answers to 127.0.0.1, [::1], localhost and [api] names of the site file only"
        return problem(scope, "wrong-host", says)
    if not access.is_encrypted(peer):
        return problem(scope, "not-encrypted", "ask through the proxy that does TLS")
    return None


def _busy(access: Access, scope: Scope) -> Response | None:
    """The refusal of one request too many. Whoever asks how we are is answered all the same."""
    if access.under_way <= access.api.connections or scope["path"] in HEALTH:
        return None
    says = f"{access.api.connections} requests are being answered already"
    return problem(scope, "too-busy", says, {"retry-after": str(BUSY_S), "connection": "close"})


async def _identify(access: Access, scope: Scope, asker: Asker, headers: Headers) -> Response | None:
    """Fill in who asks, or the refusal."""
    given = headers.getlist("authorization")
    if len(given) > 1:
        return problem(scope, "malformed-request", "there is more than one Authorization header")
    scheme, _, presented = given[0].partition(" ") if given else ("", "", "")
    if scheme.lower() != "bearer":
        is_open = not access.api.needs_tokens_on_loopback or scope["path"] in HEALTH
        if asker.is_local and is_open:
            asker.scopes = WITHOUT_TOKEN
            return None
        says = "send a token: Authorization: Bearer …; `clampbook token create` makes one"
        return problem(scope, "token-needed", says, _challenge())
    try:
        asker.token = await access.tokens.holder(presented.strip(), network_of(asker.address))
    except InvalidToken as error:
        return problem(scope, "invalid-token", str(error), _challenge("invalid_token", says=str(error)))
    except TooManyFailures as error:
        wait = {"retry-after": str(math.ceil(error.wait_s))}
        return problem(scope, "too-many-failures", str(error), wait)
    except StoreError as error:
        return problem(scope, "store-unavailable", str(error))
    access.tokens.used(asker.token, asker.address)
    if scope["path"] not in HEALTH and (
        wait_s := access.rations.take(asker.token.token_id, time.monotonic())
    ):
        pace = f"{access.api.request_burst} at once, and {access.api.requests_per_s:g} a second"
        says = f"the token {asker.token.name} has asked too often; it may ask {pace}"
        return problem(scope, "too-many-requests", says, {"retry-after": str(math.ceil(wait_s))})
    asker.scopes = asker.token.all_scopes
    return None


async def _leave_trace(trail: Trail, scope: Scope, asker: Asker, status: int) -> None:
    method, path = scope["method"], path_as_sent(scope)
    was_let_in = asker.access_id is not None
    if was_let_in:
        try:
            await run_in_threadpool(trail.finish, asker, status)
        except StoreError as error:
            log.warning("the end of %s %s is not in the audit trail: %s", method, path, error)
    if status in REFUSED or (method not in SAFE and 400 <= status < 500):
        trail.refused(asker, method, path, status)


def _challenge(error: str | None = None, right: Right | None = None, says: str = "") -> dict[str, str]:
    """WWW-Authenticate (RFC 6750, section 3): no error where no token was given."""
    parts = [REALM]
    if error is not None:
        parts.append(f'error="{error}"')
    if says:
        parts.append(f'error_description="{says}"')
    if right is not None:
        parts.append(f'scope="{right.scopes[0]}"')
    return {"www-authenticate": ", ".join(parts)}


def _tell_of_token(token: Token, message: Message) -> None:
    """Where it ends soon, and for which lines it is: a file has no member for that."""
    headers = MutableHeaders(scope=message)
    if token.expires_at - datetime.now(UTC) <= WARN_AHEAD:
        at = token.expires_at.isoformat(timespec="seconds").replace("+00:00", "Z")
        headers["token-expires-at"] = at
    if token.lines is not None:
        headers["token-lines"] = ", ".join(quote(line) for line in token.lines)


def _host(headers: Mapping[str, str]) -> str:
    """Without the port; "" where there is none or it makes no sense."""
    try:
        return urlsplit(f"//{headers.get('host', '')}").hostname or ""
    except ValueError:
        return ""
