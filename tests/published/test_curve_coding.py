"""Curves are kept bit for bit.

The bit patterns of floating-point numbers, among them NaN payloads, signed zeros and subnormal numbers, are
those of IEEE 754-2019, clauses 3.4 (binary interchange formats) and 6.2 (NaNs); clause numbers from memory.
"""

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import StoreError
from collector.layouts.schema import SampleType
from collector.model import Curve
from collector.store.curves import SAMPLE_TYPES, decode, encode

SIZES: dict[SampleType, int] = {
    "int16": 2,
    "uint16": 2,
    "int32": 4,
    "uint32": 4,
    "float32": 4,
    "float64": 8,
}


def curve(sample_type: SampleType, samples: bytes) -> Curve:
    return Curve(1, 1000, "tension_n", samples, sample_type, 1.0, 0.0)


def smooth(sample_type: SampleType, scale: float) -> bytes:
    """A tension curve of 1,000 samples: a slope, a hold, a little noise."""
    noise = np.random.default_rng(7).normal(0, 5, 1000)
    tension = np.minimum(np.arange(1000) * 6.0, 4200) + 100 + noise
    return np.round(tension * scale).astype(np.dtype(sample_type).newbyteorder("<")).tobytes()


@given(st.sampled_from(list(SAMPLE_TYPES)), st.data())
def test_every_curve_comes_back_bit_for_bit(sample_type: SampleType, data: st.DataObject) -> None:
    """Any bytes that are whole samples come back as they were, for every sample type."""
    size = SIZES[sample_type]
    samples = data.draw(st.binary(max_size=400).map(lambda raw: raw[: len(raw) // size * size]))
    came_back = decode(encode(curve(sample_type, samples)))
    assert came_back[0] == sample_type
    assert came_back[1].tobytes() == samples
    assert came_back[1].dtype == np.dtype(sample_type)


@given(st.lists(st.floats(width=32), max_size=60), st.integers(0, 0x3FFFFF), st.booleans())
def test_any_floats_come_back_bit_for_bit(numbers: list[float], payload: int, negative: bool) -> None:
    """Floats with a NaN of any payload and sign among them come back as they were."""
    nan = 0x7FC00000 | payload | (0x80000000 if negative else 0)
    samples = struct.pack(f"<{len(numbers)}f", *numbers) + struct.pack("<I", nan)
    assert decode(encode(curve("float32", samples)))[1].tobytes() == samples


@pytest.mark.parametrize(
    "bits",
    [
        [0x7FF8000000000000, 0xFFF8000000000000],  # quiet NaNs of both signs
        [0x7FF0000000000001, 0x7FFFFFFFFFFFFFFF],  # signalling NaN, NaN with full payload
        [0x7FF0000000000000, 0xFFF0000000000000],  # infinities
        [0x0000000000000000, 0x8000000000000000],  # zeros of both signs
        [0x0000000000000001, 0x000FFFFFFFFFFFFF],  # smallest and largest subnormal
        [0x0010000000000000, 0x7FEFFFFFFFFFFFFF],  # smallest and largest normal
    ],
)
def test_special_numbers_among_ordinary_ones_come_back(bits: list[int]) -> None:
    """Special bit patterns of binary64 survive inside a curve that pcodec makes smaller."""
    samples = smooth("float64", 0.1) + struct.pack("<2Q", *bits) + smooth("float64", 0.1)
    coded = encode(curve("float64", samples))
    assert coded[0] == 1
    assert decode(coded)[1].tobytes() == samples


@pytest.mark.parametrize("sample_type", list(SAMPLE_TYPES))
def test_a_smooth_curve_becomes_much_smaller(sample_type: SampleType) -> None:
    """A curve of 1,000 noisy samples takes less than half of its raw size and comes back as it was."""
    samples = smooth(sample_type, 1.0)
    coded = encode(curve(sample_type, samples))
    assert coded[:2] == bytes((1, SAMPLE_TYPES[sample_type]))
    assert len(coded) < len(samples) / 2
    assert decode(coded)[1].tobytes() == samples


def test_what_does_not_get_smaller_is_kept_as_it_is() -> None:
    """Pure noise and an empty curve cost two bytes more than raw, never more."""
    noise = np.random.default_rng(3).bytes(2000)
    for samples in (noise, b""):
        coded = encode(curve("uint16", samples))
        assert coded == bytes((0, SAMPLE_TYPES["uint16"])) + samples
        assert decode(coded)[1].tobytes() == samples


def test_numbers_once_given_keep_their_meaning() -> None:
    """A curve coded by hand from the format's description is read as described."""
    assert SAMPLE_TYPES == {
        "int16": 1,
        "uint16": 2,
        "int32": 3,
        "uint32": 4,
        "float32": 5,
        "float64": 6,
    }
    sample_type, samples = decode(bytes.fromhex("0001 feff 0100"))
    assert (sample_type, samples.tolist()) == ("int16", [-2, 1])


@pytest.mark.parametrize("coded", [b"\x02\x01\x00\x00", b"\x00\x07\x00\x00"])
def test_an_unknown_codec_is_named(coded: bytes) -> None:
    """A curve of a newer version gives a sentence, not noise."""
    with pytest.raises(StoreError, match="newer version"):
        decode(coded)


@pytest.mark.parametrize("coded", [b"", b"\x01", b"\x00\x01\x00", b"\x01\x01garbage", b"\x01\x01"])
def test_a_damaged_curve_is_named(coded: bytes) -> None:
    """Cut or garbled bytes give a sentence, not noise."""
    with pytest.raises(StoreError, match="damaged"):
        decode(coded)


def test_half_a_sample_is_refused() -> None:
    """Samples that are not whole numbers of their type are an error of whoever made the curve."""
    with pytest.raises(ValueError, match="buffer size"):
        encode(curve("int32", b"\x00\x00\x00"))
