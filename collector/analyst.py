"""The analysis as a process of its own, `python -m collector.analyst`, which the collector starts and ends
(`watcher`): nothing that it does can make a poller late.

It reads lines of JSON and answers each with a line of JSON; it ends with its input.

    in    the site, and where its file lies                         once
    out   {}                                                        once, when it is ready
    in    the mark of the last look that was stored; null: look at everything
    out   {"mark": …, "begins": [ … ], "ends": [ … ]}

A mark says what has been looked at: a tool is looked at again when it has new cycles or its services are
others, and what is said of a tool on a controller ends when it leaves. The process only reads: the book,
and the desk where there is one.
"""

import logging
import os
import signal
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import IO, Any

import orjson

from collector.analysis.before_after import OF_WINDOWS
from collector.analysis.causes import FaultCodes
from collector.analysis.findings import look, look_at_no_service, look_at_service
from collector.analysis.noticed import Expected, Holds, Over, Restart, Subject
from collector.analysis.run_length import designed_for
from collector.config import Site
from collector.errors import StoreError
from collector.model import ToolName
from collector.processes import start_logging
from collector.store.desk import find_service_dates
from collector.store.engine import open_book_reader, open_desk_reader, store_errors
from collector.store.findings import (
    FindingEnd,
    Mounted,
    NewFinding,
    find_changed,
    find_findings,
    find_left,
    find_mounted,
    find_nth_after,
)
from collector.store.measures import cycles_of, find_last_restart, find_series
from collector.store.queries import Record, find_book
from collector.store.tables import from_us, to_us
from collector.store.tallies import count_between

log = logging.getLogger(__name__)

NICENESS = 10
NEWEST, OLDEST = 3000, 500
"""Cycles of a tool that are looked at: its newest, and the first since its last restart."""
LATEST = datetime(9999, 12, 31, tzinfo=UTC)
Mark = dict[str, Any]
OpenSince = Mapping[Subject, datetime]
Changes = tuple[list[Holds], list[Over]]


@dataclass(frozen=True, slots=True)
class Look:
    """What one look came to."""

    begins: list[NewFinding]
    ends: list[FindingEnd]
    mark: Mark


class Analyst:
    """Looks at a site's book. Everything is read anew at each look, so it can be ended at any moment."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._design = designed_for(site.analysis.values_between_false_alarms)  # may take some seconds
        self._book = open_book_reader(site.store_address)
        self._desk = open_desk_reader(site.store_address)
        self._failed: set[ToolName] = set()

    def close(self) -> None:
        self._book.dispose()
        self._desk.dispose()

    def look(self, mark: Mark | None) -> Look:
        """Raises: StoreError: the book can't be read."""
        known = self._find_services()
        with store_errors(), self._book.connect() as connection:
            book = find_book(connection)
            if mark is not None and mark["commit_number"] > book["commit_number"]:
                mark = None  # the book went back to an earlier state
            mounted = find_mounted(connection)
            open_now = find_findings(connection, state="open", last=None)
            left = find_left(connection, mounted, open_now)
            changed = find_changed(connection, mark["commit_number"]) if mark else set()
        tools = {each.tool_id: each.tool for each in mounted}
        tools |= {row["tool_id"]: ToolName(row["maker"], row["model"], row["serial"]) for row in open_now}
        seen = mark["services"] if mark else {}
        services = known
        if services is None:
            services = {name: [from_us(at) for at in seen.get(str(id_), ())] for id_, name in tools.items()}
        served = {str(id_): [to_us(at) for at in services.get(name, ())] for id_, name in tools.items()}
        changed |= {id_ for id_ in tools if mark is None or served[str(id_)] != seen.get(str(id_))}
        found = Look([], left, {"commit_number": book["commit_number"], "services": served})
        for each in mounted:
            if each.tool_id in changed:
                judge = partial(self._judge_cycles, each, services.get(each.tool, ()))
                self._judge(found, open_now, (each.tool_id, each.controller_id), each.tool, judge)
        for tool_id, name in tools.items():
            done = services.get(name)
            # the cycles since a service before the book was begun are in nobody's book
            if tool_id in changed and done and done[-1] >= book["created_at"]:
                judge = partial(self._judge_service, tool_id, name, done[-1])
                self._judge(found, open_now, (tool_id, None), name, judge)
            elif tool_id in changed and known is not None:
                self._judge(found, open_now, (tool_id, None), name, look_at_no_service)
        return found

    def _judge(
        self,
        found: Look,
        open_now: Sequence[Record],
        ids: tuple[int, int | None],
        name: ToolName,
        judge: Callable[[OpenSince], Changes],
    ) -> None:
        """A mistake of ours about one tool must not hide the findings about the others."""
        tool_id, controller_id = ids
        rows = {
            Subject(row["kind"], row["measure"]): row
            for row in open_now
            if (row["tool_id"], row["controller_id"]) == ids
        }
        try:
            begins, ends = judge({subject: row["began_at"] for subject, row in rows.items()})
        except StoreError:
            raise
        except Exception:
            if name not in self._failed:
                log.exception("the cycles of tool %s can't be looked at: a mistake of our own", name.serial)
            self._failed.add(name)
            return
        for each in begins:
            kind, measure = each.subject
            found.begins.append(
                NewFinding(kind, controller_id, tool_id, measure, each.says, each.evidence, each.began_at)
            )
        for over in ends:
            number = rows[over.subject]["commit_number"]
            found.ends.append(FindingEnd(number, over.ended_at, over.because))

    def _judge_cycles(self, mounted: Mounted, services: Sequence[datetime], open_since: OpenSince) -> Changes:
        with store_errors(), self._book.connect() as connection:
            last = find_last_restart(connection, mounted.tool_id, services)
            restart = Restart(last.seen_at, last.says) if last else None
            newest = find_series(
                connection,
                mounted.tool_id,
                OF_WINDOWS,
                last=NEWEST,
                controller_name=mounted.controller,
                working_only=False,
            )
            if len(newest) < NEWEST:
                cycles = cycles_of(newest)
            else:
                oldest = find_series(
                    connection,
                    mounted.tool_id,
                    OF_WINDOWS,
                    first=OLDEST,
                    since=restart.at if restart else None,
                    until=newest.at(0),
                    controller_name=mounted.controller,
                    working_only=False,
                )
                cycles = cycles_of(oldest, newest)
        return look(cycles, restart, mounted.settings, self._expected(mounted.tool), open_since)

    def _judge_service(
        self, tool_id: int, name: ToolName, done_at: datetime, open_since: OpenSince
    ) -> Changes:
        model = self._site.tool_model(name.maker, name.model)
        span = model.service_cycle_span if model else None
        with store_errors(), self._book.connect() as connection:
            made = sum(count.cycles for count in count_between(connection, tool_id, done_at, LATEST))
            reached_at = None if span is None else find_nth_after(connection, tool_id, done_at, span)
        return look_at_service(done_at, made, span, reached_at, open_since)

    def _expected(self, name: ToolName) -> Expected:
        model = self._site.tool_model(name.maker, name.model)
        told = self._site.analysis
        return Expected(
            design=self._design,
            bands={each.name: each.band for each in self._site.bands},
            least_supply_kpa=told.least_supply_kpa,
            codes=FaultCodes(told.no_band_codes, told.not_formed_codes),
            wheel=model.wheel if model else None,
        )

    def _find_services(self) -> dict[ToolName, list[datetime]] | None:
        """None where there is no desk, or it can't be read now: then those of the look before count."""
        with suppress(StoreError), store_errors(), self._desk.connect() as connection:
            return find_service_dates(connection)
        return None


# ---- the process -------------------------------------------------------------------------------------------


def work(asks: IO[bytes], answers: IO[bytes]) -> None:
    """Answer until the input ends. Raises: StoreError: the book can't be read."""
    told = orjson.loads(asks.readline())
    with closing(Analyst(Site.of(told["site"], Path(told["path"])))) as analyst:
        _answer(answers, {})
        for line in asks:
            found = analyst.look(orjson.loads(line))
            begins, ends = ([_plain(each) for each in part] for part in (found.begins, found.ends))
            _answer(answers, {"mark": found.mark, "begins": begins, "ends": ends})


def _plain(found: NewFinding | FindingEnd) -> dict[str, Any]:
    """Instants in µs since 1970."""
    parts = {name: getattr(found, name) for name in found.__dataclass_fields__}
    return {name: to_us(value) if isinstance(value, datetime) else value for name, value in parts.items()}


def _answer(answers: IO[bytes], content: Mapping[str, Any]) -> None:
    answers.write(orjson.dumps(content) + b"\n")
    answers.flush()


def main() -> None:
    """It gives way to everything else, and leaves Ctrl-C to the collector, which then ends it."""
    os.nice(NICENESS)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    start_logging()
    try:
        work(sys.stdin.buffer, sys.stdout.buffer)
    except BrokenPipeError:
        os._exit(1)  # the collector is gone: there is nobody to answer
    except StoreError as error:
        log.warning("the analysis can't read the store: %s", error)
        sys.exit(1)


if __name__ == "__main__":
    main()
