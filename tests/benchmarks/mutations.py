"""Do the tests notice when a decisive line is gone? python -m tests.benchmarks.mutations [--only WORD]

One after the other, each line of the table is changed in a copy of the tree, and the tests of its room run on
it. At least one of them must fail. Prints which did; ends with 1 if any change survived, with 2 if the table
no longer fits the source, or a change breaks more than a test can.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]
COPIED = ("collector", "simulators", "tests")
PATIENCE_S = 300

LEDGER = ("tests/collector/test_ledger.py",)
POLLER = ("tests/collector/test_poller.py", "tests/collector/test_ring.py")
INBOX = ("tests/collector/test_inbox.py",)
CLOCK = ("tests/collector/test_clock.py",)
WRITER = ("tests/collector/store/test_writer.py",)
LATE = ("tests/collector/store/test_late.py",)


class TableError(Exception):
    """The table no longer fits the source."""


@dataclass(frozen=True)
class Mutation:
    file: str
    """Under collector/."""
    line: str
    """What stands there exactly once."""
    instead: str
    why: str
    """What the line decides."""
    tests: tuple[str, ...]


MUTATIONS = [
    Mutation(
        "ledger.py",
        "or (most is not None and new > most):",
        "or False:",
        "more cycles than can have been made are another memory",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "circles = by_count is not None and",
        "circles = False and",
        "the count tells the circles of a narrow sequence",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "if (new > numbering.modulus // 2 and",
        "if (False and",
        "more than half a circle ahead is a fall-back",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "(proof is None or went_on):",
        "went_on:",
        "a count that does not fit, and no proof: another memory",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "(proof is None or went_on):",
        "proof is None:",
        "a count that went on, though not with the sequence: another memory, whatever record is still there",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "return found[number].raw == known",
        "return True",
        "the record at our position must be ours byte for byte",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "overwritten = range(position.sequence + 1, oldest)",
        "overwritten = range(0)",
        "what no longer fits in the memory is listed",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "        if first is not None:\n            yield Gap(epoch, first, last, reason, None, None)\n"
        "        first, last",
        "        first, last",
        "every run of missing numbers is a gap",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "lift = modulus if plan.last >= modulus",
        "lift = 0 if plan.last >= modulus",
        "a fresh controller is numbered as it counts",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "if since is None or not possible or counts_from_1 or",
        "if since is None or counts_from_1 or",
        "a count that can't be is not reckoned with",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "missing = since - brought",
        "missing = since",
        "what a restart brought is not missing",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "            return self.now or NO_TOOL\n        return NO_TOOL",
        "            return self.now or NO_TOOL\n        return self.now or NO_TOOL",
        "a swap that nobody saw is not guessed",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        'kind, at, found = "cleared", last - count, 0',
        'kind, at, found = "cleared", before.sequence, 0',
        "a count was cleared where its cycles say",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "    return not early and not (",
        "    return not (",
        "a late cycle from before a gap does not close it",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "if modulus not in found and",
        "if False and",
        "a memory that has no number 0 has not come over the wrap",
        LEDGER,
    ),
    Mutation(
        "ledger.py",
        "went_back = since is not None and not possible",
        "went_back = True",
        "a count that did not go back has not begun anew for certain",
        LEDGER,
    ),
    Mutation(
        "poller.py",
        "if same and in_doubt and at_the_wrap is not None:",
        "if False:",
        "a number that fell back to 0 has not come over the wrap",
        POLLER,
    ),
    Mutation(
        "standing.py",
        "for serial in {self._memory.controller_serial or None, None}:",
        "for serial in {self._memory.controller_serial or None}:",
        "messages of the controller before that come again are known",
        INBOX,
    ),
    Mutation(
        "inbox.py",
        "            since -= max(min(end, later) - begin, timedelta())",
        "            pass",
        "a message that waited for us was overtaken just now",
        INBOX,
    ),
    Mutation(
        "clock.py",
        "if self._was_set:  # twice in a row",
        "if False:  # twice in a row",
        "a clock that was set twice may have stood still in between",
        CLOCK,
    ),
    Mutation(
        "ring.py",
        "return reached - number > self._layout.history.slots - 2",
        "return False",
        "a record that may be overwritten while it is read is read again",
        POLLER,
    ),
    Mutation(
        "poller.py",
        'if shown.state == "starting":',
        "if False:",
        "a controller that is starting up is not believed",
        POLLER,
    ),
    Mutation(
        "inbox.py",
        "            await self._flush()\n            await source.acknowledge(batch)",
        "            await source.acknowledge(batch)\n            await self._flush()",
        "a message is acknowledged after the commit",
        INBOX,
    ),
    Mutation(
        "clock.py",
        "_ms(abs(age)) * DRIFT_MOST_PPM * 1e-6",
        "0.0",
        "what is known of a clock ages",
        CLOCK,
    ),
    Mutation(
        "store/booking.py",
        "if entry.expected != found:",
        "if False:",
        "work on another position is refused",
        WRITER,
    ),
    Mutation(
        "store/booking.py",
        "self._positions[controller_id] = self._moved[controller_id] = entry.position",
        "self._moved[controller_id] = entry.position",
        "the next entry of a group follows the one before",
        WRITER,
    ),
    Mutation(
        "store/booking.py",
        "self._write(tables.gap.insert(), self._gaps)",
        "pass",
        "gaps are in the book",
        WRITER,
    ),
    Mutation(
        "store/booking.py",
        "            self._begin_epoch(controller_id, entry.position.epoch)",
        "            pass",
        "an epoch is known with its controller's identity",
        WRITER,
    ),
    Mutation(
        "store/booking.py",
        '.values(serial="")',
        ".values(serial=None)",
        "a place that a controller was moved from is marked",
        WRITER,
    ),
    Mutation(
        "store/late.py",
        "if self._has(late.cycle):",
        "if False:",
        "what the book has is not taken again",
        LATE,
    ),
    Mutation(
        "store/late.py",
        "if len(places) > 1:",
        "if False:",
        "several places are nobody's guess",
        LATE,
    ),
    Mutation(
        "store/late.py",
        "free = candidate not in each.found and",
        "free =",
        "one number of a gap is found once",
        LATE,
    ),
    Mutation(
        "store/late.py",
        "for rest in remainders(each.gap, each.found):",
        "for rest in ():",
        "what is left of a gap stays open",
        LATE,
    ),
    Mutation(
        "store/late.py",
        "end = min(end, late.ended_at + around)",
        "end = late.ended_at + around",
        "a late cycle ended before its gap did",
        LATE,
    ),
    Mutation(
        "store/writer.py",
        "of_memory = last is not None and last.brought_by is None and",
        "of_memory = last is not None and",
        "a row of a log is no record of the memory",
        LATE,
    ),
    Mutation(
        "store/writer.py",
        "self._settle(list(zip(group, refused, strict=True)))",
        "self._settle([(commit, None) for commit in group])",
        "whoever is refused hears of it",
        WRITER,
    ),
    Mutation(
        "store/writer.py",
        "                for commit in group:\n                    self._commit([commit])",
        "                self._fail(group, error)",
        "a bad entry fails alone",
        WRITER,
    ),
    Mutation(
        "store/writer.py",
        "self._fail([*group, *self._take_all_if_closing()], error)",
        "self._fail(group, error)",
        "leaving does not wait for a locked store again and again",
        WRITER,
    ),
    Mutation(
        "store/writer.py",
        "        with self._transaction() as connection:\n"
        "            known = self._known or Known.read(connection)\n"
        "            booking = Booking(connection, known, self._now())\n"
        "            refused = [booking.take(entry) for entry in entries]\n"
        "            booking.finish()",
        "        with self._engine.connect() as connection:\n"
        "            known = self._known or Known.read(connection)\n"
        "            booking = Booking(connection, known, self._now())\n"
        "            refused = [booking.take(entry) for entry in entries]\n"
        "            connection.commit()\n"
        "            booking.finish()\n"
        "            connection.commit()",
        "an entry is one transaction",
        WRITER,
    ),
]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="a word of the file, or of what the line decides")
    only = parser.parse_args().only
    asked = [each for each in MUTATIONS if only in f"{each.file} {each.why}"]
    with tempfile.TemporaryDirectory(prefix="mutations-") as folder:
        try:
            return run(Path(folder), asked)
        except TableError as error:
            print(error)
            return 2


def run(copy: Path, mutations: list[Mutation]) -> int:
    """Raises: TableError."""
    for name in COPIED:
        shutil.copytree(REPOSITORY / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(REPOSITORY / "pyproject.toml", copy)
    for mutation in mutations:
        mutated(copy, mutation)  # all of the table fits before anything runs
    files = sorted({file for mutation in mutations for file in mutation.tests})
    if (failed := failing_test(copy, files)) is not None:
        raise TableError(f"without any change, {failed} fails already")
    survived = 0
    for mutation in mutations:
        path = copy / "collector" / mutation.file
        source = path.read_text(encoding="utf-8")
        path.write_text(mutated(copy, mutation), encoding="utf-8")
        begin = time.monotonic()
        killer = failing_test(copy, mutation.tests)
        path.write_text(source, encoding="utf-8")
        survived += killer is None
        print(f"{mutation.file}: {mutation.why}")
        print(f"    {time.monotonic() - begin:.0f} s: {killer or 'SURVIVED'}", flush=True)
    print(f"{len(mutations) - survived} of {len(mutations)} changes were noticed")
    return 1 if survived else 0


def mutated(copy: Path, mutation: Mutation) -> str:
    """The source with the change. Raises: TableError."""
    source = (copy / "collector" / mutation.file).read_text(encoding="utf-8")
    if (times := source.count(mutation.line)) != 1:
        raise TableError(
            f"collector/{mutation.file} has {times} times what must be there once: {mutation.line}"
        )
    return source.replace(mutation.line, mutation.instead)


def failing_test(copy: Path, tests: "list[str] | tuple[str, ...]") -> str | None:
    """The first test that fails, on SQLite; None: all pass. Raises: TableError: they could not run."""
    command = [sys.executable, "-m", "pytest", "-q", "-x", "--tb=no", "-p", "no:cacheprovider"]
    ran = subprocess.run(
        [*command, "--hypothesis-seed=1", "-k", "not postgresql", *tests],
        cwd=copy,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    if ran.returncode == 0:
        return None
    failed = [line.split(" - ")[0] for line in ran.stdout.splitlines() if line.startswith("FAILED ")]
    if ran.returncode != 1 or not failed:
        raise TableError(f"the tests could not run:\n{ran.stdout[-2000:]}{ran.stderr[-2000:]}")
    return failed[0].removeprefix("FAILED ")


if __name__ == "__main__":
    sys.exit(main())
