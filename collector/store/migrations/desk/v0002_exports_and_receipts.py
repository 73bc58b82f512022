"""Exports that were asked for, and receipts of those who book statements."""

from alembic import op
from sqlalchemy import BigInteger, Column, ForeignKeyConstraint, Integer, PrimaryKeyConstraint, Text

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
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
