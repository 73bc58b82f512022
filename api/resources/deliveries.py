"""Whoever is told what is new without asking: how far each has got, and what it did not take."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request, Response

from api.answers import answer, text_of
from api.paging import CursorParameter, Last, Row, cut, number, page, read_cursor
from api.parameters import Text
from api.problems import Problem
from api.push.document import publishing_document
from api.push.office import Office
from api.push.sender import Sender
from api.resources.feed import event_id
from api.schemas import common, push
from api.stores import NoBookYet, Stores
from collector.store.deliveries import count_deliveries, find_deliveries, resume, send_again
from collector.store.feed import Reached, find_head
from collector.store.tables import Room

router = APIRouter(prefix="/v1", tags=["deliveries"])

DESK = "desk"
"""What the cursors of deliveries are of: they are not in the book."""
TOLD = ("book", "told_through", "desk", "desk_told_through", "told_at")
NOT_BEGUN = "it was not told anything yet"
ONLY_ON_REQUEST = "it is sent again only when somebody asks"


@router.get("/receivers", response_model=push.ReceiverPage)
def list_receivers(request: Request) -> Response:
    """Webhooks and the broker of the site file: how far each was told, and what is the matter."""
    office: Office = request.app.state.office
    stores: Stores = request.app.state.stores
    with stores.reading_desk() as desk:
        counts = count_deliveries(desk)
    heads = _find_heads(stores)
    return page(request, [_receiver(each, counts, heads) for each in office.senders.values()], None)


@router.post("/receivers/{name}/resume", response_model=push.Receiver)
def resume_receiver(
    request: Request, name: Annotated[Text, Path(description="As in the site file.")], body: common.Nothing
) -> Response:
    """One that wanted no more is told again, from where it was; one that was not stopped is tried at once."""
    office: Office = request.app.state.office
    stores: Stores = request.app.state.stores
    if name not in office.senders:
        known = ", ".join(office.senders) or "none"
        raise Problem("no-such-resource", f"the site file has no receiver {name}; there are {known}")
    with stores.desk() as desk:
        resume(desk, name)
        counts = count_deliveries(desk)
    sender = office.senders[name]
    sender.wake()
    return answer(_receiver(sender, counts, _find_heads(stores)))


@router.get("/deliveries", response_model=push.DeliveryPage)
def list_deliveries(
    request: Request,
    state: Annotated[
        Literal["waiting", "dead"] | None,
        Query(description="`dead`: was tried for long enough; without it, both."),
    ] = None,
    receiver: Annotated[Text | None, Query(description="Only of this receiver.")] = None,
    last: Last = 100,
    cursor: CursorParameter = None,
) -> Response:
    """Events that a receiver did not take, newest first. One that was taken is not listed any more."""
    (before,) = read_cursor(cursor, DESK, "deliveries", (number,)) or (None,)
    stores: Stores = request.app.state.stores
    with stores.reading_desk() as desk:
        rows = find_deliveries(desk, last=last + 1, before=before, state=state, receiver=receiver)
    rows, following = cut(rows, last, DESK, "deliveries", lambda row: (row["delivery_id"],))
    return page(request, [_delivery(row) for row in rows], following)


@router.post("/deliveries/{id}/replay", response_model=push.Delivery, status_code=202)
def replay(
    request: Request,
    delivery_id: Annotated[int, Path(alias="id", ge=1, lt=2**31, description="Of the list.")],
    body: common.Nothing,
) -> Response:
    """Send it again now, under the same id; asked twice, it is still sent until it is taken."""
    office: Office = request.app.state.office
    stores: Stores = request.app.state.stores
    with stores.desk() as desk:
        row = send_again(desk, delivery_id, datetime.now(UTC))
    if row is None:
        says = f"no delivery {delivery_id} waits or is dead; one that is not listed any more was taken"
        raise Problem("no-such-resource", says)
    if sender := office.senders.get(row["receiver"]):
        sender.wake()
    return answer(_delivery(row), status=202)


@router.get("/asyncapi.json", response_model=push.PublishingDocument)
def show_publishing_document(request: Request) -> Response:
    """What is published over MQTT: topics and messages (AsyncAPI 3.0)."""
    return answer(publishing_document(request.app.state.site.publish))


def _find_heads(stores: Stores) -> Mapping[Room, Reached] | None:
    """None: there is no book yet."""
    try:
        with stores.book() as book, stores.reading_desk() as desk:
            return {"book": find_head(book, "book"), "desk": find_head(desk, "desk")}
    except NoBookYet:
        return None


def _receiver(
    sender: Sender, counts: dict[tuple[str, str], int], heads: Mapping[Room, Reached] | None
) -> dict[str, Any]:
    receiver, place, trouble = sender.receiver, sender.place, sender.trouble
    behind = None
    if place is not None and heads is not None:
        behind = sum(max(head.number - place.of(room).number, 0) for room, head in heads.items())
    stopped = None if place is None else place.stopped_because
    not_begun = dict.fromkeys(TOLD, NOT_BEGUN) if place is None else {}
    return {
        "name": receiver.name,
        "way": receiver.way,
        "address": receiver.address,
        "kinds": list(receiver.kinds),
        "state": _state(sender),
        "says": stopped or sender.waits or trouble.says,
        "since": place.told_at if place and stopped else trouble.since,
        "book": place and place.book.instance,
        "told_through": place and text_of(place.book.number),
        "desk": place and place.desk.instance,
        "desk_told_through": place and text_of(place.desk.number),
        "told_at": place and place.told_at,
        "commits_behind": text_of(behind),
        "waiting": counts.get((receiver.name, "waiting"), 0),
        "dead": counts.get((receiver.name, "dead"), 0),
        "unknown": not_begun | ({"commits_behind": NOT_BEGUN} if behind is None else {}),
    }


def _state(sender: Sender) -> str:
    if sender.place is not None and sender.place.stopped_because:
        return "stopped"
    if sender.waits:
        return "waits"
    return "away" if sender.trouble.says else "told"


def _delivery(row: Row) -> dict[str, Any]:
    as_stored = ("receiver", "kind", "state", "attempts", "since", "next_at", "last_error", "last_error_at")
    return {
        "id": text_of(row["delivery_id"]),
        "event": event_id(row["instance"], row["commit_number"]),
        **{name: row[name] for name in as_stored},
        "unknown": {"next_at": ONLY_ON_REQUEST} if row["next_at"] is None else {},
    }
