"""Pull what was closed since the last time into tables to add up. Plain Python, nothing to install.

    python nightly.py http://127.0.0.1:8470 counts.sqlite        (a token, if one is needed: CLAMPBOOK_TOKEN)

Exit code 0: every shift that is over is booked. 1: not all, and why; run it again, nothing is counted twice.
"""

import json
import os
import sqlite3
import sys
from contextlib import closing
from http.client import HTTPException
from urllib.error import HTTPError
from urllib.parse import urlencode
from urllib.request import Request, urlopen

STATEMENTS_A_PAGE = 100
TABLES = """
CREATE TABLE IF NOT EXISTS booked
    (line, plant_day, shift, revision, complete, PRIMARY KEY (line, plant_day, shift));
CREATE TABLE IF NOT EXISTS counted (line, plant_day, shift, tool, result, cycles);
CREATE TABLE IF NOT EXISTS place (next);
"""
OF_SHIFT = "WHERE (line, plant_day, shift) = (?, ?, ?)"


def ask(base, after):
    query = urlencode({"after": after, "require": "closed", "last": STATEMENTS_A_PAGE})
    token = os.environ.get("CLAMPBOOK_TOKEN")
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    with urlopen(Request(f"{base}/v1/statements?{query}", headers=headers), timeout=60) as answer:
        return json.load(answer)


def book(db, statement):
    """The highest revision of a shift replaces what was booked of it; it is never added."""
    shift = statement["line"], statement["plant_day"], statement["shift"]
    (known,) = db.execute(f"SELECT revision FROM booked {OF_SHIFT}", shift).fetchone() or (0,)
    if statement["revision"] <= known:
        return
    db.execute(f"DELETE FROM counted {OF_SHIFT}", shift)
    db.execute(
        "INSERT OR REPLACE INTO booked VALUES (?, ?, ?, ?, ?)",
        (*shift, statement["revision"], statement["complete"]),
    )
    for row in statement["rows"]:
        for result, cycles in row["by_result"].items():
            counted = (*shift, row["tool"]["serial"], result, cycles)
            db.execute("INSERT INTO counted VALUES (?, ?, ?, ?, ?, ?)", counted)


def pull(base, db):
    """Page by page; a page and the place behind it are committed together."""
    while True:
        (after,) = db.execute("SELECT next FROM place").fetchone() or ("",)
        try:
            page = ask(base, after)
        except HTTPError as error:
            if error.code != 410:
                raise
            page = None
        with db:
            db.execute("DELETE FROM place")
            if page is None:  # the book was replaced: what it has is pulled anew, from its beginning
                db.execute("DELETE FROM booked")
                db.execute("DELETE FROM counted")
                continue
            for statement in page["items"]:
                book(db, statement)
            db.execute("INSERT INTO place VALUES (?)", (page["next"],))
        if not page["items"]:
            return


def main(base, path):
    with closing(sqlite3.connect(path)) as db:
        db.executescript(TABLES)
        try:
            pull(base, db)
        except HTTPError as error:
            with error:
                print(json.load(error)["detail"], file=sys.stderr)
        except (OSError, HTTPException) as error:
            print(f"the API can't be reached: {error}", file=sys.stderr)
        else:
            return 0
        return 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
