"""Signatures by which a receiver knows who has sent, and that nothing was changed on the way.

Source: Standard Webhooks 1.0.0 (an open specification), symmetric scheme `v1`: HMAC-SHA256 over
`id.timestamp.body`. The timestamp is that of the attempt, the id is the event's and stays.
"""

import base64
import hashlib
import hmac
from collections.abc import Sequence


def signed_headers(keys: Sequence[bytes], event_id: str, timestamp_s: int, body: bytes) -> dict[str, str]:
    """The three headers; with one signature a key, in their order, so that a key can be replaced.

    Args: timestamp_s: s since 1970. Raises: ValueError: an id with a full stop, which would blur the bounds.
    """
    if "." in event_id:
        raise ValueError(f"{event_id!r} has a full stop in it")
    return {
        "webhook-id": event_id,
        "webhook-timestamp": str(timestamp_s),
        "webhook-signature": " ".join(_signature(key, event_id, timestamp_s, body) for key in keys),
    }


def _signature(key: bytes, event_id: str, timestamp_s: int, body: bytes) -> str:
    signed = f"{event_id}.{timestamp_s}.".encode() + body
    return "v1," + base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode("ascii")
