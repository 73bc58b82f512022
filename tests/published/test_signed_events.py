"""Signatures against the samples of Standard Webhooks 1.0.0, envelopes against CloudEvents 1.0.2.

Sources: the sample signatures of the specification's repository and of its reference libraries (from memory;
recomputed with Python's own hmac, they hold, so a slip of memory is ruled out). CloudEvents 1.0.2: required
attributes and their types (spec.md, "Context attributes"; from memory), JSON event format, MQTT binding
sections 3.2.1 and 3.2.2 (compared with a public copy of the text).
"""

import base64
import re
from datetime import UTC, datetime
from pathlib import Path

import orjson
import pytest

from api.push.events import CONTENT_TYPE, event_of
from api.push.signature import signed_headers
from collector.pushing import read_secrets

SAMPLES = [
    (
        "whsec_plJ3nmyCDGBKInavdOK15jsl",
        "msg_loFOjxBNrRLzqYUf",
        1731705121,
        b'{"event_type":"ping","data":{"success":true}}',
        "v1,rAvfW3dJ/X/qxhsaXPOyyCGmRKsaKWcsNccKXlIktD0=",
    ),
    (
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
        "msg_p5jXN8AQM9LWM0D4loKWxJek",
        1614265330,
        b'{"test": 2432232314}',
        "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
    ),
]

KNOWN = {"id", "source", "specversion", "type", "datacontenttype", "dataschema", "subject", "time", "data"}
"""Attributes of the specification and the member for the data: whatever else there was would be an extension,
whose name has small letters and digits alone."""


@pytest.mark.parametrize(("secret", "event", "timestamp", "body", "signature"), SAMPLES)
def test_a_signature_is_as_in_the_samples(
    secret: str, event: str, timestamp: int, body: bytes, signature: str
) -> None:
    """Header by header. The first sample's key has 18 bytes, fewer than the specification itself asks for."""
    key = base64.b64decode(secret.removeprefix("whsec_"))
    headers = signed_headers([key], event, timestamp, body)
    assert headers == {
        "webhook-id": event,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signature,
    }


def test_a_secret_is_read_as_people_hold_it(tmp_path: Path) -> None:
    """The second sample: prefix and base64."""
    (tmp_path / "secret").write_text(SAMPLES[1][0] + "\n")
    assert read_secrets(tmp_path / "secret") == [base64.b64decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")]


def test_one_bit_more_is_another_signature() -> None:
    """Of the id, the time or the body."""
    key, event, timestamp, body = bytes(24), "0b64-1", 1, b"{}"
    all_of = [
        signed_headers([key], *each)["webhook-signature"]
        for each in ((event, timestamp, body), ("0b64-2", 1, body), (event, 2, body), (event, 1, b"{ }"))
    ]
    assert len(set(all_of)) == 4


def test_an_id_with_a_full_stop_is_not_signed() -> None:
    """The specification: neither id nor timestamp may include one, or the bounds could be moved."""
    with pytest.raises(ValueError, match="full stop"):
        signed_headers([bytes(24)], "a.1", 1, b"")


@pytest.mark.parametrize("length", [23, 65])
def test_a_secret_is_of_192_to_512_bits(tmp_path: Path, length: int) -> None:
    """The specification's table of signature schemes."""
    for size, is_good in ((24, True), (64, True), (length, False)):
        (tmp_path / "secret").write_text("whsec_" + base64.b64encode(bytes(size)).decode())
        if is_good:
            assert read_secrets(tmp_path / "secret") == [bytes(size)]
        else:
            with pytest.raises(ValueError, match="24 to 64"):
                read_secrets(tmp_path / "secret")


def test_an_envelope_has_what_cloudevents_requires() -> None:
    """id, source, specversion, type: text that is not empty; time as RFC 3339; the data as JSON inside."""
    row = {
        "kind": "clock.changed",
        "instance": "0b64a9f6-3a52-4c0e-9d6f-0f4f3a0f3a52",
        "number": 12,
        "controller": "L1-03",
        "commit_number": 12,
        "before_ms": 1.0,
        "after_ms": 2.0,
        "noticed_at": datetime(2018, 4, 5, 3, 56, 24, tzinfo=UTC),
    }
    envelope = orjson.loads(event_of(row).body)
    for name in ("id", "source", "specversion", "type"):
        assert isinstance(envelope[name], str)
        assert envelope[name]
    assert envelope["specversion"] == "1.0"
    assert envelope["time"] == "2018-04-05T03:56:24Z"
    assert envelope["datacontenttype"] == "application/json"
    assert isinstance(envelope["data"], dict)
    assert set(envelope) <= KNOWN
    assert all(re.fullmatch("[a-z0-9]+", name) for name in envelope)
    assert re.fullmatch(r"[a-z][a-z0-9+.-]*:.+", envelope["source"]), "a URI, better absolute"


def test_the_content_type_is_that_of_the_structured_mode() -> None:
    """HTTP binding 3.2.1 and MQTT binding 3.2.1: the media type of the JSON event format."""
    assert CONTENT_TYPE == "application/cloudevents+json; charset=utf-8"
