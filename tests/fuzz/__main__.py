"""`python -m tests.fuzz --inputs 1000000`: spoilt bytes for every decoder. Nothing but a value that the model
allows or a DecodeError may come out. The same seed gives the same inputs.
"""

import argparse
import sys
from time import perf_counter

from tests.fuzz.targets import Escape, Outcome, feed, targets

ESCAPES_MOST = 20
"""Shown, until it ends."""


def run(inputs: int, seed: int) -> tuple[dict[str, tuple[int, Outcome]], list[str]]:
    """So many inputs, one for each decoder in turn; inputs and outcome of each, and a line an escape."""
    names = list(targets())
    done = {name: (0, Outcome()) for name in names}
    escapes: list[str] = []
    for number in range(inputs):
        name = names[number % len(names)]
        count, total = done[name]
        try:
            outcome = feed(name, seed, count)
        except Escape as escape:
            escapes.append(f"{name}: {escape}; again with --replay '{name}' --seed {seed} --number {count}")
            if len(escapes) == ESCAPES_MOST:
                break
        else:
            total.decoded += outcome.decoded
            total.refused += outcome.refused
        done[name] = count + 1, total
    return done, escapes


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--replay", metavar="DECODER", help="one input again, with its traceback")
    parser.add_argument("--number", type=int, default=0, help="of the input to replay")
    asked = parser.parse_args()
    if asked.replay:
        try:
            print(feed(asked.replay, asked.seed, asked.number))
        except Escape as escape:
            print(f"input: {escape.raw!r}")
            raise
        return 0
    begun = perf_counter()
    done, escapes = run(asked.inputs, asked.seed)
    print(f"{'decoder':28}{'inputs':>10}{'decoded':>12}{'refused':>12}")
    for name, (count, total) in done.items():
        rows = max(1, total.decoded + total.refused)
        print(f"{name:28}{count:>10}{total.decoded / rows:>12.1%}{total.refused / rows:>12.1%}")
    inputs = sum(count for count, _ in done.values())
    print(f"{inputs} inputs in {perf_counter() - begun:.0f} s, seed {asked.seed}: {len(escapes)} escapes")
    print(*escapes, sep="\n", end="\n" if escapes else "")
    return 1 if escapes else 0


if __name__ == "__main__":
    sys.exit(main())
