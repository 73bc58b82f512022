"""One run of the tester over the document, as a process of its own, and what came of it."""

import asyncio
import json
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter

from tests.contract.served import Served

ROOT = Path(__file__).parents[2]
PHASES = ("examples", "coverage", "fuzzing", "stateful")


@dataclass(frozen=True, slots=True)
class Proof:
    statuses: dict[str, dict[str, dict[str, int]]]
    """Operation -> what a case was meant to be (positive, negative) -> status -> cases."""
    checks: dict[str, int]
    """Check -> how often it was made."""
    failed: dict[str, list[str]]
    """Operation -> the checks that failed."""
    failures: int
    errors: int
    """What the tester could not try."""
    wall_s: float
    says: str
    """All that the tester had to say."""

    @property
    def cases(self) -> int:
        return sum(sum(each.values()) for modes in self.statuses.values() for each in modes.values())

    @property
    def never_accepted(self) -> list[str]:
        """Operations of which no case that was meant to be valid was answered with what was asked for."""
        return sorted(
            operation
            for operation, modes in self.statuses.items()
            if not any(status.startswith("2") for status in modes.get("positive", {}))
        )


async def prove(
    served: Served, folder: Path, *more: str, examples: int, seed: int = 1, phases: tuple[str, ...] = PHASES
) -> Proof:
    """Args: folder: for what the tester leaves; more: its arguments; examples: at most, for an operation."""
    report, tally = folder / "report.json", folder / "tally.json"
    command = [
        sys.executable, "-m", "schemathesis.cli",
        "--config-file", str(Path(__file__).with_name("schemathesis.toml")),
        "run", f"{served.url}/v1/openapi.json",
        *(part for name, value in served.headers.items() for part in ("-H", f"{name}: {value}")),
        "--phases", ",".join(phases), "--max-examples", str(examples), "--seed", str(seed),
        "--report", "json", "--report-json-path", str(report), *more,
    ]  # fmt: skip
    told = {
        "SCHEMATHESIS_HOOKS": "tests.contract.hooks",
        "PYTHONPATH": str(ROOT),
        "CONTRACT_URL": served.url,
        "CONTRACT_HEADERS": json.dumps(served.headers),
        "CONTRACT_NAMES": json.dumps(served.names),
        "CONTRACT_TALLY": str(tally),
    }
    begun = perf_counter()
    process = await asyncio.create_subprocess_exec(
        *command,
        cwd=folder,
        env=os.environ | told,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    try:
        says = (await process.communicate())[0].decode()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if not report.exists() or not tally.exists():
        raise AssertionError(f"the tester did not come to an end:\n{says}")
    found = json.loads(report.read_text(encoding="utf-8"))
    return Proof(
        **json.loads(tally.read_text(encoding="utf-8")),
        failures=found["test_cases"]["unique_failures"],
        errors=len(found["errors"]),
        wall_s=perf_counter() - begun,
        says=says,
    )
