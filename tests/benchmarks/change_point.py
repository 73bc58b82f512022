"""The change point: its speed, how often its confidence set holds the true place, and what it mistakes.

python -m tests.benchmarks.change_point [runs]
"""

import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from collector.analysis.change_point import ChangePoint, change_point
from collector.analysis.run_rules import Floats

Noise = Callable[[np.random.Generator, int], Floats]
CONFIDENCE = 0.95


def normal(rng: np.random.Generator, count: int) -> Floats:
    return rng.normal(size=count)


def heavy_tailed(rng: np.random.Generator, count: int) -> Floats:
    """Student's t with 5 degrees of freedom, variance 1."""
    return np.asarray(rng.standard_t(5, count) * np.sqrt(3 / 5), np.float64)


def skewed(rng: np.random.Generator, count: int) -> Floats:
    """Gamma with shape 4, variance 1."""
    return np.asarray((rng.gamma(4, size=count) - 4) / 2, np.float64)


def dependent(rng: np.random.Generator, count: int) -> Floats:
    """First-order autoregression with 0.5, variance 1."""
    return np.asarray(lfilter([np.sqrt(0.75)], [1, -0.5], rng.normal(size=count + 100))[100:], np.float64)


@dataclass(frozen=True)
class World:
    """Noise, and what happens to it from the true place on."""

    noise: Noise = normal
    count: int = 300
    true: int = 200
    step: float = 0.0
    spread: float = 1.0
    slope: float = 0.0

    def draw(self, rng: np.random.Generator) -> Floats:
        values = self.noise(rng, self.count)
        values[self.true :] *= self.spread
        values[self.true :] += self.step + self.slope * np.arange(1, self.count - self.true + 1)
        return values


WORLDS = {
    "nothing, normal": World(),
    "nothing, heavy-tailed": World(heavy_tailed),
    "nothing, skewed": World(skewed),
    "nothing, dependent": World(dependent),
    "nothing, 3000 values": World(count=3000),
    "step 0.75": World(step=0.75),
    "step 1": World(step=1.0),
    "step 2": World(step=2.0),
    "step 1.5, 12 values after it": World(step=1.5, true=288),
    "step 1, heavy-tailed": World(heavy_tailed, step=1.0),
    "step 1, skewed": World(skewed, step=1.0),
    "step 1.5, dependent": World(dependent, step=1.5),
    "spread 1.5": World(spread=1.5),
    "spread 2": World(spread=2.0),
    "spread 0.5": World(spread=0.5),
    "spread 2, heavy-tailed": World(heavy_tailed, spread=2.0),
    "step 1 and spread 2": World(step=1.0, spread=2.0),
    "drift 0.01": World(slope=0.01),
    "drift 0.03": World(slope=0.03),
    "drift 0.03, dependent": World(dependent, slope=0.03),
}


@dataclass(frozen=True)
class Score:
    found: float
    """Share of runs in which a change was found at all."""
    covered: float
    """Of those found: share whose set holds the true place."""
    not_later: float
    """Of those found: share whose earliest place is not after the true one (containment keeps all
    suspects)."""
    size: float
    """Median number of places in the set."""
    kinds: Counter[str]


def score(world: World, runs: int, seed: int = 1) -> Score:
    rng = np.random.default_rng(seed)
    found = [change_point(world.draw(rng), CONFIDENCE) for _ in range(runs)]
    changes = [each for each in found if isinstance(each, ChangePoint)]
    several = max(1, len(changes))
    return Score(
        len(changes) / runs,
        sum(world.true in each.set_places for each in changes) / several,
        sum(each.earliest <= world.true for each in changes) / several,
        float(np.median([each.set_places.size for each in changes] or [0])),
        Counter(each.kind for each in changes),
    )


def seconds(count: int) -> float:
    values = np.random.default_rng(1).normal(size=count)
    values[count // 2 :] += 0.1
    begun = time.perf_counter()
    change_point(values)
    return time.perf_counter() - begun


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print(f"100000 values: {min(seconds(100_000) for _ in range(5)):.3f} s")
    print(f"{CONFIDENCE:.0%} sets, {runs} runs a row, standard error {(0.0475 / runs) ** 0.5:.3f}")
    print(f"{'world':30} {'found':>6} {'covered':>8} {'not later':>9} {'size':>5}  kinds")
    for name, world in WORLDS.items():
        found = score(world, runs)
        print(
            f"{name:30} {found.found:6.3f} {found.covered:8.3f} {found.not_later:9.3f} {found.size:5.0f}  "
            + ", ".join(f"{kind} {count}" for kind, count in found.kinds.most_common())
        )
