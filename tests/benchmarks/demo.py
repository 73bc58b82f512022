"""What the demo collected against what its simulated controllers made: python -m tests.benchmarks.demo

Every stored cycle is compared with the ground truth, field by field and curve by curve.
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from collector.store.engine import StoreAddress, open_book_reader
from simulators.truth import read_truth
from tests.balance import balance

DEMO = Path(__file__).parents[2] / "deploy" / "demo.py"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--speed", type=float, default=1.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        command = ["--seconds", str(asked.seconds), "--speed", str(asked.speed), "--state", folder]
        subprocess.run([sys.executable, str(DEMO), *command], check=True, stdout=subprocess.DEVNULL)
        with open_book_reader(StoreAddress(folder=Path(folder) / "book")).connect() as book:
            found = balance(book, read_truth(Path(folder) / "truth.ndjson").cycles)
    columns = (found.made, found.stored, found.in_gaps, found.unread, found.curves)
    print("controller    made  stored in gaps not read yet  curves")
    for name in sorted(found.made):
        print(f"{name:10} {columns[0][name]:7} {columns[1][name]:7} {columns[2][name]:7}", end="")
        print(f"{columns[3][name]:13} {columns[4][name]:7}")
    made, stored = found.made.total(), found.stored.total()
    print(f"stored {stored} of {made} ({stored / made:.4f}); wrong or silently missing: {len(found.wrong)}")
    print(*found.wrong[:20], sep="\n")
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
