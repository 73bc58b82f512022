"""`clampbook run` starts and watches its processes."""

import asyncio
import os
import signal
import sys
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from collector.supervisor import UNUSABLE, commands, supervise

CHILD = """
import os, signal, socket, sys
{before}
s = socket.create_connection(("127.0.0.1", {port}))
s.sendall(b"%d\\n" % os.getpid())
{then}
"""
STAYS = "s.recv(1)"
STAYS_WITH_PARENT = "sys.stdin.read()"
STUBBORN = "signal.signal(signal.SIGTERM, signal.SIG_IGN)"

Starts = asyncio.Queue[tuple[int, asyncio.StreamReader, asyncio.StreamWriter]]


@pytest.fixture
async def children() -> AsyncIterator[tuple[Starts, Callable[..., list[str]]]]:
    """Each child tells its process id on a connection that lives as long as it does."""
    starts: Starts = asyncio.Queue()
    writers = []

    async def met(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        starts.put_nowait((int(await reader.readline()), reader, writer))

    server = await asyncio.start_server(met, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]

    def command(then: str, before: str = "") -> list[str]:
        return [sys.executable, "-c", CHILD.format(port=port, then=then, before=before)]

    yield starts, command
    server.close()
    for writer in writers:
        writer.close()
        await asyncio.gather(writer.wait_closed(), return_exceptions=True)
    await server.wait_closed()


async def test_a_process_that_dies_is_started_again(
    children: tuple[Starts, Callable[..., list[str]]],
) -> None:
    """Killed from outside, it is there again, and the other one did not notice."""
    starts, command = children
    stop = asyncio.Event()
    watching = asyncio.create_task(supervise({"one": command(STAYS)}, stop))
    first, *_ = await starts.get()
    os.kill(first, signal.SIGKILL)
    second, reader, _ = await starts.get()
    assert second != first
    stop.set()
    assert await watching == 0
    assert await reader.read() == b""


async def test_a_process_that_needs_a_person_ends_the_run(
    children: tuple[Starts, Callable[..., list[str]]],
) -> None:
    """A wrong site file does not get better by starting again: all ends, with the exit code that says so."""
    starts, command = children
    run = {
        "good": command(f"s.recv(1); {STAYS_WITH_PARENT}"),
        "unusable": command(f"s.recv(1); sys.exit({UNUSABLE})"),  # when told, once both have started
    }
    supervising = asyncio.create_task(supervise(run, asyncio.Event()))
    met = [await starts.get() for _ in run]
    for _, _, writer in met:
        writer.write(b"!")
    assert await supervising == UNUSABLE
    for _, reader, _ in met:
        assert await reader.read() == b""


async def test_a_process_that_ran_once_does_not_end_the_run(
    children: tuple[Starts, Callable[..., list[str]]], tmp_path: Path
) -> None:
    """An API whose port was taken meanwhile is tried again, and the collector beside it runs on."""
    starts, command = children
    once = tmp_path / "once"
    unlucky = f"import pathlib; p = pathlib.Path({str(once)!r}); n = p.exists(); p.touch(); sys.exit(1 + n)"
    stop = asyncio.Event()
    watching = asyncio.create_task(supervise({"good": command(STAYS), "unlucky": command(unlucky)}, stop))
    met = [(await starts.get())[0] for _ in range(4)]  # the good one once, the unlucky one three times
    assert len(set(met)) == 4
    assert not watching.done()
    stop.set()
    assert await watching == 0


async def test_a_process_that_ignores_the_signal_is_killed(
    children: tuple[Starts, Callable[..., list[str]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopping takes no longer than its limit."""
    monkeypatch.setattr("collector.supervisor.STOP_WITHIN_S", 0.2)
    starts, command = children
    stop = asyncio.Event()
    watching = asyncio.create_task(supervise({"stubborn": command(STAYS, STUBBORN)}, stop))
    _, reader, _ = await starts.get()
    stop.set()
    assert await watching == 0
    assert await reader.read() == b""


async def test_children_leave_when_the_supervisor_is_killed(
    children: tuple[Starts, Callable[..., list[str]]], tmp_path: Path
) -> None:
    """Their standing input is a pipe from it: a book never has a forgotten writer."""
    starts, command = children
    script = tmp_path / "run.py"
    script.write_text(
        "import asyncio\nfrom collector.supervisor import supervise\n"
        f"asyncio.run(supervise({{'one': {command(STAYS_WITH_PARENT)!r}}}, asyncio.Event()))\n"
    )
    supervisor = await asyncio.create_subprocess_exec(sys.executable, str(script))
    _, reader, _ = await starts.get()
    supervisor.kill()
    await supervisor.wait()
    assert await reader.read() == b""


def test_the_two_processes_of_a_site_are_told_of_their_parent() -> None:
    """Collector and API, each by its module, each leaving with the supervisor."""
    named = commands("plant.toml")
    assert {name: command[2] for name, command in named.items()} == {"collector": "collector", "api": "api"}
    for command in named.values():
        assert command[-1] == "--with-parent"
        assert "plant.toml" in command
