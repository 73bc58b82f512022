"""Runs worlds: `tests/worlds --seeds 0:300`. A failing seed replays exactly."""

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Sequence

from tests.simulated.runner import run_worlds
from tests.simulated.world import Outcome

SHOWN_MOST = 5
"""Disagreements of one world."""


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="tests/worlds", description=__doc__)
    parser.add_argument("--seeds", default="0:300", metavar="A:B", help="a range, or one seed")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("-v", action="store_true", dest="verbose", help="each world's story")
    given = parser.parse_args(arguments)
    begin, _, end = given.seeds.partition(":")
    seeds = range(int(begin), int(end) if end else int(begin) + 1)
    began = time.perf_counter()
    total = Total()
    for outcome in run_worlds(seeds, given.jobs):
        total.add(outcome)
        if given.verbose:
            print(*outcome.story, sep="\n")
        for says in outcome.comparison.wrong[:SHOWN_MOST]:
            print(f"seed {outcome.seed}: {says}", flush=True)
    print(total.in_words(time.perf_counter() - began))
    return 1 if total.failed else 0


class Total:
    """What all worlds came to."""

    def __init__(self) -> None:
        self.worlds = self.made = self.stored = self.in_gaps = self.curves = 0
        self.plant_s = 0.0
        self.faults: Counter[str] = Counter()
        self.failed: list[int] = []

    def add(self, outcome: Outcome) -> None:
        compared = outcome.comparison
        self.worlds += 1
        self.plant_s += outcome.plant_s
        self.made += compared.made
        self.stored += compared.stored
        self.in_gaps += compared.in_gaps
        self.curves += compared.curves
        self.faults += outcome.faults
        if compared.wrong:
            self.failed.append(outcome.seed)

    def in_words(self, wall_s: float) -> str:
        faults = "\n".join(f"  {number:6d}  {name}" for name, number in sorted(self.faults.items()))
        hours = self.plant_s / 3600
        return (
            f"{self.worlds} worlds, {hours:.1f} plant hours in {wall_s:.1f} s "
            f"({hours / wall_s:.2f} plant hours a second, {wall_s / self.worlds:.3f} s a world)\n"
            f"{self.made} cycles made, {self.stored} stored, {self.in_gaps} in gaps; {self.curves} curves\n"
            f"faults:\n{faults}\n"
            f"failed: {len(self.failed)} {sorted(self.failed)[:20]}"
        )


if __name__ == "__main__":
    sys.exit(main())
