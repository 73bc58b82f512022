"""`python -m tests.contract --examples 200`: requests made of the OpenAPI document, valid and wrong
ones, at a running API; every answer is held against the document. The same seed makes the same cases.
"""

import argparse
import asyncio
import sys
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.contract.proving import PHASES, Proof, prove
from tests.contract.served import served


async def run(examples: int, seed: int, phases: tuple[str, ...]) -> Proof:
    with TemporaryDirectory() as folder, TemporaryDirectory() as left:
        async with served(Path(folder)) as api:
            return await prove(api, Path(left), examples=examples, seed=seed, phases=phases)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.contract", description=__doc__)
    parser.add_argument("--examples", type=int, default=20, help="made at random for an operation, at most")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--phases", default=",".join(PHASES), help="some of %(default)s")
    asked = parser.parse_args()
    proof = asyncio.run(run(asked.examples, asked.seed, tuple(asked.phases.split(","))))
    print(proof.says)
    print(f"{'operation':78}{'valid, taken':>14}{'valid, not':>12}{'wrong':>8}")
    for operation, modes in sorted(proof.statuses.items()):
        valid = modes.get("positive", {})
        taken = sum(cases for status, cases in valid.items() if status[0] in "23")
        wrong = sum(modes.get("negative", {}).values())
        print(f"{operation:78}{taken:>14}{sum(valid.values()) - taken:>12}{wrong:>8}")
    seen: Counter[str] = Counter()
    for modes in proof.statuses.values():
        for cases in modes.values():
            seen.update(cases)
    print("answers", *(f"{status}: {cases}" for status, cases in sorted(seen.items())), sep="   ")
    for check, times in sorted(proof.checks.items()):
        print(f"{check:40}{times:>8}")
    print(
        f"{len(proof.statuses)} operations, {proof.cases} cases, {sum(proof.checks.values())} checks, "
        f"seed {asked.seed}, {proof.wall_s:.0f} s: {proof.failures} failures, {proof.errors} errors"
    )
    print(*(f"never accepted: {each}\n" for each in proof.never_accepted), sep="", end="")
    return 1 if proof.failures or proof.errors or proof.never_accepted else 0


if __name__ == "__main__":
    sys.exit(main())
