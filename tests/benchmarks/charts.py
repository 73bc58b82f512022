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


def fastest_ms(*functions: Callable[[], object]) -> list[tuple[float, float]]:
    """Least time of each, and least processor time (two threads chart a long row), measured in turns."""
    times: list[list[tuple[float, float]]] = [[] for _ in functions]
    for _ in range(ROUNDS):
        for function, taken in zip(functions, times, strict=True):
            begun, begun_cpu = time.perf_counter(), time.process_time()
            function()
            taken.append((time.perf_counter() - begun, time.process_time() - begun_cpu))
    return [(min(each[0] for each in taken) * 1000, min(each[1] for each in taken) * 1000) for taken in times]


def ratios(cycles: int, designs: Mapping[str, Design] = DESIGNS) -> dict[str, tuple[float, float]]:
    """Time to chart, and processor time, in plain passes over the same values, by design."""
    values = np.random.default_rng(1).normal(100.0, 3.0, cycles)
    baseline = phase_one(values[:200])
    assert isinstance(baseline, Baseline)
    for design in designs.values():
        run_length(design)  # simulated once and remembered

    def plain() -> None:
        values.mean()
        np.abs(np.diff(values))
        np.cumsum(values)

    (plain_ms, plain_cpu_ms), *taken = fastest_ms(
        plain, *(partial(chart, values, baseline, each, newest=SHOWN) for each in designs.values())
    )
    print(f"{cycles} cycles; plain mean, diff, abs, cumsum: {plain_ms:.1f} ms")
    found = {
        name: (ms / plain_ms, cpu_ms / plain_cpu_ms)
        for name, (ms, cpu_ms) in zip(designs, taken, strict=True)
    }
    for name, (times, cpu_times) in found.items():
        print(f"{name:36} {times:.2f} times the plain pass, {cpu_times:.2f} times its processor time")
    return found


if __name__ == "__main__":
    ratios(CYCLES)
