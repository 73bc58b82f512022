"""The decoders, each with what it is fed and what must come of it."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from random import Random
from typing import Literal

from collector.config import EXAMPLE_LAYOUTS
from collector.errors import DecodeError
from collector.layouts.decoder import Decoder
from collector.layouts.schema import Layout, load_layout
from collector.layouts.section_schema import JsonSection, Section
from collector.model import Cycle
from tests.fuzz.layouts import by_chance
from tests.fuzz.model_rules import check
from tests.fuzz.spoil import spoilt, spoilt_json
from tests.fuzz.valid import for_section, from_simulator

What = Literal["status", "cycle", "curve", "log"]
WHATS: Sequence[What] = ("status", "cycle", "curve", "log")
SAME_LAYOUT = 40
"""Inputs for one layout made by chance, until the next."""
GOOD = 6
"""Sound inputs for it, to be spoilt."""


class Escape(Exception):
    """Something came out of a decoder that must not."""

    def __init__(self, raw: bytes, cause: BaseException) -> None:
        super().__init__(f"{type(cause).__name__}: {str(cause)[:300]}")
        self.raw = raw


@dataclass(frozen=True, slots=True)
class Case:
    """A layout with sound inputs for one of its sections."""

    layout: Layout
    decoder: Decoder
    what: What
    good: Sequence[bytes]
    json: bool

    def raw(self, random: Random) -> bytes:
        return spoilt_json(self.good, random) if self.json else spoilt(self.good, random)


def section_of(layout: Layout, what: What) -> Section | None:
    return {"status": layout.status, "cycle": layout.history, "curve": layout.curve, "log": layout.log}[what]


@cache
def of_example(name: str, what: What) -> Case:
    layout = load_layout(EXAMPLE_LAYOUTS / f"{name}.toml")
    return Case(
        layout,
        Decoder(layout),
        what,
        from_simulator(name)[what],
        isinstance(section_of(layout, what), JsonSection),
    )


@lru_cache(maxsize=16)
def of_chance(seed: str, what: What) -> Case:
    """A layout that has such a section."""
    tries = (by_chance(f"{seed}/{number}") for number in range(1000))
    layout = next(each for each in tries if section_of(each, what) is not None)
    random = Random(f"{seed}/good")
    good = [good_input(layout, what, random) for _ in range(GOOD)]
    return Case(layout, Decoder(layout), what, good, isinstance(section_of(layout, what), JsonSection))


def good_input(layout: Layout, what: What, random: Random) -> bytes:
    """For a layout made by chance: a value in every field."""
    section = section_of(layout, what)
    assert section is not None
    return for_section(layout, section, random)


def targets() -> Iterator[str]:
    """Names of all that is fed: `ring-s7 curve`, `by-chance log`."""
    for name in sorted(path.stem for path in EXAMPLE_LAYOUTS.glob("*.toml")):
        layout = load_layout(EXAMPLE_LAYOUTS / f"{name}.toml")
        yield from (f"{name} {what}" for what in WHATS if section_of(layout, what) is not None)
    yield from (f"by-chance {what}" for what in WHATS)


def case_of(target: str, seed: int, number: int) -> Case:
    name, what = target.split()
    assert what in WHATS
    if name == "by-chance":
        return of_chance(f"{seed}/{what}/{number // SAME_LAYOUT}", what)
    return of_example(name, what)


def raw_of(target: str, seed: int, number: int) -> bytes:
    """One input; the same again for the same arguments."""
    return case_of(target, seed, number).raw(Random(f"{target}/{seed}/{number}"))


@dataclass(slots=True)
class Outcome:
    """What came of an input: of a log, of its rows."""

    decoded: int = 0
    refused: int = 0


def feed(target: str, seed: int, number: int) -> Outcome:
    """Decode one input.

    Raises: Escape: another exception than DecodeError, a value that the model does not allow, or an error
    without its bytes.
    """
    case, raw = case_of(target, seed, number), raw_of(target, seed, number)
    try:
        return _log_outcome(case, raw) if case.what == "log" else _outcome(case, raw)
    except Exception as cause:
        raise Escape(raw, cause) from cause


def _outcome(case: Case, raw: bytes) -> Outcome:
    decode: Mapping[What, Callable[[bytes], object]] = {
        "status": case.decoder.decode_status,
        "cycle": case.decoder.decode_cycle,
        "curve": case.decoder.decode_curve,
    }
    try:
        decoded = decode[case.what](raw)
    except DecodeError as error:
        _check_raw(error, raw)
        return Outcome(refused=1)
    check(decoded, case.layout)  # type: ignore[arg-type]
    assert getattr(decoded, "raw", raw) == raw, "the raw bytes are others"
    return Outcome(decoded=1)


def _check_raw(error: DecodeError, raw: bytes) -> None:
    assert error.raw == raw, "the error lacks the bytes"


def _log_outcome(case: Case, raw: bytes) -> Outcome:
    try:
        rows = case.decoder.decode_log(raw)
    except DecodeError as error:
        _check_raw(error, raw)
        return Outcome(refused=1)
    outcome, at = Outcome(), 0
    for row in rows:
        found = raw.find(row.raw, at)
        assert found >= 0, "a row's bytes are not in the file, or not in order"
        at = found + len(row.raw)
        if isinstance(row, Cycle):
            check(row, case.layout)
            outcome.decoded += 1
        else:
            outcome.refused += 1
    return outcome
