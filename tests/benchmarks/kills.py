"""How many kills the book survives: python -m tests.benchmarks.kills --kills 200 [--bad-network]

The collector, and sometimes the API beside it, are killed at random moments over a running plant: real
processes, real sockets, a real SQLite file. With --bad-network each controller is behind a network that
swallows, delays, cuts, trickles and repeats. In the end every stored cycle is compared with the ground truth.
"""

import argparse
import asyncio
import shutil
import sys
import tempfile
import time
from pathlib import Path

from tests.killing import kill_again_and_again


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--bad-network", action="store_true")
    parser.add_argument("--cycles-per-second", type=float, help="of each controller (2.5; bad network: 1)")
    asked = parser.parse_args()
    cycles_per_s = asked.cycles_per_second or (1.0 if asked.bad_network else 2.5)
    begin = time.monotonic()

    def tell(kills: int) -> None:
        if kills % 20 == 0:
            print(f"{kills} kills, {time.monotonic() - begin:.0f} s", flush=True)

    folder = Path(tempfile.mkdtemp(prefix="kills-"))
    network_seed = asked.seed if asked.bad_network else None
    outcome = asyncio.run(
        kill_again_and_again(folder, asked.kills, asked.seed, cycles_per_s, network_seed, tell)
    )
    found = outcome.balance
    print("controller    made  stored in gaps  unread  curves")
    for name in sorted(found.made):
        columns = (found.made, found.stored, found.in_gaps, found.unread, found.curves)
        print(f"{name:10}", *(f"{column[name]:7}" for column in columns))
    if asked.bad_network:
        print("chunks by what befell them:", *(f"{name} {n}" for name, n in outcome.faults.most_common()))
    wrong = [*found.wrong, *outcome.mistakes, *sorted(outcome.services_lost)]
    print(f"{asked.kills} kills survived; wrong, silently missing or doubled: {len(wrong)}")
    if wrong or found.unread:
        print(*wrong[:20], f"log, truth and book are kept in {folder}", sep="\n")
        return 1
    shutil.rmtree(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
