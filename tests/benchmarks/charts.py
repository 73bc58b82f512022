"""What it costs to chart a million cycles, against a plain pass over the same values.

python -m tests.benchmarks.charts
"""

import time
from collections.abc import Callable, Mapping
from functools import partial

import numpy as np

from collector.analysis.baseline import Baseline, phase_one
from collector.analysis.chart_design import Cusum, Design, Ewma
from collector.analysis.charts import chart
from collector.analysis.run_length import run_length
from collector.analysis.run_rules import ZONES, Rule

CYCLES = 1_000_000
ROUNDS = 15
SHOWN = 10_000
"""Values whose lines are kept, as many as the API shows at most; every value is tested."""
FOUR_RULES: tuple[Rule, ...] = (
    "beyond_limits",
    "two_of_three_beyond_2_sigma",
    "four_of_five_beyond_1_sigma",
    "eight_on_one_side",
)
EVERY_RULE: tuple[Rule, ...] = (*ZONES, "six_rising_or_falling", "fourteen_alternating")
DESIGNS = {
    "three charts, four rules": Design(FOUR_RULES),
    "three charts, all nine rules": Design(EVERY_RULE),
    "individuals and moving range alone": Design(ewma=None, cusum=None),
    "EWMA alone": Design((), moving_range=False, ewma=Ewma(), cusum=None),
    "CUSUM alone": Design((), moving_range=False, ewma=None, cusum=Cusum()),
}


def fastest_ms(*functions: Callable[[], object]) -> list[float]:
    """Least processor time of each, measured in turns."""
    times: list[list[float]] = [[] for _ in functions]
    for _ in range(ROUNDS):
        for function, taken in zip(functions, times, strict=True):
            begun = time.process_time()
            function()
            taken.append(time.process_time() - begun)
    return [min(taken) * 1000 for taken in times]


def ratios(cycles: int, designs: Mapping[str, Design] = DESIGNS) -> dict[str, float]:
    """Processor time to chart, in plain passes over the same values, by design."""
    values = np.random.default_rng(1).normal(100.0, 3.0, cycles)
    baseline = phase_one(values[:200])
    assert isinstance(baseline, Baseline)
    for design in designs.values():
        run_length(design)  # simulated once and remembered

    def plain() -> None:
        values.mean()
        np.abs(np.diff(values))
        np.cumsum(values)

    plain_ms, *designs_ms = fastest_ms(
        plain, *(partial(chart, values, baseline, each, newest=SHOWN) for each in designs.values())
    )
    print(f"{cycles} cycles; plain mean, diff, abs, cumsum: {plain_ms:.1f} ms")
    for name, taken_ms in zip(designs, designs_ms, strict=True):
        print(f"{name:36} {taken_ms:6.1f} ms, {taken_ms / plain_ms:.2f} times the plain pass")
    return dict(zip(designs, (taken_ms / plain_ms for taken_ms in designs_ms), strict=True))


if __name__ == "__main__":
    ratios(CYCLES)
