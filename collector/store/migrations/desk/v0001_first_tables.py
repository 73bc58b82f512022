"""The first tables of the desk. Instants are microseconds since 1970 in UTC."""

from alembic import op
from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKeyConstraint,
    Integer,
    PrimaryKeyConstraint,
    Text,
    UniqueConstraint,
)

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "desk",
        Column("instance", Text, nullable=False),
        Column("commit_number", BigInteger, nullable=False),
        Column("home", Text, nullable=False),
        PrimaryKeyConstraint("instance", name="pk_desk"),
    )
    op.create_table(
        "service",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("maker", Text, nullable=False),
        Column("model", Text, nullable=False),
        Column("serial", Text, nullable=False),
        Column("done_at", BigInteger, nullable=False),
        Column("done_by", Text, nullable=False),
        Column("remark", Text, nullable=False),
        Column("at_count", BigInteger, nullable=False),
        Column("recorded_at", BigInteger, nullable=False),
        Column("corrects", BigInteger),
        Column("withdrawn", Boolean, nullable=False),
        PrimaryKeyConstraint("commit_number", name="pk_service"),
        UniqueConstraint("corrects", name="uq_service_corrects"),
    )
    op.create_index("ix_service_serial_done_at", "service", ["serial", "done_at"])
    op.create_table(
        "acknowledgement",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("book", Text, nullable=False),
        Column("finding", BigInteger, nullable=False),
        Column("acknowledged_by", Text, nullable=False),
        Column("remark", Text, nullable=False),
        Column("acknowledged_at", BigInteger, nullable=False),
        PrimaryKeyConstraint("commit_number", name="pk_acknowledgement"),
    )
    op.create_index("ix_acknowledgement_book_finding", "acknowledgement", ["book", "finding"])
    op.create_table(
        "token",
        Column("token_id", Text, nullable=False),
        Column("name", Text, nullable=False),
        Column("hash", Text, nullable=False),
        Column("scopes", Text, nullable=False),
        Column("lines", Text),
        Column("created_at", BigInteger, nullable=False),
        Column("expires_at", BigInteger, nullable=False),
        Column("revoked_at", BigInteger),
        Column("last_used_at", BigInteger),
        Column("last_used_from", Text),
        PrimaryKeyConstraint("token_id", name="pk_token"),
        UniqueConstraint("name", name="uq_token_name"),
    )
    op.create_table(
        "access_log",
        Column("access_id", Integer, nullable=False),
        Column("first_at", BigInteger, nullable=False),
        Column("last_at", BigInteger, nullable=False),
        Column("times", BigInteger, nullable=False),
        Column("token_id", Text),
        Column("address", Text, nullable=False),
        Column("method", Text, nullable=False),
        Column("path", Text, nullable=False),
        Column("status", Integer),
        Column("problem", Text),
        Column("refused_on", Text),
        PrimaryKeyConstraint("access_id", name="pk_access_log"),
        ForeignKeyConstraint(["token_id"], ["token.token_id"], name="fk_access_log_token_id"),
    )
    op.create_index("ix_access_log_refused_on_address", "access_log", ["refused_on", "address"])
    op.create_table(
        "told",
        Column("receiver", Text, nullable=False),
        Column("book", Text, nullable=False),
        Column("book_number", BigInteger, nullable=False),
        Column("desk", Text, nullable=False),
        Column("desk_number", BigInteger, nullable=False),
        Column("told_at", BigInteger, nullable=False),
        Column("stopped_at", BigInteger),
        Column("stopped_because", Text),
        PrimaryKeyConstraint("receiver", name="pk_told"),
    )
    op.create_table(
        "delivery",
        Column("delivery_id", Integer, nullable=False),
        Column("receiver", Text, nullable=False),
        Column("instance", Text, nullable=False),
        Column("commit_number", BigInteger, nullable=False),
        Column("kind", Text, nullable=False),
        Column("state", Text, nullable=False),
        Column("attempts", Integer, nullable=False),
        Column("since", BigInteger, nullable=False),
        Column("next_at", BigInteger),
        Column("last_error", Text, nullable=False),
        Column("last_error_at", BigInteger, nullable=False),
        PrimaryKeyConstraint("delivery_id", name="pk_delivery"),
        UniqueConstraint("receiver", "instance", "commit_number", name="uq_delivery_receiver"),
    )
    op.create_index("ix_delivery_state_receiver_next_at", "delivery", ["state", "receiver", "next_at"])
    op.create_table(
        "export",
        Column("export_id", Text, nullable=False),
        Column("token_id", Text),
        Column("lines", Text),
        Column("what", Text, nullable=False),
        Column("format", Text, nullable=False),
        Column("begins_at", BigInteger, nullable=False),
        Column("ends_at", BigInteger, nullable=False),
        Column("filters", Text, nullable=False),
        Column("state", Text, nullable=False),
        Column("says", Text),
        Column("attempts", Integer, nullable=False),
        Column("asked_at", BigInteger, nullable=False),
        Column("over_at", BigInteger),
        Column("book", Text),
        Column("commit_number", BigInteger),
        Column("rows", BigInteger),
        Column("bytes", BigInteger),
        Column("sha256", Text),
        PrimaryKeyConstraint("export_id", name="pk_export"),
        ForeignKeyConstraint(["token_id"], ["token.token_id"], name="fk_export_token_id"),
    )
    op.create_index("ix_export_state_asked_at", "export", ["state", "asked_at"])
    op.create_table(
        "receipt",
        Column("consumer", Text, nullable=False),
        Column("line", Text, nullable=False),
        Column("token_id", Text),
        Column("lines", Text),
        Column("book", Text, nullable=False),
        Column("commit_number", BigInteger, nullable=False),
        Column("told_at", BigInteger, nullable=False),
        PrimaryKeyConstraint("consumer", "line", name="pk_receipt"),
        ForeignKeyConstraint(["token_id"], ["token.token_id"], name="fk_receipt_token_id"),
    )
