"""A webhook over a real connection: signed, bounded, and believed in nothing but its status."""

import asyncio
import base64
import hashlib
import hmac
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from api.push.events import CONTENT_TYPE, Event, event_of
from api.push.pace import Pace
from api.push.receiver import Away, NotTaken, WantsNoMore
from api.push.sender import Sender
from api.push.webhook import READ_MOST, Webhook, seconds_of
from api.schemas.push import ToldEvent
from api.stores import Stores
from collector.pushing import WebhookPart
from collector.store.deliveries import find_deliveries
from collector.store.feed import KINDS, find_news
from tests.api.plant import Plant
from tests.api.receiving import SECRET, HttpReceiver, Request, record_at_desk, status
from tests.certificates import certificate

__all__ = ["certificate"]

EVENT = Event(7, "gap.listed", "0b64-7", b'{"specversion":"1.0"}')


@asynccontextmanager
async def webhook(folder: Path, url: str, **more: Any) -> AsyncIterator[Webhook]:
    (folder / "secret").write_text(more.pop("secret", SECRET), encoding="ascii")
    part = WebhookPart.model_validate({"name": "mes", "url": url, "secret_file": "secret", **more})
    made = Webhook(part, folder)
    yield made
    await made.close()


def is_signed(request: Request, secret: str, which: int = 0) -> bool:
    """As a receiver checks it, with its own code."""
    signed = (
        f"{request.headers['webhook-id']}.{request.headers['webhook-timestamp']}.".encode() + request.body
    )
    key = base64.b64decode(secret.removeprefix("whsec_"))
    own = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
    return hmac.compare_digest(request.headers["webhook-signature"].split(" ")[which], f"v1,{own}")


async def test_an_event_is_posted_signed_and_under_its_id(tmp_path: Path) -> None:
    """With the time of the attempt, as JSON of an event."""
    async with HttpReceiver() as receiver, webhook(tmp_path, receiver.url) as mes:
        await mes.tell(EVENT)
        await mes.tell(EVENT)
    first, second = receiver.requests
    assert first.line == "POST /clamps?plant=1 HTTP/1.1"
    assert first.headers["content-type"] == CONTENT_TYPE
    assert (first.headers["webhook-id"], second.headers["webhook-id"]) == ("0b64-7", "0b64-7")
    assert abs(int(first.headers["webhook-timestamp"]) - datetime.now(UTC).timestamp()) < 60
    assert is_signed(first, SECRET)
    assert first.body == EVENT.body
    assert receiver.connections == 1


async def test_while_a_secret_is_replaced_both_sign(tmp_path: Path) -> None:
    """In the order of the file."""
    new = "whsec_" + base64.b64encode(bytes(range(32))).decode()
    async with HttpReceiver() as receiver:
        async with webhook(tmp_path, receiver.url, secret=f"{new}\n\n{SECRET}\n") as mes:
            await mes.tell(EVENT)
    (request,) = receiver.requests
    assert is_signed(request, new, 0)
    assert is_signed(request, SECRET, 1)


@pytest.mark.parametrize(
    ("code", "error"),
    [
        *((code, NotTaken) for code in (301, 302, 307, 400, 401, 404, 413, 422, 500, 501)),
        *((code, Away) for code in (429, 502, 503, 504)),
        (410, WantsNoMore),
    ],
)
async def test_what_a_status_means(tmp_path: Path, code: int, error: type[Exception]) -> None:
    """The sentence has the status and what the receiver says."""
    async with HttpReceiver(lambda _: status(code, "no such\r\norder")) as receiver:
        async with webhook(tmp_path, receiver.url) as mes:
            with pytest.raises(error, match=f"answered {code}: no suchorder"):
                await mes.tell(EVENT)


@pytest.mark.parametrize("code", [200, 201, 202, 204])
async def test_any_2xx_is_taken(tmp_path: Path, code: int) -> None:
    """Whatever the body says."""
    async with HttpReceiver(lambda _: status(code)) as receiver, webhook(tmp_path, receiver.url) as mes:
        await mes.tell(EVENT)


async def test_a_redirect_is_not_followed_and_no_cookie_is_kept(tmp_path: Path) -> None:
    """The event goes where the site file says, and nowhere else."""
    async with HttpReceiver() as elsewhere:
        answer = status(307, Location=elsewhere.url, Set_Cookie="track=1")
        async with HttpReceiver(lambda _: answer) as receiver, webhook(tmp_path, receiver.url) as mes:
            for _ in range(2):
                with pytest.raises(NotTaken):
                    await mes.tell(EVENT)
        assert elsewhere.requests == []
    assert "cookie" not in receiver.requests[1].headers


async def test_no_proxy_of_the_environment_is_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is meant for the plant stays in the plant."""
    async with HttpReceiver() as proxy, HttpReceiver() as receiver:
        for name in ("http_proxy", "HTTP_PROXY", "ALL_PROXY", "all_proxy"):
            monkeypatch.setenv(name, proxy.url)
        async with webhook(tmp_path, receiver.url) as mes:
            await mes.tell(EVENT)
        assert (len(receiver.requests), len(proxy.requests)) == (1, 0)


async def test_a_receiver_that_never_answers_is_away(tmp_path: Path) -> None:
    """After its time, which is for the whole answer: a drip of bytes does not prolong it."""
    async with HttpReceiver(lambda _: None) as receiver:
        async with webhook(tmp_path, receiver.url, timeout_s=0.2) as mes:
            with pytest.raises(Away, match=r"no whole answer within 0\.2 s"):
                await mes.tell(EVENT)
        receiver.answer = lambda _: b"HTTP/1.1 200 OK\r\nContent-Length: 10\r\n\r\nhalf"
        async with webhook(tmp_path, receiver.url, timeout_s=0.2) as mes:
            with pytest.raises(Away):
                await mes.tell(EVENT)


async def test_an_endless_answer_is_not_read(tmp_path: Path) -> None:
    """Only its beginning; the connection is left."""
    endless = b"HTTP/1.1 500 No\r\nContent-Length: 1000000000\r\n\r\n" + b"x" * (2 * READ_MOST)
    async with HttpReceiver(lambda _: endless) as receiver:
        async with webhook(tmp_path, receiver.url, timeout_s=10) as mes:
            with pytest.raises(NotTaken, match=r"answered 500: x{200}$"):
                await mes.tell(EVENT)
            await receiver.until_left()


@pytest.mark.parametrize("answer", [b"", b"SSH-2.0-x\r\n", b"HTTP/1.1 999999 x\r\n\r\n"])
async def test_what_speaks_no_http_is_away(tmp_path: Path, answer: bytes) -> None:
    """And so is what nobody listens at."""
    async with HttpReceiver(lambda _: answer) as receiver:
        async with webhook(tmp_path, receiver.url, timeout_s=0.5) as mes:
            with pytest.raises(Away):
                await mes.tell(EVENT)
    async with webhook(tmp_path, receiver.url) as mes:
        with pytest.raises(Away, match="can't be reached"):
            await mes.tell(EVENT)


async def test_a_certificate_that_nobody_vouches_for_is_refused(
    tmp_path: Path, certificate: tuple[Path, Path]
) -> None:
    """Before a byte of the event is sent; with the plant's own CA file it is taken."""
    import ssl

    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(*certificate)
    got: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        got.append(await reader.readuntil(b"\r\n\r\n"))
        writer.write(status(204))
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0, ssl=context)
    async with server:
        url = f"https://localhost:{server.sockets[0].getsockname()[1]}/"
        async with webhook(tmp_path, url) as mes:
            with pytest.raises(Away, match=r"(?i)certificate"):
                await mes.tell(EVENT)
        assert got == []
        async with webhook(tmp_path, url, ca_file=str(certificate[0])) as mes:
            await mes.tell(EVENT)
    assert len(got) == 1


@pytest.mark.parametrize(
    ("said", "seconds"),
    [
        (None, None),
        ("120", 120.0),
        ("soon", None),
        ("-5", None),
        ("Thu, 26 Nov 2026 12:00:30 GMT", 30.0),
        ("Thu, 26 Nov 2026 11:00:00 GMT", 0.0),
    ],
)
def test_when_to_come_again(said: str | None, seconds: float | None) -> None:
    """Seconds or a date; what makes no sense is passed over."""
    assert seconds_of(said, datetime(2026, 11, 26, 12, tzinfo=UTC)) == seconds


# ---- with the sender, over the plant's book ----------------------------------------------------------------


@pytest.fixture
def stores(plant: Plant) -> Iterator[Stores]:
    made = Stores(plant.address)
    yield made
    made.close()


def test_every_kind_is_told_in_an_envelope_as_the_model_says(stores: Stores) -> None:
    """And each kind that the plant has: its own type, an instant with Z, an id without a full stop."""
    record_at_desk(stores)
    with stores.book() as book, stores.reading_desk() as desk:
        rows = [*find_news(book, 0, last=100_000), *find_news(desk, 0, room="desk")]
    seen = set()
    for row in rows:
        event = event_of(row)
        told = ToldEvent.model_validate_json(event.body, strict=True)
        assert told.type == f"clampbook.{row['kind']}"
        assert told.data.number == str(row["number"])
        assert told.data.cautions
        assert told.id == told.data.id == f"{row['instance']}-{row['number']}"
        assert told.source == f"urn:uuid:{row['instance']}"
        assert "." not in told.id
        seen.add(row["kind"])
    assert seen >= set(KINDS) - {"gap.closed", "setting.changed", "count.changed", "clock.changed"}


async def test_a_receiver_that_fails_hangs_and_comes_back_misses_nothing(
    stores: Stores, tmp_path: Path
) -> None:
    """Whatever it answers in between; each repeat has the id that it had before."""
    with stores.book() as book:
        wanted = [row["number"] for row in find_news(book, 0, last=100_000, kinds=("statement.closed",))]
    taken: list[str] = []
    moods = iter(["fail", "hang", "garbage", "busy", "fail", "hang"] * 3)

    def answer(request: Request) -> bytes | None:
        mood = next(moods, "take") if len(receiver.requests) % 2 else "take"
        if mood == "hang":
            return None
        if mood != "take":
            return {"fail": status(500), "garbage": b"\x00", "busy": status(503, Retry_After="0")}[mood]
        taken.append(request.headers["webhook-id"])
        return status(204)

    pace = Pace(0.02, 0.01, 0.02, hold_s=60, again_after=(timedelta(milliseconds=20),))
    async with HttpReceiver(answer) as receiver:
        kinds = ("statement.closed",)
        async with webhook(tmp_path, receiver.url, timeout_s=0.2, begin="first", kinds=kinds) as mes:
            task = asyncio.create_task(Sender(mes, lambda: stores, pace).run())
            await receiver.until(lambda: len(set(taken)) >= len(wanted), 60)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
    assert sorted(int(each.rsplit("-")[-1]) for each in set(taken)) == wanted
    assert all(is_signed(each, SECRET) for each in receiver.requests)
    with stores.desk() as desk:
        left = {row["commit_number"] for row in find_deliveries(desk, last=1000)}
    assert left <= set(wanted)
