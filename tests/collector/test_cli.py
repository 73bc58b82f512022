"""The command line, as a person meets it."""

import csv
import io
import json
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import delete

from collector import __version__
from collector.closing import close_line, rules_of
from collector.config import load_site
from collector.model import ControllerIdentity, Position, ToolName
from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer
from collector.store.statements import Seen
from collector.store.tables import cycle
from collector.store.writer import Writer, utc_now
from tests.collector.store.rigs import MORNING, OTHER_TOOL, entry
from tests.collector.store.told import Told

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
    whole = entry("L1-01", 1, 12)
    async with writing(site) as writer:
        await writer.commit(whole)
    return whole.cycles[0].tool


@asynccontextmanager
async def writing(site: Path, now: Callable[[], datetime] = utc_now) -> AsyncIterator[Writer]:
    """The writer of the site's book, which knows two controllers."""
    engine = open_book_writer(StoreAddress(folder=site.parent / "book"))
    migrate_book(engine)
    async with Writer(engine, now) as writer:
        await writer.register(
            [
                ControllerIdentity(name, "L1", "10", "s7", "ring-s7", "127.0.0.1:102")
                for name in ("L1-01", "L1-02")
            ]
        )
        yield writer


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
    """Without TLS: one sentence says so, and nothing listens."""
    site.write_text(SITE + '[api]\nhost = "192.0.2.7"\n')
    done = clampbook("serve", "--site", site)
    assert done.returncode == 2
    assert "api.host: '192.0.2.7' is not a loopback address" in done.stderr


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


# ---- audit -------------------------------------------------------------------------------------------------


async def test_an_audit_of_a_balanced_book_ends_with_0(site: Path) -> None:
    """A row a mount with the members of the equation, and what was counted again."""
    async with writing(site) as writer:
        told = Told(writer)
        await told.begin()
        await told.make(10)
        await told.lose(2)
        await told.swap(OTHER_TOOL)
        await told.change("cleared", 0)
        await told.make(5)
    done = clampbook("audit", "--controller", "L1-01", "--site", site)
    assert (done.returncode, done.stderr) == (0, "")
    first, head, newest, oldest, total, *more = done.stdout.splitlines()
    assert first == "L1-01: balanced"
    assert head.split()[-5:] == ["counter_difference", "cleared", "stored", "in_gaps", "unexplained"]
    assert (newest.split()[0], newest.split()[-5:]) == (OTHER_TOOL.serial, ["-1007", "1012", "5", "0", "0"])
    assert oldest.split()[-5:] == ["12", "0", "10", "2", "0"]
    assert total.split() == ["total", "-995", "1012", "15", "2", "0"]
    said = "\n".join(more)
    assert "the count was cleared at 1.12, between 2026-03-02T06:02:00.000Z and" in said
    assert ": 1012 became 0" in said
    assert "2 in a gap (history overwritten, commit " in said
    assert "the tallies equal a full scan of 15 cycles; every number of 1 epoch is stored" in said


async def test_an_audit_with_something_unexplained_ends_with_1(site: Path) -> None:
    """Whatever can't be stated beside it."""
    async with writing(site) as writer:
        told = Told(writer)
        await told.begin()
        await told.make(10)
        await told.change("unexplained", 1013)
    done = clampbook("audit", "--site", site)
    assert done.returncode == 1
    assert "L1-01: NOT balanced" in done.stdout
    assert "the count rose without cycles at 1.10" in done.stdout
    assert "L1-02: it can't be stated whether it is balanced\n  the book has no cycle" in done.stdout


async def test_an_audit_that_can_not_be_stated_ends_with_2(site: Path) -> None:
    """After a restart that lost the counter, and where there is no book or no such controller."""
    assert clampbook("audit", "--site", site).returncode == 2
    async with writing(site) as writer:
        told = Told(writer)
        await told.begin()
        await told.make(10)
        await told.lose_memory(0)
        await told.make(2)
    done = clampbook("audit", "--controller", "L1-01", "--site", site)
    assert done.returncode == 2
    assert "counter_difference is not known: the controller's count did not go on" in done.stdout
    assert "– in a gap (controller restarted" in done.stdout
    none = clampbook("audit", "--controller", "B-01", "--site", site)
    assert (none.returncode, none.stdout) == (2, "")
    assert "controller 'B-01' is not in the book" in none.stderr


async def test_an_audit_says_where_the_book_contradicts_itself(site: Path) -> None:
    """A cycle that was taken out is missed three times: in its number, in the tallies, in the equation."""
    async with writing(site) as writer:
        told = Told(writer)
        await told.begin()
        await told.make(10)
    engine = open_book_writer(StoreAddress(folder=site.parent / "book"))
    with engine.begin() as connection:
        connection.execute(delete(cycle).where(cycle.c.sequence == 7))
    engine.dispose()
    done = clampbook("audit", "--controller", "L1-01", "--json", "--site", site)
    assert done.returncode == 1
    found = json.loads(done.stdout)
    (audit,) = found["controllers"]
    assert found["balanced"] is audit["balanced"] is False
    assert audit["totals"]["unexplained"] == audit["rows"][0]["unexplained"] == 1
    assert "epoch 1: 7: neither stored nor in an open gap" in audit["mistakes"]
    assert any("the tallies" in mistake for mistake in audit["mistakes"])
    assert "counted again" not in clampbook("audit", "--site", site).stdout.split("\n\n")[0]


async def test_an_audit_names_a_tool_that_two_controllers_show(site: Path) -> None:
    """The equation holds all the same."""
    async with writing(site) as writer:
        for name in ("L1-01", "L1-02"):
            told = Told(writer, name)
            await told.begin()
            await told.make(1)
    done = clampbook("audit", "--site", site)
    assert done.returncode == 0
    assert done.stdout.count("CHECK: tool T-1001 (Nordhaven N40) is shown as mounted on L1-01 since") == 2


def test_version_and_help_need_no_site(tmp_path: Path) -> None:
    """Asked anywhere, they answer; every command is in the help."""
    assert clampbook("--version", cwd=tmp_path).stdout == f"clampbook {__version__}\n"
    said = clampbook("--help", cwd=tmp_path).stdout
    for command in ("run", "collect", "serve", "simulate", "check", "cycles", "audit", "restored", "token"):
        assert f"\n    {command} " in said
    for command in ("serve", "simulate"):
        assert clampbook(command, "--help", cwd=tmp_path).returncode == 0


async def close_a_day(site: Path) -> None:
    """The day of the cycles is over, its controller was read through, and one pass was made."""
    whole = entry("L1-01", 1, 12)
    after = whole.cycles[-1].ended_at + timedelta(days=1)
    async with writing(site, lambda: MORNING) as writer:
        await writer.commit(replace(whole, position=Position(1, 12, None, after)))
        loaded, layouts = load_site(site)
        reader = open_book_reader(loaded.store_address)
        await close_line(reader, writer, rules_of(loaded, layouts, "L1"), Seen(), lambda: after)
        reader.dispose()


async def test_restored_makes_the_book_another_instance(site: Path) -> None:
    """And says what integrators have to do; not while a collector writes it, and not without a book."""
    none = clampbook("restored", "--site", site)
    assert (none.returncode, none.stdout) == (1, "")
    assert "there is no book of this version yet" in none.stderr
    async with writing(site) as writer:
        refused = clampbook("restored", "--site", site)
        assert refused.returncode == 1
        assert "another collector writes this book" in refused.stderr
        before = writer.instance
    done = clampbook("restored", "--site", site)
    assert (done.returncode, done.stderr) == (0, "")
    assert f"up to commit 0 it was {before}" in done.stdout
    assert "pull the statements of every plant day that it has booked again" in done.stdout
    async with writing(site) as writer:
        assert f"The book is instance {writer.instance} from here on" in done.stdout


async def test_verify_counts_every_statement_again(site: Path) -> None:
    """Exit code 0 and one sentence with the hash to note; for a program the same as JSON."""
    await close_a_day(site)
    done = clampbook("verify", "--site", site)
    assert (done.returncode, done.stderr) == (0, "")
    assert "1 statements of 1 lines: the chain is unbroken" in done.stdout
    told = json.loads(clampbook("verify", "--site", site, "--json").stdout)
    assert (told["verified"], told["mistakes"]) == (True, [])
    assert told["head"] in done.stdout


async def test_verify_finds_what_was_changed(site: Path) -> None:
    """Exit code 1, and what is wrong in words."""
    await close_a_day(site)
    engine = open_book_writer(StoreAddress(folder=site.parent / "book"))
    with engine.begin() as connection:
        connection.execute(delete(cycle).where(cycle.c.sequence == 5))
    engine.dispose()
    done = clampbook("verify", "--site", site)
    assert done.returncode == 1
    assert "WRONG: L1, 2026-03-02, day, revision 1: tool T-1001 on L1-01" in done.stdout


async def test_verify_without_a_statement_or_a_book_is_no_verdict(site: Path) -> None:
    """Exit code 2, not 0: nothing was verified."""
    done = clampbook("verify", "--site", site)
    assert (done.returncode, "there is no book" in done.stderr) == (2, True)
    async with writing(site):
        pass
    done = clampbook("verify", "--site", site)
    assert (done.returncode, done.stdout) == (2, "no shift is closed yet\n")
