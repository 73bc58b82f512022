"""The tables of the two files: the *book* (what controllers said; written by the collector alone) and the
*desk* (what people record; written by the API alone). On PostgreSQL the two are schemas of the same names.

Instants are microseconds since 1970 in UTC, in a BIGINT on every database: one meaning, exact, cheap to
bucket; the type `Instant` turns them into aware datetimes at the edge of SQLAlchemy. `commit_number` is
gap-free within one book, and within one desk.
"""

from datetime import UTC, datetime, timedelta
from typing import Any, Literal

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.types import TypeDecorator

Room = Literal["book", "desk"]
"""A file, or a schema."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)


def to_us(at: datetime) -> int:
    """Microseconds since 1970, exact. Raises: TypeError: a naive datetime."""
    return (at - EPOCH) // MICROSECOND


def from_us(us: int) -> datetime:
    return EPOCH + timedelta(microseconds=us)


class Instant(TypeDecorator[datetime]):
    """An aware datetime, stored as microseconds since 1970 in UTC."""

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> int | None:
        return None if value is None else to_us(value)

    def process_result_value(self, value: int | None, dialect: Any) -> datetime | None:
        return None if value is None else from_us(value)


BOOK = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    }
)
DESK = MetaData(naming_convention=BOOK.naming_convention)

# One row: the identity of this book and the last commit number given out.
book = Table(
    "book",
    BOOK,
    Column("instance", Text, primary_key=True),
    Column("created_at", Instant, nullable=False),
    Column("since", Instant, nullable=False),  # when it became this instance
    Column("commit_number", BigInteger, nullable=False),
    Column("home", Text, nullable=False),  # JSON: in which file or database it lies, see instances.py
)

# What instances the book was before, in that order: it was restored from a backup, or copied.
former_instance = Table(
    "former_instance",
    BOOK,
    Column("place", Integer, primary_key=True),
    Column("instance", Text, nullable=False, unique=True),
    Column("since", Instant, nullable=False),
    Column("until", Instant, nullable=False),
    Column("last_commit", BigInteger, nullable=False),  # what is up to there has its number from then
    Column("because", Text, nullable=False),
)

controller = Table(
    "controller",
    BOOK,
    Column("controller_id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("line", Text, nullable=False),
    Column("station", Text, nullable=False),
    Column("protocol", Text, nullable=False),
    Column("layout", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("serial", Text),  # the controller's own identity, as it told it; '': it moved to another place
)

# One row a controller: how far the book has got. Committed together with the cycles that it covers.
position = Table(
    "position",
    BOOK,
    Column("controller_id", ForeignKey("controller.controller_id"), primary_key=True, autoincrement=False),
    Column("epoch", Integer, nullable=False),
    Column("sequence", BigInteger, nullable=False),
    Column("total_count", BigInteger),
    Column("read_through_at", Instant),
)

# One row for each stretch in which a controller's sequence only goes up, with the identity that it had then.
epoch = Table(
    "epoch",
    BOOK,
    Column("controller_id", ForeignKey("controller.controller_id"), primary_key=True, autoincrement=False),
    Column("epoch", Integer, primary_key=True, autoincrement=False),
    Column("serial", Text),  # NULL: it tells none
    Column("noticed_at", Instant, nullable=False),
    Index(None, "serial"),
)

# One row a controller: the latest status and the state of the link.
controller_status = Table(
    "controller_status",
    BOOK,
    Column("controller_id", ForeignKey("controller.controller_id"), primary_key=True, autoincrement=False),
    Column("link_state", Text),
    Column("link_since", Instant),
    Column("last_error", Text),
    Column("last_error_at", Instant),
    Column("bad_replies", Text),  # JSON: kind -> number
    Column("reconnects", Integer),
    Column("read_at", Instant),
    Column("last_sequence", Text),  # up to 64 bits without a sign
    Column("mode", Text),
    Column("state", Text),
    Column("emergency_stop", Boolean),
    Column("total_count", BigInteger),
    Column("count_since_cleared", BigInteger),
    Column("controller_clock", Text),  # as the controller says it, ISO 8601
    Column("clock_offset_ms", Double),
    Column("clock_uncertainty_ms", Double),
    Column("clock_drift_ppm", Double),
    Column("clock_stands_still", Boolean),
    Column("supply_pressure_kpa", Double),
    Column("settings", Text),  # JSON
    Column("extra", Text),  # JSON
)

tool = Table(
    "tool",
    BOOK,
    Column("tool_id", Integer, primary_key=True),
    Column("maker", Text, nullable=False),
    Column("model", Text, nullable=False),
    Column("serial", Text, nullable=False),
    Column("first_seen_at", Instant, nullable=False),
    UniqueConstraint("serial", "maker", "model"),
)

mount = Table(
    "mount",
    BOOK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("controller_id", ForeignKey("controller.controller_id"), nullable=False),
    Column("tool_id", ForeignKey("tool.tool_id"), nullable=False),
    Column("mounted_at", Instant, nullable=False),
    Column("unmounted_at", Instant),  # NULL: still there
    # The tool's cycles are those after the first mark, up to the second; NULL: no cycle was known yet.
    Column("after_epoch", Integer),
    Column("after_sequence", BigInteger),
    Column("after_count", BigInteger),  # the controller's own count there
    Column("until_epoch", Integer),
    Column("until_sequence", BigInteger),
    Column("until_count", BigInteger),
    Index(None, "controller_id", "mounted_at"),
    Index(None, "tool_id", "mounted_at"),
)

# The natural key is what makes "exactly once" true. No foreign key from curve to cycle: either may be
# partitioned one day.
cycle = Table(
    "cycle",
    BOOK,
    Column("controller_id", ForeignKey("controller.controller_id"), primary_key=True, autoincrement=False),
    Column("epoch", Integer, primary_key=True, autoincrement=False),
    Column("sequence", BigInteger, primary_key=True, autoincrement=False),
    Column("commit_number", BigInteger, nullable=False),
    Column("tool_id", ForeignKey("tool.tool_id"), nullable=False),
    Column("ended_at", Instant, nullable=False),
    Column("time_uncertainty_ms", Double),
    Column("controller_time", Text),  # as the controller said it, ISO 8601
    Column("result", Text, nullable=False),
    Column("completion", Text, nullable=False),
    Column("mode", Text, nullable=False),
    Column("fault_code", Text),
    Column("part_id", Text),
    Column("band", Text),
    Column("duration_ms", Double),
    Column("take_up_ms", Double),
    Column("peak_tension_n", Double),
    Column("lock_tension_n", Double),
    Column("seating_loss_n", Double),
    Column("set_torque_nm", Double),
    Column("tension_speed_mm_s", Double),
    Column("punch_pressure_kpa", Double),
    Column("supply_pressure_kpa", Double),
    Column("punch_velocity_m_s", Double),
    Column("total_count", BigInteger),
    Column("extra", Text),  # JSON, NULL where there is nothing extra
    Column("raw", LargeBinary, nullable=False),
    Column("brought_by", Text),  # what brought it late: "log file L1-07.csv"; NULL: it came in its order
    Index(None, "commit_number", unique=True),
    Index(None, "tool_id", "ended_at", "controller_id", "epoch", "sequence"),
    Index(None, "controller_id", "ended_at"),
)

# `ended_at` is the cycle's, frozen: it is in the key so that the table can be partitioned by month.
curve = Table(
    "curve",
    BOOK,
    Column("controller_id", ForeignKey("controller.controller_id"), primary_key=True, autoincrement=False),
    Column("epoch", Integer, primary_key=True, autoincrement=False),
    Column("sequence", BigInteger, primary_key=True, autoincrement=False),
    Column("ended_at", Instant, primary_key=True),
    Column("quantity", Text, nullable=False),
    Column("sample_interval_us", BigInteger, nullable=False),
    Column("sample_count", Integer, nullable=False),
    Column("scale", Double, nullable=False),
    Column("offset", Double, nullable=False),
    Column("coded", LargeBinary, nullable=False),  # see curves.py: codec number, sample type, coded samples
)

# What `collector.analysis.features` says of a curve, in the transaction that stores it. Tension or torque, in
# the unit of the curve's `quantity`.
curve_feature = Table(
    "curve_feature",
    BOOK,
    Column("controller_id", ForeignKey("controller.controller_id"), primary_key=True, autoincrement=False),
    Column("epoch", Integer, primary_key=True, autoincrement=False),
    Column("sequence", BigInteger, primary_key=True, autoincrement=False),
    Column("quantity", Text, nullable=False),
    Column("samples", Integer, nullable=False),
    Column("duration_ms", Double),
    Column("peak", Double),
    Column("peak_ms", Double),
    Column("take_up_ms", Double),
    Column("take_up_travel_mm", Double),
    Column("half_rise_ms", Double),
    Column("slope_per_s", Double),
    Column("slope_standard_error_per_s", Double),
    Column("rise_area_s", Double),
    Column("work_j", Double),
    Column("lock", Double),
    Column("settle", Double),
    Column("seating_loss", Double),
    Column("noise", Double),
    Column("clipped", Boolean, nullable=False),
    Column("truncated", Boolean, nullable=False),
    Column("notes", Text, nullable=False),  # JSON: why a feature is NULL
)

# Counts in 15-minute UTC buckets, kept in the transaction that stores the cycles.
tally = Table(
    "tally",
    BOOK,
    Column("tool_id", ForeignKey("tool.tool_id"), primary_key=True, autoincrement=False),
    Column("bucket_at", Instant, primary_key=True),
    Column("controller_id", ForeignKey("controller.controller_id"), primary_key=True, autoincrement=False),
    Column("mode", Text, primary_key=True),
    Column("band", Text, primary_key=True),  # '' where the record names none
    Column("result", Text, primary_key=True),
    Column("completion", Text, primary_key=True),
    Column("cycles", BigInteger, nullable=False),
    Index(None, "controller_id", "bucket_at"),
)

# What is missing. When late cycles close a part of a gap, its row is closed, and what is still missing of it
# goes on in rows of its own, which name it.
gap = Table(
    "gap",
    BOOK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("controller_id", ForeignKey("controller.controller_id"), nullable=False),
    Column("epoch", Integer, nullable=False),
    Column("first_sequence", BigInteger, nullable=False),
    Column("last_sequence", BigInteger),  # NULL: nobody can say how many cycles are missing
    Column("reason", Text, nullable=False),
    Column("after_at", Instant),
    Column("before_at", Instant),
    Column("noticed_at", Instant, nullable=False),
    Column("part_of", BigInteger),  # commit number of the gap that it was a part of
    Column("closed_at", Instant),  # NULL: open
    Column("closed_by", Text),  # what brought the cycles: "log file L1-07.csv", "late message"
    Column("closed_commit_number", BigInteger),
    Index(None, "controller_id", "noticed_at"),
    Index(None, "controller_id", "epoch", "first_sequence"),
    Index(None, "closed_commit_number"),
)

# Where the controller's own count was cleared, or became another than its cycles make it.
count_change = Table(
    "count_change",
    BOOK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("controller_id", ForeignKey("controller.controller_id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("epoch", Integer, nullable=False),
    Column("sequence", BigInteger, nullable=False),
    Column("expected", BigInteger),
    Column("found", BigInteger, nullable=False),
    Column("after_at", Instant),
    Column("noticed_at", Instant, nullable=False),
    Index(None, "controller_id", "epoch", "sequence"),
)

# Somebody set a value at the controller: what its status showed last before, and first after.
setting_change = Table(
    "setting_change",
    BOOK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("controller_id", ForeignKey("controller.controller_id"), nullable=False),
    Column("setting", Text, nullable=False),
    Column("value_before", Text, nullable=False),  # JSON
    Column("value_after", Text, nullable=False),  # JSON
    Column("not_before", Instant, nullable=False),
    Column("noticed_at", Instant, nullable=False),
    Column("epoch", Integer),  # the position then: about there in the order of cycles
    Column("sequence", BigInteger),
    Index(None, "controller_id", "noticed_at"),
    Index(None, "noticed_at"),
)

clock_change = Table(
    "clock_change",
    BOOK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("controller_id", ForeignKey("controller.controller_id"), nullable=False),
    Column("before_ms", Double, nullable=False),
    Column("after_ms", Double, nullable=False),
    Column("noticed_at", Instant, nullable=False),
    Index(None, "controller_id", "noticed_at"),
)

fault = Table(
    "fault",
    BOOK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("controller_id", ForeignKey("controller.controller_id"), nullable=False),
    Column("tool_id", ForeignKey("tool.tool_id"), nullable=False),
    Column("code", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("category", Text, nullable=False),
    Column("not_before", Instant),
    Column("raised_at", Instant, nullable=False),
    Column("acknowledged_at", Instant),
    Column("acknowledged_commit_number", BigInteger),
    Column("cleared_at", Instant),
    Column("cleared_commit_number", BigInteger),
    Index(None, "controller_id", "raised_at"),
    Index(None, "tool_id", "raised_at"),
    Index(None, "raised_at"),
    Index(None, "acknowledged_commit_number"),
    Index(None, "cleared_commit_number"),
)

# Something that the analysis noticed. `kind`, controller, tool and measure together are open at most once.
finding = Table(
    "finding",
    BOOK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("kind", Text, nullable=False),
    Column("controller_id", ForeignKey("controller.controller_id")),
    Column("tool_id", ForeignKey("tool.tool_id")),
    Column("measure", Text, nullable=False),  # '' where it is of no measure
    Column("says", Text, nullable=False),
    Column("evidence", Text, nullable=False),  # JSON
    Column("began_at", Instant, nullable=False),
    Column("noticed_at", Instant, nullable=False),
    Column("ended_at", Instant),  # NULL: it still holds
    Column("ended_because", Text),
    Column("ended_commit_number", BigInteger),
    Index(None, "tool_id", "noticed_at"),
    Index(None, "ended_at"),
    Index(None, "ended_commit_number"),
)

quarantine = Table(
    "quarantine",
    BOOK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("controller_id", ForeignKey("controller.controller_id"), nullable=False),
    Column("what", Text, nullable=False),
    Column("place", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("raw", LargeBinary, nullable=False),
    Column("received_at", Instant, nullable=False),
)

# A shift of a line, closed: every revision of it. Rows are never changed; `body` tells all of it, the other
# columns are there to be looked up by.
statement = Table(
    "statement",
    BOOK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("line", Text, nullable=False),
    Column("plant_day", Text, nullable=False),  # ISO 8601
    Column("shift", Text, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("begins_at", Instant, nullable=False),
    Column("ends_at", Instant, nullable=False),
    Column("zone", Text, nullable=False),
    Column("plan_version", Integer, nullable=False),
    Column("closed_at", Instant, nullable=False),
    Column("as_of", BigInteger, nullable=False),  # the last commit that it takes into account
    Column("basis", Text, nullable=False),
    Column("complete", Boolean, nullable=False),
    Column("reasons", Text, nullable=False),  # JSON
    Column("waits", Boolean, nullable=False),  # some controller was not read through
    Column("body", Text, nullable=False),  # canonical JSON, without the hash
    Column("hash", Text, nullable=False),
    Column("previous_hash", Text),  # of the statement before it in the book; NULL: it is the first
    UniqueConstraint("line", "plant_day", "shift", "revision"),
    Index(None, "line", "ends_at"),
    Index(None, "line", "waits"),
    Index(None, "plant_day", "line"),
)

# ---- the desk ----------------------------------------------------------------------------------------------

# One row: the identity of this desk and the last commit number given out.
desk = Table(
    "desk",
    DESK,
    Column("instance", Text, primary_key=True),
    Column("commit_number", BigInteger, nullable=False),
    Column("home", Text, nullable=False),  # as of the book
)

# Preventive maintenance done on a tool, with the tool's lifetime count at which it was done. The tool is
# named by its natural key: a desk outlives a book. Rows are never changed: a mistake is corrected by another
# row, each by one at most.
service = Table(
    "service",
    DESK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("maker", Text, nullable=False),
    Column("model", Text, nullable=False),
    Column("serial", Text, nullable=False),
    Column("done_at", Instant, nullable=False),
    Column("done_by", Text, nullable=False),
    Column("remark", Text, nullable=False),
    Column("at_count", BigInteger, nullable=False),
    Column("recorded_at", Instant, nullable=False),
    Column("corrects", BigInteger),  # commit number of the row in whose place it stands
    Column("withdrawn", Boolean, nullable=False),  # the service that it corrects was not done at all
    UniqueConstraint("corrects"),
    Index(None, "serial", "done_at"),
)

# That somebody has seen a finding, with a remark. The finding is named by the book's instance and its commit
# number there: a desk outlives a book.
acknowledgement = Table(
    "acknowledgement",
    DESK,
    Column("commit_number", BigInteger, primary_key=True, autoincrement=False),
    Column("book", Text, nullable=False),
    Column("finding", BigInteger, nullable=False),
    Column("acknowledged_by", Text, nullable=False),
    Column("remark", Text, nullable=False),
    Column("acknowledged_at", Instant, nullable=False),
    Index(None, "book", "finding"),
)

# Who may ask. The secret part of a token is kept as its argon2 hash only. Never deleted: the log names it.
token = Table(
    "token",
    DESK,
    Column("token_id", Text, primary_key=True),  # the part of the token that is looked up
    Column("name", Text, nullable=False),
    Column("hash", Text, nullable=False),
    Column("scopes", Text, nullable=False),  # separated by blanks
    Column("lines", Text),  # JSON; NULL: all
    Column("created_at", Instant, nullable=False),
    Column("expires_at", Instant, nullable=False),
    Column("revoked_at", Instant),
    Column("last_used_at", Instant),  # within a minute
    Column("last_used_from", Text),
    UniqueConstraint("name"),
)

# The audit trail: a row for each write that was let in, and one for all refusals of one address, token and
# kind on one day.
access_log = Table(
    "access_log",
    DESK,
    Column("access_id", Integer, primary_key=True),
    Column("first_at", Instant, nullable=False),
    Column("last_at", Instant, nullable=False),
    Column("times", BigInteger, nullable=False),
    Column("token_id", ForeignKey("token.token_id")),  # NULL: none was given, or none that is known
    Column("address", Text, nullable=False),
    Column("method", Text, nullable=False),  # of the first, as is the path
    Column("path", Text, nullable=False),
    Column("status", Integer),  # NULL: the API ended before it had answered
    Column("problem", Text),  # kind of the problem; NULL: it was done
    Column("refused_on", Text),  # UTC date; NULL: a write that was let in
    Index(None, "refused_on", "address"),
)

# One row a receiver that is told what is new (a webhook, or the broker): up to which commit number of which
# book and which desk it was told, but for what is in `delivery`.
told = Table(
    "told",
    DESK,
    Column("receiver", Text, primary_key=True),
    Column("book", Text, nullable=False),
    Column("book_number", BigInteger, nullable=False),
    Column("desk", Text, nullable=False),
    Column("desk_number", BigInteger, nullable=False),
    Column("told_at", Instant, nullable=False),  # when one of the numbers moved on
    Column("stopped_at", Instant),  # NULL: it is told what is new
    Column("stopped_because", Text),
)

# What a receiver did not take. Deleted when it has taken it.
delivery = Table(
    "delivery",
    DESK,
    Column("delivery_id", Integer, primary_key=True),
    Column("receiver", Text, nullable=False),
    Column("instance", Text, nullable=False),  # of the book or the desk
    Column("commit_number", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),  # of the feed
    Column("state", Text, nullable=False),  # 'waiting': it is sent again; 'dead': only when somebody asks
    Column("attempts", Integer, nullable=False),
    Column("since", Instant, nullable=False),  # put aside, or last asked for
    Column("next_at", Instant),  # NULL: dead
    Column("last_error", Text, nullable=False),
    Column("last_error_at", Instant, nullable=False),
    UniqueConstraint("receiver", "instance", "commit_number"),
    Index(None, "state", "receiver", "next_at"),
)

# A file that somebody asked for, of a list that is too long for one answer. It lies in a folder of its own.
export = Table(
    "export",
    DESK,
    Column("export_id", Text, primary_key=True),
    Column("token_id", ForeignKey("token.token_id")),  # NULL: asked on this machine without one
    Column("lines", Text),  # JSON: only what is of these; NULL: of all
    Column("what", Text, nullable=False),
    Column("format", Text, nullable=False),
    Column("begins_at", Instant, nullable=False),
    Column("ends_at", Instant, nullable=False),
    Column("filters", Text, nullable=False),  # JSON
    Column("state", Text, nullable=False),  # 'waiting', 'building', 'done', 'failed'
    Column("says", Text),  # why it failed
    Column("attempts", Integer, nullable=False),
    Column("asked_at", Instant, nullable=False),
    Column("over_at", Instant),  # done or failed
    Column("book", Text),  # the snapshot: which book, and up to which commit
    Column("commit_number", BigInteger),
    Column("rows", BigInteger),
    Column("bytes", BigInteger),
    Column("sha256", Text),  # in hexadecimal
    Index(None, "state", "asked_at"),
)

# Up to where a consumer of statements has booked them: of all lines that its token is for, or of one.
receipt = Table(
    "receipt",
    DESK,
    Column("consumer", Text, primary_key=True),
    Column("line", Text, primary_key=True),  # '': of all
    Column("token_id", ForeignKey("token.token_id")),  # NULL: told on this machine without one
    Column("lines", Text),  # JSON: the lines of the token; NULL: all
    Column("book", Text, nullable=False),
    Column("commit_number", BigInteger, nullable=False),
    Column("told_at", Instant, nullable=False),
)

__all__ = [
    "BOOK",
    "DESK",
    "Instant",
    "access_log",
    "acknowledgement",
    "book",
    "clock_change",
    "controller",
    "controller_status",
    "count_change",
    "curve",
    "curve_feature",
    "cycle",
    "delivery",
    "desk",
    "epoch",
    "export",
    "fault",
    "finding",
    "former_instance",
    "from_us",
    "gap",
    "mount",
    "position",
    "quarantine",
    "receipt",
    "service",
    "setting_change",
    "statement",
    "tally",
    "to_us",
    "token",
    "told",
    "tool",
]
