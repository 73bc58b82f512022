"""The command line: parse arguments, load the site, call one function a command. No logic."""

import argparse
import asyncio
import csv
import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import orjson

from collector import __version__
from collector.config import load_site
from collector.daemon import collect
from collector.errors import BookDamaged, ClampbookError, ConfigError
from collector.processes import start_logging, until_asked_to_stop
from collector.store.audit import find_audits, verdict
from collector.store.engine import (
    declare_desk_restored,
    declare_restored,
    open_book_reader,
    open_book_writer,
    open_desk,
    store_errors,
)
from collector.store.queries import Record, find_cycles, find_tool
from collector.store.reconciliation import COUNTED
from collector.store.verification import find_verification
from collector.supervisor import commands, supervise
from collector.token_commands import add_token_commands

FAILED = 1
UNUSABLE = 2
"""A person must change something: a wrong file, a wrong argument, a damaged book."""

ELSEWHERE = {"serve": "api", "simulate": "simulators"}
"""Commands of other packages, run as modules: nothing in this package imports them."""

COLUMNS = (
    "ended_at", "id", "result", "completion", "peak_tension_n", "lock_tension_n", "set_torque_nm",
    "punch_pressure_kpa", "supply_pressure_kpa", "punch_velocity_m_s", "duration_ms", "fault_code",
)  # fmt: skip
"""What the table in a terminal shows; CSV and JSON have every column."""

HIDDEN = ("tool_id", "controller_id", "raw", "commit_number")

AUDITED = ("tool", "mounted_at", "unmounted_at", "begin", "end", *COUNTED)
"""What the table of an audit shows."""

HAPPENED = {
    "cleared": "the count was cleared",
    "entered": "another count was entered",
    "unexplained": "the count rose without cycles",
    "lost": "the count did not go on",
}

VERDICTS = {True: 0, False: 1, None: 2}
"""Exit code of an audit: balanced, something unexplained, can't be stated."""


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
        code = UNUSABLE if isinstance(error, BookDamaged) else FAILED
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
    audit = command.add_parser(
        "audit",
        help="the book against the controllers' own counts, and against itself",
        epilog="Exit code: 0 balanced, 1 something is unexplained or wrong, 2 it can't be stated.",
    )
    audit.add_argument("--controller", metavar="NAME", help="this one only")
    audit.add_argument("--json", action="store_true", help="for a program")
    audit.set_defaults(run=_audit)
    verify = command.add_parser(
        "verify",
        help="the closed shifts: their chain of hashes, and every count again from the cycles",
        epilog="Exit code: 0 all is as it was stated, 1 something is wrong, 2 there is nothing to verify.",
    )
    verify.add_argument("--json", action="store_true", help="for a program")
    verify.set_defaults(run=_verify)
    restored = command.add_parser(
        "restored",
        help="say that book and desk were put back to an earlier state, where clampbook can't notice",
        epilog="After a disk image, a snapshot or the rows of a database were put back; files and dumps that "
        "were put back are noticed at the next start. Collector and API must not run meanwhile.",
    )
    restored.set_defaults(run=_restored)
    token = command.add_parser("token", help="who may ask the API: create, list, revoke")
    tokens = add_token_commands(token, _write_table)
    for each in (run, collect, check, cycles, audit, verify, restored, *tokens):
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


def _audit(asked: argparse.Namespace) -> int:
    site, _ = load_site(asked.site)
    try:
        engine = open_book_reader(site.store_address)
        with store_errors(), engine.connect() as connection:
            found = list(find_audits(connection, asked.controller))
    except ClampbookError as error:
        print(f"clampbook: {error}", file=sys.stderr)
        return VERDICTS[None]
    balanced = verdict(found)
    if asked.json:
        _write_json({"balanced": balanced, "controllers": [_without_ids(each) for each in found]})
    else:
        for each in found:
            _write_audit(each)
    return VERDICTS[balanced]


def _verify(asked: argparse.Namespace) -> int:
    site, _ = load_site(asked.site)
    try:
        engine = open_book_reader(site.store_address)
        with store_errors(), engine.connect() as connection:
            found = find_verification(connection)
    except ClampbookError as error:
        print(f"clampbook: {error}", file=sys.stderr)
        return VERDICTS[None]
    if asked.json:
        _write_json(found)
        return VERDICTS[found["verified"]]
    if found["verified"] is None:
        print("no shift is closed yet")
    elif found["verified"]:
        print(
            f"{found['statements']} statements of {len(found['lines'])} lines: the chain is unbroken, every "
            f"count follows from the cycles; the last hash is {found['head']}"
        )
    for line in found["mistakes"]:
        print(f"  WRONG: {line}")
    for line in found["pending"]:
        print(f"  TO COME: {line}")
    return VERDICTS[found["verified"]]


def _restored(asked: argparse.Namespace) -> int:
    site, _ = load_site(asked.site)
    engine = open_book_writer(site.store_address)
    desk = open_desk(site.store_address)
    try:
        now_is = declare_restored(engine)
        declare_desk_restored(desk)
    finally:
        engine.dispose()
        desk.dispose()
    before, last = now_is.former[-1]
    print(
        f"The book is instance {now_is.instance} from here on; up to commit {last} it was {before}.\n"
        "Start the collector. Every integrator is refused with 410 (book-replaced) the next time: it has to "
        "pull the statements of every plant day that it has booked again, and replace what it booked of it, "
        "whatever its revision. Webhooks and the broker are told on by themselves. Services and "
        "acknowledgements are told anew."
    )
    return 0


def _without_ids(found: Any) -> Any:
    """Without the numbers that the book gives to controllers and tools for itself."""
    if isinstance(found, dict):
        return {
            name: _without_ids(value)
            for name, value in found.items()
            if name not in ("controller_id", "tool_id")
        }
    return [_without_ids(each) for each in found] if isinstance(found, list) else found


def _write_audit(audit: Record) -> None:
    says = {True: "balanced", False: "NOT balanced", None: "it can't be stated whether it is balanced"}
    print(f"{audit['controller']}: {says[audit['balanced']]}")
    for reason in audit["unknown"].values():
        print(f"  {reason}")
    rows = [_audited(row) for row in audit["rows"]]
    if len(rows) > 1:
        rows.append(dict.fromkeys(AUDITED, "") | {"tool": "total", **audit["totals"]})
    if rows:
        _write_table(rows, AUDITED)
    for row in audit["rows"]:
        for line in _items(row):
            print(f"  {line}")
    epochs = f"{len(audit['epochs'])} epoch" + ("" if len(audit["epochs"]) == 1 else "s")
    if not audit["mistakes"]:
        print(
            f"  counted again: the tallies equal a full scan of {audit['cycles']} cycles; every number of "
            f"{epochs} is stored or in an open gap"
        )
    for line in audit["mistakes"]:
        print(f"  WRONG: {line}")
    for line in audit["conflicts"]:
        print(f"  CHECK: {line}")
    print()


def _audited(row: Record) -> Record:
    mount = row["mount"]
    return {
        "tool": "no tool" if mount is None else mount["serial"],
        "mounted_at": "" if mount is None else mount["mounted_at"],
        "unmounted_at": "" if mount is None or mount["unmounted_at"] is None else mount["unmounted_at"],
        **{name: f"{row[name]['epoch']}.{row[name]['sequence']}" for name in ("begin", "end")},
        **{name: row[name] for name in COUNTED},
    }


def _items(row: Record) -> Iterator[str]:
    """What explains a row, and why a number of it is not known."""
    where = f"up to {row['end']['epoch']}.{row['end']['sequence']}"
    for each in row["count_changes"]:
        between = f"between {_cell(each['after_at'])} and {_cell(each['noticed_at'])}"
        at = f"at {each['epoch']}.{each['sequence']}"
        became = f"{_cell(each['expected'])} became {each['found']}"
        yield f"{where}: {HAPPENED[each['kind']]} {at}, {between}: {became}"
    for each in row["gaps"]:
        yield f"{where}: {_cell(each['cycles'])} in a gap ({each['reason']}, commit {each['commit_number']})"
    for name, reason in row["unknown"].items():
        if name in ("counter_difference", "in_gaps"):
            yield f"{where}: {name} is not known: {reason}"


def _write_table(rows: Sequence[Record], columns: Sequence[str] = COLUMNS) -> None:
    cells = [list(columns), *([_cell(row[name]) for name in columns] for row in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(len(columns))]
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


def _write_csv(rows: Sequence[Record]) -> None:
    table = csv.writer(sys.stdout)
    if rows:
        table.writerow(rows[0])
    for row in rows:
        table.writerow([orjson.dumps(v).decode() if isinstance(v, dict) else v for v in row.values()])


def _write_json(found: Any) -> None:
    print(orjson.dumps(found, option=orjson.OPT_UTC_Z | orjson.OPT_INDENT_2).decode())


WRITERS = {"table": _write_table, "csv": _write_csv, "json": _write_json}
