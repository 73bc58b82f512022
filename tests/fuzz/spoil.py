"""From good bytes to bad ones: flipped, cut, extended, spliced; and JSON whose structure is wrong.

All by chance, and the same again from the same seed.
"""

import json
from collections.abc import Callable, Sequence
from random import Random
from typing import Any

STRANGE_BYTES = (
    b"\0",
    b"\xff",
    b"\x7f\xff",
    b"\x80\0",
    b"\n",
    b"\r\n",
    b'"',
    b";",
    b",",
    b"\xef\xbb\xbf",
    b"\xff\xfe",
)
STRANGE_VALUES: Sequence[Any] = (
    None, True, False, 0, -1, 0.5, -0.0, 1e308, 1e-320, 2**31, 2**53 + 1, 2**63, 2**64 - 1, 2**64, 10**400,
    float("nan"), float("inf"), "", " ", "\0", "a\0b", "\ud800", "ÄÖ\u2028", "x" * 5000, "1e9", "true",
    "2026-11-25", "2026-02-30T00:00:00Z", "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59",
    [], {}, [[]], [1, "2"], {"": {}},
)  # fmt: skip
DEEP = 3000
"""Brackets within each other."""


def spoilt(good: Sequence[bytes], random: Random) -> bytes:
    """One of the good ones, changed in one to five ways; a few stay as they are."""
    raw = random.choice(good)
    for _ in range(random.choice((0, 1, 1, 1, 2, 3, 5))):
        raw = random.choice(BYTES)(raw, good, random)
    return raw


def spoilt_json(good: Sequence[bytes], random: Random) -> bytes:
    """The same, or changed where only its structure shows how."""
    if random.random() < 0.4:
        return spoilt(good, random)
    message = json.loads(random.choice(good))
    for _ in range(random.choice((1, 1, 2, 4))):
        _change(message, random)
    raw = json.dumps(message, ensure_ascii=random.random() < 0.5).encode("utf-8", "surrogatepass")
    if random.random() < 0.02:
        raw = raw.replace(b"1", b"[" * DEEP + b"]" * DEEP, 1)
    return raw


def _change(message: Any, random: Random) -> None:
    """Somewhere in an object or array."""
    while isinstance(message, dict | list) and message:
        at = random.choice([*message]) if isinstance(message, dict) else random.randrange(len(message))
        if isinstance(message[at], dict | list) and message[at] and random.random() < 0.6:
            message = message[at]
            continue
        what = random.random()
        if what < 0.15:
            del message[at]
        elif what < 0.3 and isinstance(message, dict):
            message[random.choice(("", at.upper(), at + ".x"))] = message.pop(at)
        elif what < 0.4:
            message[at] = (
                {"n": message[at]} if random.random() < 0.5 else [message[at]] * random.choice((1, 2000))
            )
        elif what < 0.5:
            message[at] = str(message[at])
        else:
            message[at] = random.choice(STRANGE_VALUES)
        return


# ---- bytes -----------------------------------------------------------------------------------------------

Spoiler = Callable[[bytes, Sequence[bytes], Random], bytes]


def _flip(raw: bytes, _: Sequence[bytes], random: Random) -> bytes:
    if not raw:
        return raw
    changed = bytearray(raw)
    for _ in range(random.choice((1, 1, 2, 8))):
        changed[random.randrange(len(raw))] ^= 1 << random.randrange(8)
    return bytes(changed)


def _put(raw: bytes, _: Sequence[bytes], random: Random) -> bytes:
    """Other bytes in the place of some."""
    at = random.randint(0, len(raw))
    strange = random.choice(STRANGE_BYTES) * random.choice((1, 2, 4, 8))
    return raw[:at] + strange + raw[at + len(strange) :]


def _insert(raw: bytes, _: Sequence[bytes], random: Random) -> bytes:
    at = random.randint(0, len(raw))
    return raw[:at] + random.choice((random.choice(STRANGE_BYTES), random.randbytes(3))) + raw[at:]


def _cut(raw: bytes, _: Sequence[bytes], random: Random) -> bytes:
    begin, end = sorted(random.choices(range(len(raw) + 1), k=2))
    return random.choice((raw[:end], raw[begin:], raw[:begin] + raw[end:]))


def _extend(raw: bytes, _: Sequence[bytes], random: Random) -> bytes:
    more = random.choice((1, 2, 50, 300))
    return raw + random.choice((bytes(more), random.randbytes(more), raw[:more]))


def _splice(raw: bytes, good: Sequence[bytes], random: Random) -> bytes:
    """The begin of one and the end of another, at the same place or not."""
    other = random.choice(good)
    at = random.randint(0, len(raw))
    return raw[:at] + other[at if random.random() < 0.7 else random.randint(0, len(other)) :]


def _randomise(raw: bytes, _: Sequence[bytes], random: Random) -> bytes:
    """A run of bytes by chance, or all of them."""
    begin, end = (0, len(raw)) if random.random() < 0.2 else sorted(random.choices(range(len(raw) + 1), k=2))
    return raw[:begin] + random.randbytes(end - begin) + raw[end:]


BYTES: Sequence[Spoiler] = (_flip, _flip, _put, _put, _insert, _cut, _extend, _splice, _randomise)
