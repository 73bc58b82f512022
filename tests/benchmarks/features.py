"""What the features of a curve cost, against one plain NumPy pass over the same samples.

    python -m tests.benchmarks.features

The pass is `values * scale + offset`: read every sample once, write one array. Processor time of the best
of many short rounds, in turn, so that other work on the machine counts little; the ratio is what can be
compared.
"""

import time
from collections.abc import Callable

import numpy as np

from collector.analysis.features import features, features_of
from collector.model import Curve
from simulators.tool import BANDS, Joint, Sampling, Settings, Tool, attempt

ROUNDS, IN_A_ROUND = 60, 50


def curve(interval_us: int, samples: int) -> np.ndarray:
    """A whole cycle of the physical model, padded with zeros to `samples`, in tenths of N."""
    sampling = Sampling(interval_us=interval_us, most=samples, step_n=0.1)
    settings = Settings.recommended("B15-048")
    rng = np.random.default_rng(1)
    steps = attempt(Tool("1"), settings, BANDS["B15-048"], Joint(12.0), 620.0, sampling, rng).steps
    return np.concatenate((steps, np.zeros(samples - steps.size, dtype=np.int64))).astype("<i2")


def best_us(*functions: Callable[[], object]) -> list[float]:
    """The fastest round of each, taken in turn; µs of processor time a call."""
    best = [float("inf")] * len(functions)
    for _ in range(ROUNDS):
        for index, function in enumerate(functions):
            begun = time.thread_time()
            for _ in range(IN_A_ROUND):
                function()
            best[index] = min(best[index], (time.thread_time() - begun) / IN_A_ROUND * 1e6)
    return best


def measure(interval_us: int, samples: int) -> tuple[float, float, float]:
    """Plain pass, features of an array, features of a controller's curve; µs each."""
    steps = curve(interval_us, samples)
    raw = Curve(1, interval_us, "tension_n", steps.tobytes(), "int16", 0.1, 0.0)
    values = steps * 0.1
    assert features_of(values, interval_us).notes == ()
    one, two, three = best_us(
        lambda: values * 0.1 + 0.0, lambda: features_of(values, interval_us), lambda: features(raw)
    )
    return one, two, three


if __name__ == "__main__":
    for interval_us, samples in ((1000, 1000), (2000, 600), (250, 4000)):
        plain_us, array_us, curve_us = measure(interval_us, samples)
        print(
            f"{samples:5} samples: one pass {plain_us:5.2f} µs, features {array_us:6.1f} µs "
            f"({array_us / plain_us:.0f} passes), from a controller's curve {curve_us:6.1f} µs"
        )
