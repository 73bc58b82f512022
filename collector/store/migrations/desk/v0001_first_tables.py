"""The first tables of the desk. Instants are microseconds since 1970 in UTC."""

from alembic import op
from sqlalchemy import BigInteger, Column, Integer, PrimaryKeyConstraint, Text

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "service",
        Column("service_id", Integer, nullable=False),
        Column("maker", Text, nullable=False),
        Column("model", Text, nullable=False),
        Column("serial", Text, nullable=False),
        Column("done_at", BigInteger, nullable=False),
        Column("done_by", Text, nullable=False),
        Column("remark", Text, nullable=False),
        Column("at_count", BigInteger, nullable=False),
        Column("recorded_at", BigInteger, nullable=False),
        PrimaryKeyConstraint("service_id", name="pk_service"),
    )
    op.create_index("ix_service_serial_done_at", "service", ["serial", "done_at"])
    op.create_table(
        "acknowledgement",
        Column("acknowledgement_id", Integer, nullable=False),
        Column("book", Text, nullable=False),
        Column("finding", BigInteger, nullable=False),
        Column("acknowledged_by", Text, nullable=False),
        Column("remark", Text, nullable=False),
        Column("acknowledged_at", BigInteger, nullable=False),
        PrimaryKeyConstraint("acknowledgement_id", name="pk_acknowledgement"),
    )
    op.create_index("ix_acknowledgement_book_finding", "acknowledgement", ["book", "finding"])
