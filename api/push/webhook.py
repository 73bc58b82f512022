"""A webhook: one POST an event, signed, and nothing of the answer believed but its status.

The address comes from the site file, so from plant IT and nobody else; receivers in the plant's own network
are what it is for. Redirects are not followed, no proxy is taken from the environment, no cookie is kept.
"""

import asyncio
import time
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from pathlib import Path
from urllib.parse import urlsplit

import httpx

from api.push.events import CONTENT_TYPE, Event
from api.push.receiver import Away, NotTaken, Receiver, WantsNoMore
from api.push.signature import signed_headers
from collector import __version__
from collector.pushing import WebhookPart, read_secrets, trusted

READ_MOST = 4096
"""Bytes of an answer; the rest is not waited for."""
TELL_MOST = 200
"""Characters of an answer that go into an error."""
GONE = 410
COME_AGAIN = frozenset({429, 502, 503, 504})
"""Statuses that are about the receiver, not about the event."""


class Webhook(Receiver):
    way = "webhook"

    def __init__(self, part: WebhookPart, folder: Path) -> None:
        """`folder` is that of the site file. Raises: OSError, ValueError: secret or CA file can't be used."""
        self.name = part.name
        self.kinds = part.kinds
        self.begin = part.begin
        self.give_up_after = timedelta(hours=part.give_up_after_h)
        self.address = urlsplit(part.url)._replace(query="").geturl()
        self._url = part.url
        self._timeout_s = part.timeout_s
        self._keys = read_secrets(folder / part.secret_file)
        self._client = httpx.AsyncClient(
            verify=trusted(None if part.ca_file is None else folder / part.ca_file),
            follow_redirects=False,
            trust_env=False,
            timeout=part.timeout_s,
            headers={"user-agent": f"clampbook/{__version__}", "accept-encoding": "identity"},
        )

    async def tell(self, event: Event) -> None:
        headers = signed_headers(self._keys, event.id, int(time.time()), event.body)
        headers["content-type"] = CONTENT_TYPE
        try:
            async with asyncio.timeout(self._timeout_s):
                status, answered, said = await self._post(event.body, headers)
        except TimeoutError as error:
            raise Away(f"no whole answer within {self._timeout_s:g} s") from error
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            raise Away(f"can't be reached: {str(error) or type(error).__name__}") from error
        if 200 <= status < 300:
            return
        says = f"answered {status}" + (f": {said}" if said else "")
        if status == GONE:
            raise WantsNoMore(says)
        if status in COME_AGAIN:
            raise Away(says, seconds_of(answered.get("retry-after"), datetime.now(UTC)))
        raise NotTaken(says)

    async def close(self) -> None:
        await self._client.aclose()

    async def _post(self, body: bytes, headers: dict[str, str]) -> tuple[int, httpx.Headers, str]:
        async with self._client.stream("POST", self._url, content=body, headers=headers) as answer:
            self._client.cookies.clear()
            read = b""
            async for chunk in answer.aiter_raw():
                read += chunk
                if len(read) > READ_MOST:
                    break
        said = read[:READ_MOST].decode("utf-8", errors="replace")[:TELL_MOST]
        return (
            answer.status_code,
            answer.headers,
            "".join(sign for sign in said if sign.isprintable()).strip(),
        )


def seconds_of(retry_after: str | None, now: datetime) -> float | None:
    """Retry-After (RFC 9110, section 10.2.3): seconds, or a date. None: there is none that makes sense."""
    if retry_after is None:
        return None
    if retry_after.strip().isascii() and retry_after.strip().isdigit():
        return float(retry_after)
    try:
        at = parsedate_to_datetime(retry_after)
    except ValueError:
        return None
    return max((at.replace(tzinfo=at.tzinfo or UTC) - now).total_seconds(), 0.0)
