"""What is on the desk already: exports, one done, one failed, one to give up; and a receipt to take back."""

from datetime import UTC, datetime
from hashlib import sha256

from fastapi import FastAPI

from collector.store.receipts import keep_receipt
from collector.store.tables import export

DONE, FAILED, SPARE = "aaaaaaaaaaaa", "bbbbbbbbbbbb", "cccccccccccc"
CONTENT = b"commit_number,controller\r\n"


LEFT = "left"
"""A consumer."""


def with_exports(app: FastAPI, token_id: str | None = None) -> None:
    """As if that token had asked for them."""
    now = datetime.now(UTC)
    asked = {
        "token_id": token_id, "what": "gaps", "format": "csv", "begins_at": now, "ends_at": now,
        "filters": "{}", "attempts": 1, "asked_at": now, "over_at": now,
    }  # fmt: skip
    made = {
        "state": "done", "book": "book", "commit_number": 7, "rows": 0, "bytes": len(CONTENT),
        "sha256": sha256(CONTENT).hexdigest(),
    }  # fmt: skip
    folder = app.state.exporter.folder
    folder.mkdir(exist_ok=True)
    with app.state.stores.desk() as desk:
        for export_id in (DONE, SPARE):
            desk.execute(export.insert().values(export_id=export_id, **asked, **made))
            (folder / f"{export_id}.csv").write_bytes(CONTENT)
        keep_receipt(desk, LEFT, token_id=None, lines=None, line=None, book="book", commit_number=7, now=now)
        failed = {"state": "failed", "says": "there was no room"}
        desk.execute(export.insert().values(export_id=FAILED, **asked, **failed))
