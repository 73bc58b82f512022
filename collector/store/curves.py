"""Coding the samples of a curve, without losing a bit.

    coded curve:  byte 0        byte 1              byte 2 …
                  codec number  sample type number  samples, coded

    codec 0  the samples as they came, little-endian
    codec 1  pcodec, in its standalone format

A number, once given, keeps its meaning for ever: the book outlives the code.
"""

from collections.abc import Callable
from functools import cache

import numpy as np
import numpy.typing as npt
from pcodec import ChunkConfig, DeltaSpec, ModeSpec, standalone

from collector.errors import StoreError
from collector.layouts.schema import SampleType
from collector.model import Curve

Samples = npt.NDArray[np.generic]

SAMPLE_TYPES: dict[SampleType, int] = {
    "int16": 1,
    "uint16": 2,
    "int32": 3,
    "uint32": 4,
    "float32": 5,
    "float64": 6,
}
SAMPLE_TYPE_OF = {number: name for name, number in SAMPLE_TYPES.items()}

RAW, PCODEC = 0, 1

STEPS = ChunkConfig(delta_spec=DeltaSpec.try_consecutive(1), mode_spec=ModeSpec.classic())
"""For integers: a curve changes little from sample to sample; saying so halves the time to code it."""
SOUGHT = ChunkConfig()
"""For floats: pcodec finds out whether they are multiples of something."""


def encode(curve: Curve) -> bytes:
    """The samples of a curve, coded with pcodec where that is smaller.

    Raises: ValueError: the samples are not a whole number of `sample_type`.
    """
    samples = np.frombuffer(curve.samples, dtype=dtype_of(curve.sample_type))
    coded = _pcodec(samples)
    codec, body = (PCODEC, coded) if len(coded) < len(curve.samples) else (RAW, curve.samples)
    return bytes((codec, SAMPLE_TYPES[curve.sample_type])) + body


def decode(coded: bytes) -> tuple[SampleType, Samples]:
    """Sample type and samples, (n,), little-endian, bit for bit as they came from the controller.

    Raises: StoreError: coded by a newer version, or damaged.
    """
    if len(coded) < 2:
        raise StoreError(f"a coded curve of {len(coded)} bytes is damaged; restore it from a backup")
    codec, number = coded[:2]
    if codec not in DECODERS or number not in SAMPLE_TYPE_OF:
        raise StoreError(
            f"a curve is coded in a way unknown here (codec {codec}, sample type {number}); "
            "it was written by a newer version of clampbook: install that version"
        )
    sample_type = SAMPLE_TYPE_OF[number]
    try:
        return sample_type, DECODERS[codec](coded[2:], dtype_of(sample_type))
    except (RuntimeError, ValueError) as error:
        raise StoreError(f"a coded curve is damaged; restore it from a backup ({error})") from error


def values(coded: bytes, scale: float, offset: float) -> npt.NDArray[np.float64]:
    """The curve in the unit of its quantity, (n,): sample × scale + offset. Raises: as `decode`."""
    _, samples = decode(coded)
    return np.asarray(samples.astype(np.float64) * scale + offset)


@cache
def dtype_of(sample_type: SampleType) -> np.dtype[np.generic]:
    """Little-endian, whatever the machine."""
    return np.dtype(sample_type).newbyteorder("<")


def _pcodec(samples: Samples) -> bytes:
    coded: bytes
    if samples.dtype.kind != "f":
        coded = standalone.simple_compress(samples, STEPS)
        return coded
    coded = standalone.simple_compress(samples, SOUGHT)
    if _from_pcodec(coded, samples.dtype).tobytes() != samples.tobytes():
        # Arithmetic on floats may lose the payload of a NaN; on their bits, taken as integers, it can't.
        coded = standalone.simple_compress(samples.view(f"<u{samples.itemsize}"), SOUGHT)
    return coded


def _from_pcodec(body: bytes, dtype: np.dtype[np.generic]) -> Samples:
    samples = standalone.simple_decompress(body)
    return np.empty(0, dtype) if samples is None else samples.view(dtype)


DECODERS: dict[int, Callable[[bytes, np.dtype[np.generic]], Samples]] = {
    RAW: lambda body, dtype: np.frombuffer(body, dtype),
    PCODEC: _from_pcodec,
}
