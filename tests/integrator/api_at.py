"""The API as a process whose calendar stands where a file says: `python -m tests.integrator.api_at CLOCK …`.

For days that are simulated. Only what is asked of shifts goes by it.
"""

import sys
from datetime import datetime, tzinfo
from pathlib import Path

from api.__main__ import main
from api.resources import statement_status, statements

CLOCK = Path(sys.argv[1])


class Calendar(datetime):
    @classmethod
    def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
        return datetime.fromisoformat(CLOCK.read_text(encoding="utf-8")).astimezone(tz)


if __name__ == "__main__":
    for module in (statements, statement_status):
        module.datetime = Calendar  # type: ignore[attr-defined]
    sys.exit(main(sys.argv[2:]))
