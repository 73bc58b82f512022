"""What coding a curve costs and saves.

python -m tests.benchmarks.curves
"""

import time
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from collector.layouts.schema import SampleType
from collector.model import Curve
from collector.store.curves import decode, dtype_of, encode

SAMPLES = 1000
ROUNDS = 300


def noisy_tension(seed: int) -> npt.NDArray[np.int16]:
    """A made-up tension curve, (1000,) int16, N: take-up, rise, lock, seating loss; noise of 5 N."""
    noise = np.random.default_rng(seed).normal(0.0, 5.0, SAMPLES)
    time_s = np.linspace(0.0, 1.0, SAMPLES)
    tension_n = 4200.0 / (1.0 + np.exp(-14.0 * (time_s - 0.5)))
    tension_n[time_s > 0.85] *= 0.93
    return np.round(tension_n + noise).astype(np.int16)


def microseconds(function: Callable[[], object]) -> float:
    begun = time.perf_counter()
    for _ in range(ROUNDS):
        function()
    return (time.perf_counter() - begun) / ROUNDS * 1e6


def measure(sample_type: SampleType, scale: float) -> None:
    samples = (noisy_tension(1) * scale).astype(dtype_of(sample_type)).tobytes()
    curve = Curve(1, 1000, "tension_n", samples, sample_type, 1.0, 0.0)
    coded = encode(curve)
    assert decode(coded)[1].tobytes() == samples
    code_us = microseconds(lambda: encode(curve))
    decode_us = microseconds(lambda: decode(coded))
    print(
        f"{sample_type:8} raw {len(samples):5} B, coded {len(coded):5} B ({len(coded) / len(samples):.2f}), "
        f"{code_us:5.0f} µs to code, {decode_us:4.0f} µs to decode"
    )


if __name__ == "__main__":
    measure("int16", 1.0)
    measure("int32", 10.0)
    measure("float32", 0.1)
    measure("float64", 0.1)
