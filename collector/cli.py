"""The command line: parse arguments, load the site, call one function a command. No logic."""

import argparse
import asyncio
import csv
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import orjson

from collector import __version__
from collector.config import load_site
from collector.daemon import collect
from collector.errors import ClampbookError, ConfigError
from collector.processes import start_logging, until_asked_to_stop
from collector.store.engine import open_book_reader, store_errors
from collector.store.queries import find_cycles, find_tool
from collector.supervisor import commands, supervise

FAILED = 1
UNUSABLE = 2
"""A person must change something: a wrong file, a wrong argument."""

ELSEWHERE = {"serve": "api", "simulate": "simulators"}
"""Commands of other packages, run as modules: nothing in this package imports them."""

COLUMNS = (
    "ended_at", "id", "result", "completion", "peak_tension_n", "lock_tension_n", "set_torque_nm",
    "punch_pressure_kpa", "supply_pressure_kpa", "punch_velocity_m_s", "duration_ms", "fault_code",
)  # fmt: skip
"""What the table in a terminal shows; CSV and JSON have every column."""

HIDDEN = ("tool_id", "controller_id", "raw", "commit_number")


def main() -> None:
    arguments = sys.argv[1:]
    if arguments and arguments[0] in ELSEWHERE:
        os.execv(sys.executable, [sys.executable, "-m", ELSEWHERE[arguments[0]], *arguments[1:]])  # noqa: S606
    asked = _parser().parse_args(arguments)
    try:
        code = asked.run(asked)
    except ConfigError as error:
        print(error, file=sys.stderr)
        code = UNUSABLE
    except ClampbookError as error:
        print(f"clampbook: {error}", file=sys.stderr)
        code = FAILED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = FAILED
    sys.exit(code)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="clampbook",
        description="Keeps every cycle of every band-clamp tool on the line, and answers for it.",
        epilog="clampbook only reads controllers. Before touching a tool: isolate air and power, follow the "
        "site's lockout rules and the tool maker's instructions.",
    )
    parser.add_argument("--version", action="version", version=f"clampbook {__version__}")
    command = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    run = command.add_parser("run", help="collector and API as two watched processes")
    run.set_defaults(run=_run)
    collect = command.add_parser("collect", help="the collector alone")
    collect.add_argument("--with-parent", action="store_true", help="end when standard input ends")
    collect.set_defaults(run=_collect)
    command.add_parser("serve", help="the API alone (see clampbook serve --help)")
    command.add_parser("simulate", help="simulated controllers to try it on (see clampbook simulate --help)")
    check = command.add_parser("check", help="validate a site file and its layouts")
    check.set_defaults(run=_check)
    cycles = command.add_parser("cycles", help="a tool's last cycles")
    cycles.add_argument("tool", metavar="TOOL", help="serial number")
    cycles.add_argument("--maker", help="where two makers share the serial number")
    cycles.add_argument("--last", type=_positive, default=20, metavar="N", help="how many, newest first (20)")
    cycles.add_argument("--format", choices=WRITERS, default="table")
    cycles.set_defaults(run=_cycles)
    for each in (run, collect, check, cycles):
        each.add_argument("--site", type=Path, default=Path("site.toml"), metavar="FILE", help="site.toml")
    return parser


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError("must be 1 or more")
    return number


def _run(asked: argparse.Namespace) -> int:
    load_site(asked.site)
    start_logging()

    async def run() -> int:
        return await supervise(commands(str(asked.site)), await until_asked_to_stop())

    return asyncio.run(run())


def _collect(asked: argparse.Namespace) -> int:
    site, layouts = load_site(asked.site)
    start_logging()

    async def run() -> None:
        await collect(site, layouts, await until_asked_to_stop(asked.with_parent))

    asyncio.run(run())
    return 0


def _check(asked: argparse.Namespace) -> int:
    site, layouts = load_site(asked.site)
    kinds = sorted({layout.name for layout in layouts.values()})
    print(f"{asked.site}: good: {len(site.controllers)} controllers, layouts {', '.join(kinds)}")
    return 0


def _cycles(asked: argparse.Namespace) -> int:
    site, _ = load_site(asked.site)
    engine = open_book_reader(site.store_address)
    with store_errors(), engine.connect() as connection:
        tool = find_tool(connection, asked.tool, asked.maker)
        found = find_cycles(connection, tool["tool_id"], last=asked.last)
    WRITERS[asked.format]([{key: row[key] for key in row if key not in HIDDEN} for row in found])
    return 0


def _write_table(rows: Sequence[dict[str, Any]]) -> None:
    cells = [list(COLUMNS), *([_cell(row[name]) for name in COLUMNS] for row in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(len(COLUMNS))]
    for line in cells:
        print("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())


def _cell(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, float):
        return f"{value:.3f}".rstrip("0").rstrip(".")
    return (
        value.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        if hasattr(value, "isoformat")
        else str(value)
    )


def _write_csv(rows: Sequence[dict[str, Any]]) -> None:
    table = csv.writer(sys.stdout)
    if rows:
        table.writerow(rows[0])
    for row in rows:
        table.writerow([orjson.dumps(v).decode() if isinstance(v, dict) else v for v in row.values()])


def _write_json(rows: Sequence[dict[str, Any]]) -> None:
    print(orjson.dumps(rows, option=orjson.OPT_UTC_Z | orjson.OPT_INDENT_2).decode())


WRITERS = {"table": _write_table, "csv": _write_csv, "json": _write_json}
