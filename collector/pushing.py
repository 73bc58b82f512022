"""[[webhooks]] and [publish] of the site file: who is told what is new, without having to ask.

A webhook is an HTTP receiver, [publish] an MQTT broker. What is published goes below one topic prefix, which
must not meet the topics that a controller speaks on: controllers are only read.
"""

import base64
import binascii
import ssl
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from collector.layouts.field_schema import Strict
from collector.listening import Port, is_loopback
from collector.store.feed import KINDS, Kind
from collector.toml_file import refuse

BROKER = "broker"
"""What the receiver that [publish] names is called beside the webhooks."""
SECRET_PREFIX = "whsec_"  # noqa: S105
SHORTEST_SECRET, LONGEST_SECRET = 24, 64
"""Bytes. Source: Standard Webhooks 1.0.0, signature scheme (192 to 512 bits)."""
LONGEST_PREFIX = 200


def receiver_name(name: str) -> str:
    if name == BROKER:
        raise ValueError(f"must not be {BROKER!r}: so the receiver is called that [publish] names")
    return name


def webhook_url(url: str) -> str:
    try:
        parts = urlsplit(url)
        usable = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        usable = False
    if not usable or not url.isascii() or any(sign.isspace() for sign in url):
        raise ValueError(
            f"{url!r} is no address to send to; write one such as https://mes.plant.example/clamps"
        )
    if parts.username is not None or parts.fragment:
        raise ValueError("must have no user name, password or # in it; what is sent is signed instead")
    return url


def own_topic(prefix: str) -> str:
    if any(sign in prefix for sign in "+#\0") or "" in prefix.split("/") or prefix.startswith("$"):
        raise ValueError(
            f"{prefix!r} is no topic to publish below; write levels with / between them, such as "
            "plant/clampbook"
        )
    return prefix


Kinds = Annotated[tuple[Kind, ...], Field(min_length=1)]
Begin = Literal["now", "first"]
"""What a receiver gets that is new in the site file: what is new from now on, or the whole book."""


class WebhookPart(Strict):
    """[[webhooks]]"""

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"), AfterValidator(receiver_name)]
    """How far it has got is kept under this name."""
    url: Annotated[str, AfterValidator(webhook_url)]
    secret_file: str
    """Relative to the site file. One secret a line, `whsec_` and base64: two while one is being replaced."""
    kinds: Kinds = KINDS
    begin: Begin = "now"
    unencrypted: bool = False
    """Whether http will do beyond this machine: signed, but for anybody on the way to read."""
    ca_file: str | None = None
    """PEM file, relative to the site file, of who vouches for the receiver; None: as this machine has it."""
    timeout_s: Annotated[float, Field(strict=False, gt=0, le=60)] = 15.0
    """For the whole answer; the specification recommends 15 to 30."""
    give_up_after_h: Annotated[float, Field(strict=False, gt=0, le=24 * 30)] = 72.0
    """So long is sent again what the receiver did not take."""

    @model_validator(mode="after")
    def encrypted_beyond_loopback(self) -> "WebhookPart":
        parts = urlsplit(self.url)
        if parts.scheme == "http" and not self.unencrypted and not is_loopback(parts.hostname or ""):
            says = "would cross the network as plain text: use https, or say unencrypted = true"
            refuse(type(self), [(("url",), says)])
        return self


class PublishPart(Strict):
    """[publish]"""

    host: Annotated[str, Field(min_length=1)]
    """Of the broker."""
    port: Port = 1883
    """Usual: 1883, with TLS 8883."""
    topic_prefix: Annotated[
        str, Field(min_length=1, max_length=LONGEST_PREFIX), AfterValidator(own_topic)
    ] = "clampbook"
    client_id: Annotated[str, Field(min_length=1)] = "clampbook-publish"
    """Of no other client: two of one name push each other out."""
    username: str | None = None
    password_file: str | None = None
    """A file that holds the password and nothing else, relative to the site file."""
    tls: bool = False
    ca_file: str | None = None
    """As for a webhook."""
    kinds: Kinds = KINDS
    begin: Begin = "now"
    give_up_after_h: Annotated[float, Field(strict=False, gt=0, le=24 * 30)] = 72.0

    def password(self, folder: Path) -> str | None:
        """Raises: OSError."""
        if self.password_file is None:
            return None
        return (folder / self.password_file).read_text(encoding="utf-8").strip()


def read_secrets(path: Path) -> list[bytes]:
    """The keys in a secret file. Raises: OSError; ValueError: with what is wrong, never with the secret."""
    lines = [line.strip() for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    if not lines:
        raise ValueError("has no secret in it")
    return [_key(line) for line in lines]


def _key(line: str) -> bytes:
    try:
        key = base64.b64decode(line.removeprefix(SECRET_PREFIX), validate=True)
    except binascii.Error:
        key = b""
    if not line.startswith(SECRET_PREFIX) or not SHORTEST_SECRET <= len(key) <= LONGEST_SECRET:
        raise ValueError(
            f"must have on each line {SECRET_PREFIX} and the base64 of {SHORTEST_SECRET} to {LONGEST_SECRET} "
            "random bytes"
        )
    return key


def trusted(ca_file: Path | None) -> ssl.SSLContext:
    """What a receiver's certificate is held against. Raises: OSError (ssl.SSLError is one)."""
    return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))


def unusable_receivers(
    webhooks: Sequence[WebhookPart], publish: PublishPart | None, folder: Path
) -> Iterator[tuple[str, str]]:
    """Key in the site file and what is wrong with it: names that are there twice, files that don't serve."""
    seen: set[str] = set()
    for number, webhook in enumerate(webhooks):
        key = f"webhooks[{number}]"
        if webhook.name in seen:
            yield f"{key}.name", f"{webhook.name!r} is the name of another webhook already"
        seen.add(webhook.name)
        try:
            read_secrets(folder / webhook.secret_file)
        except OSError as error:
            yield f"{key}.secret_file", f"can't read {webhook.secret_file!r}: {error.strerror}"
        except ValueError as error:
            says = "is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else str(error)
            yield f"{key}.secret_file", f"{webhook.secret_file!r} {says}"
        yield from _unusable_ca(f"{key}.ca_file", webhook.ca_file, folder)
    if publish is None:
        return
    try:
        publish.password(folder)
    except OSError as error:
        yield "publish.password_file", f"can't read {publish.password_file!r}: {error.strerror}"
    yield from _unusable_ca("publish.ca_file", publish.ca_file, folder)
    if publish.ca_file is not None and not publish.tls:
        yield "publish.ca_file", "is of no use without tls = true"


def _unusable_ca(key: str, name: str | None, folder: Path) -> Iterator[tuple[str, str]]:
    try:
        trusted(None if name is None else folder / name)
    except OSError as error:
        yield key, f"can't use {name!r}: {error.strerror or error}"


def meets_controllers(
    publish: PublishPart, topics: Mapping[str, Collection[str]], client_ids: Mapping[str, str]
) -> Iterator[tuple[str, str]]:
    """Key in the site file and what is wrong: what is published would be among what a controller speaks, or
    the publisher would push out the collector. Whatever the broker: two brokers may be bridged, and one may
    have two names.

    Args: topics, client_ids: of each controller that is read over MQTT.
    """
    own = publish.topic_prefix.split("/")
    for controller, spoken in topics.items():
        for topic in spoken:
            levels = topic.split("/")
            common = min(len(own), len(levels))
            if own[:common] == levels[:common]:
                says = f"meets the topic {topic!r} of {controller}: publish below a prefix of its own"
                yield "publish.topic_prefix", says
                break
        if client_ids[controller] == publish.client_id:
            says = f"is the client identifier for {controller} too; two of one name push each other out"
            yield "publish.client_id", says
