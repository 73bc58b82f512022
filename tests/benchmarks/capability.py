"""How often the 95 % intervals of capability hold the true index.

python -m tests.benchmarks.capability [runs]
"""

import sys
from collections.abc import Callable

import numpy as np
from scipy import stats

from collector.analysis import capability as room
from collector.analysis.capability import Index, Specification
from collector.analysis.run_rules import Floats

Draw = Callable[[np.random.Generator], Floats]
Interval = Callable[[Floats], Index | None]

BOTH = Specification(-4.5, 4.0)
UPPER = Specification(None, 4.0)
CONFIDENCE = 0.95


def _normal(count: int) -> Draw:
    return lambda rng: rng.normal(size=count)


def _gamma(count: int) -> Draw:
    return lambda rng: rng.gamma(2.0, size=count)


def _short(x: Floats) -> float:
    return float(np.abs(np.diff(x)).mean()) / room.D2


def _gamma_truths(upper: float) -> tuple[float, float]:
    """Percentile and equivalent Ppk of a gamma measure with shape 2 and an upper limit."""
    middle, far = stats.gamma.ppf([0.5, 0.99865], 2)
    return float((upper - middle) / (far - middle)), float(-stats.norm.ppf(stats.gamma.sf(upper, 2)) / 3)


def rows() -> dict[str, tuple[Draw, Interval, float]]:
    """Sample, interval and truth, by name."""
    percentile, equivalent = _gamma_truths(6.0)
    gamma = Specification(None, 6.0)
    table: dict[str, tuple[Draw, Interval, float]] = {}
    for n in (25, 100, 500):
        worth = room.degrees_of_freedom(n)

        def cp(x: Floats, worth: float = worth) -> Index | None:
            return room.spread_index(BOTH, _short(x), worth, CONFIDENCE)

        def cpk(x: Floats, worth: float = worth) -> Index:
            return room.nearest_index(BOTH, float(x.mean()), _short(x), x.size, worth, CONFIDENCE)

        def pp(x: Floats) -> Index | None:
            return room.spread_index(BOTH, float(x.std(ddof=1)), x.size - 1, CONFIDENCE)

        def ppk(x: Floats, specification: Specification = BOTH) -> Index:
            return room.nearest_index(
                specification, float(x.mean()), float(x.std(ddof=1)), x.size, x.size - 1, CONFIDENCE
            )

        table[f"Cp, normal, n {n}"] = (_normal(n), cp, 8.5 / 6)
        table[f"Cpk, normal, n {n}"] = (_normal(n), cpk, 4 / 3)
        table[f"Pp, normal, n {n}"] = (_normal(n), pp, 8.5 / 6)
        table[f"Ppk two limits, normal, n {n}"] = (_normal(n), ppk, 4 / 3)
        table[f"Ppk one limit, normal, n {n}"] = (_normal(n), lambda x: ppk(x, UPPER), 4 / 3)
        table[f"equivalent Ppk, gamma, n {n}"] = (
            _gamma(n),
            lambda x: room.equivalent_ppk(x, gamma, CONFIDENCE),
            equivalent,
        )
    for n in (500, 5000):
        table[f"percentile Ppk, gamma, n {n}"] = (
            _gamma(n),
            lambda x: room.percentile_ppk(x, gamma, CONFIDENCE),
            percentile,
        )
    return table


def covered(runs: int, seed: int = 1) -> dict[str, float]:
    """Share of runs in which the interval holds the truth, by name."""
    rng = np.random.default_rng(seed)
    shares = {}
    for name, (draw, interval, truth) in rows().items():
        found = [interval(draw(rng)) for _ in range(runs)]
        shares[name] = sum(each is not None and each.low <= truth <= each.high for each in found) / runs
    return shares


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{CONFIDENCE:.0%} intervals, {runs} runs a row, standard error {(0.0475 / runs) ** 0.5:.4f}")
    for name, share in covered(runs).items():
        print(f"{name:36} {share:.4f}")
