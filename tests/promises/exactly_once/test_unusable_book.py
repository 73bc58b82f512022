"""Promise: a book that can't be written, or is damaged, ends the collector with a sentence that says what to
do; once damage is met, nothing more is written.
"""

import asyncio
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from collector.store.engine import SQLITE, StoreAddress, migrate_book, open_book_writer
from collector.store.writer import Writer
from simulators.plant import Plant
from simulators.scenario import SCENARIOS, load_scenario
from tests.collector.store.rigs import IDENTITIES, entry
from tests.processes import came_by, ended, eventually, free_port, running, site_of

SITE = """
[site]
zone = "Europe/Berlin"
[store]
folder = "book"
[[controllers]]
name = "L1-01"
line = "L1"
station = "10"
protocol = "modbus"
layout = "example:ring-modbus"
host = "127.0.0.1"
port = {port}
"""
DAMAGED = "clampbook: the database is damaged; stop the collector and restore the last backup"


@pytest.fixture
async def site(tmp_path: Path) -> Path:
    """A site with some hundred cycles in its book, and nobody at the controller's address."""
    engine = open_book_writer(StoreAddress(folder=tmp_path / "book"))
    migrate_book(engine)
    async with Writer(engine) as writer:
        await writer.register(IDENTITIES)
        await writer.commit(entry("L1-01", 1, 400))
    path = tmp_path / "site.toml"
    path.write_text(SITE.format(port=free_port()))
    return path


def collect(site: Path) -> tuple[int, str]:
    """Exit code and last line of a collector that ends by itself; no traceback comes before it."""
    command = [sys.executable, "-m", "collector", "collect", "--site", str(site)]
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, timeout=20)
    assert "Traceback" not in done.stdout
    return done.returncode, done.stdout.splitlines()[-1]


# ---- it can't be written -----------------------------------------------------------------------------------


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """By the rights; for root, who would not care, by a mount."""
    if os.geteuid() != 0:
        folder.chmod(0o555)
        yield
        folder.chmod(0o755)
        return
    binding = ["mount", "--bind", str(folder), str(folder)]
    mounting = subprocess.run(binding, capture_output=True, text=True)
    if mounting.returncode != 0:
        pytest.skip(f"NOT TESTED: this root can't mount ({mounting.stderr.strip()})")
    try:
        subprocess.run(["mount", "-o", "remount,ro,bind", str(folder)], check=True)
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_a_folder_that_cant_be_written_is_told_at_start(site: Path) -> None:
    """And it can be read all the same."""
    book = site.parent / "book"
    with read_only(book):
        code, says = collect(site)
    assert code != 0
    assert says.startswith(f"clampbook: the folder {book} can't be written; check its rights")


def test_a_folder_that_cant_be_made_is_told_at_start(site: Path) -> None:
    """Somebody gave a file where a folder is meant."""
    site.write_text(site.read_text().replace('folder = "book"', 'folder = "site.toml/book"'))
    code, says = collect(site)
    assert code != 0
    assert says.startswith(f"clampbook: the folder {site}/book can't be made; check the store's folder")


# ---- it is damaged -----------------------------------------------------------------------------------------


def flip(book: Path, begin: int, end: int) -> None:
    """Flip every bit of these bytes."""
    data = bytearray(book.read_bytes())
    data[begin:end] = bytes(byte ^ 0xFF for byte in data[begin:end])
    book.write_bytes(data)


def flip_root_page(book: Path, table: str) -> None:
    """Damage a table in the one page through which everything in it is found."""
    with closing(SQLITE.connect(book)) as connection:
        (size,) = connection.execute("PRAGMA page_size").fetchone()
        sought = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", [table])
        (page,) = sought.fetchone()
    flip(book, (page - 1) * size, page * size)


def cycles_in(book: Path) -> list[tuple[int, int, int]]:
    """Controller, epoch and number of each. A gap may still go in: its commit touches no count."""
    with closing(SQLITE.connect(book)) as connection:
        found = connection.execute("SELECT controller_id, epoch, sequence FROM cycle ORDER BY 1, 2, 3")
        return list(found.fetchall())


def test_a_file_that_is_no_book_is_told_and_left_as_it_is(site: Path) -> None:
    """Its head is damaged, or it is something else."""
    book = site.parent / "book" / "book.sqlite"
    flip(book, 0, 100)
    before = book.read_bytes()
    says = "clampbook: the file is not a database; stop the collector and restore the last backup"
    code, last_line = collect(site)
    assert (code, last_line[: len(says)]) == (2, says)
    assert book.read_bytes() == before


@pytest.mark.parametrize("table", ["alembic_version", "controller", "position", "cycle"])
def test_damage_that_is_met_at_start_ends_the_collector(site: Path, table: str) -> None:
    """In what the collector reads before it begins."""
    flip_root_page(site.parent / "book" / "book.sqlite", table)
    code, says = collect(site)
    assert (code, says[: len(DAMAGED)]) == (2, DAMAGED)


async def test_damage_that_is_met_later_ends_the_collector(tmp_path: Path) -> None:
    """In what only a commit touches: no cycle goes into the book any more, of no controller."""
    address = StoreAddress(folder=tmp_path / "book")
    async with Plant(load_scenario(SCENARIOS / "fast.toml"), speed=0.25) as plant:
        site = site_of(plant, tmp_path)
        async with running("collector", "collect", "--site", str(site), log=tmp_path / "log") as process:
            for name in plant.cabinets:
                await plant.wait_for_cycles(name, 1)
            await eventually(came_by(plant, address), "the book has the first cycles")
            assert await ended(process) == 0
        before = cycles_in(tmp_path / "book" / "book.sqlite")
        flip_root_page(tmp_path / "book" / "book.sqlite", "tally")
        async with running("collector", "collect", "--site", str(site), log=tmp_path / "log 2") as process:
            async with asyncio.timeout(30):
                assert await process.wait() == 2
    lines = (tmp_path / "log 2").read_text(encoding="utf-8").splitlines()
    assert lines[-1].startswith(DAMAGED)
    assert not [line for line in lines if "Traceback" in line]
    assert cycles_in(tmp_path / "book" / "book.sqlite") == before
