"""What README tells the integrator to type runs as it stands there, against a line with those names."""

import asyncio
import json
import re
import shutil
from asyncio.subprocess import PIPE, STDOUT
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.model import ToolName
from tests.conftest import server_missing
from tests.integrator.served import REPOSITORY, Served, served_line

WRITTEN_FOR = "http://127.0.0.1:8470"
README = (REPOSITORY / "README.md").read_text(encoding="utf-8")
SECTION = README.split("\n## For the MES integrator\n")[1].split("\n## ")[0]
COMMANDS = re.findall(r"^    ((?:curl|python3|sh) .*)$", SECTION, re.MULTILINE)
SCRIPT = Path(__file__).parent / "nightly.sh"
DAY = timedelta(days=1)


@pytest.fixture
async def served(tmp_path: Path) -> AsyncIterator[Served]:
    """Tool M-2041 on controller L1-03, a dozen cycles a day; on 26 November at noon all is closed."""
    for program in ("curl", "jq"):
        if shutil.which(program) is None:
            server_missing(f"no {program} on this machine")
    async with served_line(tmp_path, "L1-03") as made:
        line = made.line
        await line.swap("L1-03", ToolName("Sample Works", "C-4", "M-2041"), line.now)
        until = datetime(2026, 11, 26, 11, tzinfo=UTC)
        while line.now + DAY < until:
            await line.work("L1-03", *(line.now + DAY / 12 * part for part in range(1, 13)))
            line.now += DAY
        await line.read_through(until)
        for _ in range(10):  # each closes some
            await line.close(until)
        made.set_clock(until)
        yield made


async def run(served: Served, command: str) -> tuple[int | None, str]:
    """In a shell, in a folder of its own: exit code, and what it printed."""
    command = command.replace(WRITTEN_FOR, served.base)
    folder = served.folder / "shell"
    folder.mkdir(exist_ok=True)
    process = await asyncio.create_subprocess_exec(
        "sh", "-c", command, stdout=PIPE, stderr=STDOUT, cwd=folder
    )
    said, _ = await process.communicate()
    return process.returncode, said.decode()


async def test_every_command_of_the_readme_runs(served: Served) -> None:
    """With exit code 0, and an answer that is not a problem."""
    assert len(COMMANDS) >= 3, SECTION
    (served.folder / "shell").mkdir()
    for name in ("nightly.py", "nightly.sh"):
        shutil.copy(SCRIPT.with_name(name), served.folder / "shell")
    for command in COMMANDS:
        code, said = await run(served, command.replace("curl ", "curl -sS "))
        assert code == 0, f"{command}: {said}"
        assert '"/problems/' not in said, f"{command}: {said}"


async def test_the_shell_script_keeps_what_was_closed(served: Served) -> None:
    """A file a shift; run again nothing changes, and a shift that is over and not closed makes it fail."""
    script = f"{SCRIPT} {WRITTEN_FOR} kept"
    assert await run(served, script) == (0, "")
    kept = [json.loads(path.read_text()) for path in (served.folder / "shell/kept").glob("*.json")]
    cycles = sum(row["cycles"] for each in kept for row in each["rows"])
    over = max(datetime.fromisoformat(each["ends_at"]) for each in kept)
    made = [each.ended_at for _, each in served.line.stored if each.ended_at < over]
    assert cycles == len(made) > 300
    latest = {(each["plant_day"], each["shift"]): each for each in served.line.latest().values()}
    assert {(each["plant_day"], each["shift"]) for each in kept} == set(latest)
    assert await run(served, script) == (0, "")
    served.set_clock(served.line.now + DAY)
    code, said = await run(served, script)
    assert code == 1
    assert "409" in said
