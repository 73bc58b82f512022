"""The command line, as a person meets it."""

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from collector import __version__
from collector.model import ControllerIdentity, ToolName
from collector.store.engine import StoreAddress, migrate_book, open_book_writer
from collector.store.writer import Writer
from tests.collector.store.rigs import entry

ROOT = Path(__file__).parents[2]
SITE = """
[site]
zone = "Europe/Berlin"
[store]
folder = "book"
[[controllers]]
name = "L1-01"
line = "L1"
station = "10"
protocol = "s7"
layout = "example:ring-s7"
host = "127.0.0.1"
"""


def clampbook(*arguments: str | Path, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "collector", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=30, cwd=cwd, check=False)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    return path


@pytest.fixture
async def tool(site: Path) -> ToolName:
    """A tool with twelve cycles in the site's book."""
    engine = open_book_writer(StoreAddress(folder=site.parent / "book"))
    migrate_book(engine)
    async with Writer(engine) as writer:
        await writer.register([ControllerIdentity("L1-01", "L1", "10", "s7", "ring-s7", "127.0.0.1:102")])
        whole = entry("L1-01", 1, 12)
        await writer.commit(whole)
    return whole.cycles[0].tool


def test_check_says_good_of_the_example_site() -> None:
    """What we hand out passes our own check."""
    done = clampbook("check", "--site", "deploy/example-site.toml")
    assert done.returncode == 0
    assert "good: 3 controllers" in done.stdout


def test_check_names_file_line_and_key(site: Path) -> None:
    """One line a mistake, as editors and people read it; exit code 2."""
    site.write_text(SITE.replace("127.0.0.1", '127.0.0.1"\nracks = "1'))
    done = clampbook("check", "--site", site)
    assert done.returncode == 2
    assert f"{site}:13: controllers[0].racks: " in done.stderr
    assert "rack" in done.stderr


@pytest.mark.parametrize("command", ["run", "collect", "serve"])
def test_a_wrong_site_file_ends_every_command_with_its_mistakes(site: Path, command: str) -> None:
    """Nothing starts on a file that is half understood."""
    site.write_text(SITE.replace("Europe/Berlin", "Berlin"))
    done = clampbook(command, "--site", site)
    assert done.returncode == 2
    assert f"{site}:3: site.zone: 'Berlin' is no IANA time zone" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_address_beyond_this_machine_is_refused_at_start(site: Path) -> None:
    """The API has no tokens yet: one sentence says so, and nothing listens."""
    site.write_text(SITE + '[api]\nhost = "0.0.0.0"\n')
    done = clampbook("serve", "--site", site)
    assert done.returncode == 2
    assert "api.host: '0.0.0.0' is not a loopback address" in done.stderr


def test_cycles_are_a_table_in_a_terminal(site: Path, tool: ToolName) -> None:
    """Newest first, a line each under a head."""
    done = clampbook("cycles", tool.serial, "--last", "5", "--site", site)
    head, *lines = done.stdout.splitlines()
    assert head.split()[:4] == ["ended_at", "id", "result", "completion"]
    assert [line.split()[1] for line in lines] == [f"L1-01.1.{n}" for n in (12, 11, 10, 9, 8)]


def test_cycles_come_as_csv_and_json_when_asked(site: Path, tool: ToolName) -> None:
    """The same cycles with every column, for a program."""
    as_csv = clampbook("cycles", tool.serial, "--last", "500", "--format", "csv", "--site", site)
    rows = list(csv.DictReader(io.StringIO(as_csv.stdout)))
    as_json = json.loads(
        clampbook("cycles", tool.serial, "--last", "500", "--format", "json", "--site", site).stdout
    )
    assert [row["id"] for row in rows] == [each["id"] for each in as_json]
    assert len(rows) == 12
    assert rows[0].keys() == as_json[0].keys()
    assert {"controller_time", "punch_velocity_m_s", "extra"} <= rows[0].keys()


def test_a_book_that_is_not_there_is_a_sentence(site: Path) -> None:
    """What, where, what to do; exit code 1."""
    done = clampbook("cycles", "M-1", "--site", site)
    assert done.returncode == 1
    assert "start the collector first" in done.stderr


def test_an_unknown_tool_is_a_sentence(site: Path, tool: ToolName) -> None:
    """No table of nothing: the serial number is not in the book."""
    done = clampbook("cycles", "nobody", "--site", site)
    assert (done.returncode, done.stdout) == (1, "")
    assert "tool 'nobody' is not in the book" in done.stderr


def test_version_and_help_need_no_site(tmp_path: Path) -> None:
    """Asked anywhere, they answer; every command is in the help."""
    assert clampbook("--version", cwd=tmp_path).stdout == f"clampbook {__version__}\n"
    said = clampbook("--help", cwd=tmp_path).stdout
    for command in ("run", "collect", "serve", "simulate", "check", "cycles"):
        assert f"\n    {command} " in said
    for command in ("serve", "simulate"):
        assert clampbook(command, "--help", cwd=tmp_path).returncode == 0
