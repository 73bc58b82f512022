"""The first tables of the book. Instants are microseconds since 1970 in UTC."""

from alembic import op
from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKeyConstraint,
    Integer,
    LargeBinary,
    Text,
    UniqueConstraint,
)
from sqlalchemy import PrimaryKeyConstraint as PrimaryKey

revision = "0001"
down_revision = None


def upgrade() -> None:
    create_places()
    create_cycles()
    create_events()
    create_statements()


def create_places() -> None:
    """The book's identity, controllers and tools, and how far each controller has been read."""
    op.create_table(
        "book",
        Column("instance", Text, nullable=False),
        Column("created_at", BigInteger, nullable=False),
        Column("since", BigInteger, nullable=False),
        Column("commit_number", BigInteger, nullable=False),
        Column("home", Text, nullable=False),
        PrimaryKey("instance", name="pk_book"),
    )
    op.create_table(
        "former_instance",
        Column("place", Integer, nullable=False),
        Column("instance", Text, nullable=False),
        Column("since", BigInteger, nullable=False),
        Column("until", BigInteger, nullable=False),
        Column("last_commit", BigInteger, nullable=False),
        Column("because", Text, nullable=False),
        PrimaryKey("place", name="pk_former_instance"),
        UniqueConstraint("instance", name="uq_former_instance_instance"),
    )
    op.create_table(
        "controller",
        Column("controller_id", Integer, nullable=False),
        Column("name", Text, nullable=False),
        Column("line", Text, nullable=False),
        Column("station", Text, nullable=False),
        Column("protocol", Text, nullable=False),
        Column("layout", Text, nullable=False),
        Column("address", Text, nullable=False),
        Column("serial", Text),
        PrimaryKey("controller_id", name="pk_controller"),
        UniqueConstraint("name", name="uq_controller_name"),
    )
    op.create_table(
        "tool",
        Column("tool_id", Integer, nullable=False),
        Column("maker", Text, nullable=False),
        Column("model", Text, nullable=False),
        Column("serial", Text, nullable=False),
        Column("first_seen_at", BigInteger, nullable=False),
        PrimaryKey("tool_id", name="pk_tool"),
        UniqueConstraint("serial", "maker", "model", name="uq_tool_serial"),
    )
    op.create_table(
        "position",
        Column("controller_id", Integer, nullable=False, autoincrement=False),
        Column("epoch", Integer, nullable=False),
        Column("sequence", BigInteger, nullable=False),
        Column("total_count", BigInteger),
        Column("read_through_at", BigInteger),
        PrimaryKey("controller_id", name="pk_position"),
        of_controller("position"),
    )
    op.create_table(
        "epoch",
        Column("controller_id", Integer, nullable=False, autoincrement=False),
        Column("epoch", Integer, nullable=False, autoincrement=False),
        Column("serial", Text),
        Column("noticed_at", BigInteger, nullable=False),
        PrimaryKey("controller_id", "epoch", name="pk_epoch"),
        of_controller("epoch"),
    )
    op.create_index("ix_epoch_serial", "epoch", ["serial"])
    op.create_table(
        "controller_status",
        Column("controller_id", Integer, nullable=False, autoincrement=False),
        Column("link_state", Text),
        Column("link_since", BigInteger),
        Column("last_error", Text),
        Column("last_error_at", BigInteger),
        Column("bad_replies", Text),
        Column("reconnects", Integer),
        Column("read_at", BigInteger),
        Column("last_sequence", Text),
        Column("mode", Text),
        Column("state", Text),
        Column("emergency_stop", Boolean),
        Column("total_count", BigInteger),
        Column("count_since_cleared", BigInteger),
        Column("controller_clock", Text),
        Column("clock_offset_ms", Double),
        Column("clock_uncertainty_ms", Double),
        Column("clock_drift_ppm", Double),
        Column("clock_stands_still", Boolean),
        Column("supply_pressure_kpa", Double),
        Column("settings", Text),
        Column("extra", Text),
        PrimaryKey("controller_id", name="pk_controller_status"),
        of_controller("controller_status"),
    )


def create_cycles() -> None:
    """Cycles, their curves and their tallies."""
    op.create_table(
        "cycle",
        Column("controller_id", Integer, nullable=False, autoincrement=False),
        Column("epoch", Integer, nullable=False, autoincrement=False),
        Column("sequence", BigInteger, nullable=False, autoincrement=False),
        Column("commit_number", BigInteger, nullable=False),
        Column("tool_id", Integer, nullable=False),
        Column("ended_at", BigInteger, nullable=False),
        Column("time_uncertainty_ms", Double),
        Column("controller_time", Text),
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
        Column("extra", Text),
        Column("raw", LargeBinary, nullable=False),
        Column("brought_by", Text),
        PrimaryKey("controller_id", "epoch", "sequence", name="pk_cycle"),
        of_controller("cycle"),
        of_tool("cycle"),
    )
    op.create_index("ix_cycle_commit_number", "cycle", ["commit_number"], unique=True)
    op.create_index(
        "ix_cycle_tool_id_ended_at_controller_id_epoch_sequence",
        "cycle",
        ["tool_id", "ended_at", "controller_id", "epoch", "sequence"],
    )
    op.create_index("ix_cycle_controller_id_ended_at", "cycle", ["controller_id", "ended_at"])
    op.create_table(
        "curve",
        Column("controller_id", Integer, nullable=False, autoincrement=False),
        Column("epoch", Integer, nullable=False, autoincrement=False),
        Column("sequence", BigInteger, nullable=False, autoincrement=False),
        Column("ended_at", BigInteger, nullable=False, autoincrement=False),
        Column("quantity", Text, nullable=False),
        Column("sample_interval_us", BigInteger, nullable=False),
        Column("sample_count", Integer, nullable=False),
        Column("scale", Double, nullable=False),
        Column("offset", Double, nullable=False),
        Column("coded", LargeBinary, nullable=False),
        PrimaryKey("controller_id", "epoch", "sequence", "ended_at", name="pk_curve"),
        of_controller("curve"),
    )
    op.create_table(
        "curve_feature",
        Column("controller_id", Integer, nullable=False, autoincrement=False),
        Column("epoch", Integer, nullable=False, autoincrement=False),
        Column("sequence", BigInteger, nullable=False, autoincrement=False),
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
        Column("notes", Text, nullable=False),
        PrimaryKey("controller_id", "epoch", "sequence", name="pk_curve_feature"),
        of_controller("curve_feature"),
    )
    op.create_table(
        "tally",
        Column("tool_id", Integer, nullable=False, autoincrement=False),
        Column("bucket_at", BigInteger, nullable=False, autoincrement=False),
        Column("controller_id", Integer, nullable=False, autoincrement=False),
        Column("mode", Text, nullable=False),
        Column("band", Text, nullable=False),
        Column("result", Text, nullable=False),
        Column("completion", Text, nullable=False),
        Column("cycles", BigInteger, nullable=False),
        PrimaryKey(
            "tool_id", "bucket_at", "controller_id", "mode", "band", "result", "completion", name="pk_tally"
        ),
        of_controller("tally"),
        of_tool("tally"),
    )
    op.create_index("ix_tally_controller_id_bucket_at", "tally", ["controller_id", "bucket_at"])


def create_statements() -> None:
    """The closed results of shifts."""
    op.create_table(
        "statement",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("line", Text, nullable=False),
        Column("plant_day", Text, nullable=False),
        Column("shift", Text, nullable=False),
        Column("revision", Integer, nullable=False),
        Column("begins_at", BigInteger, nullable=False),
        Column("ends_at", BigInteger, nullable=False),
        Column("zone", Text, nullable=False),
        Column("plan_version", Integer, nullable=False),
        Column("closed_at", BigInteger, nullable=False),
        Column("as_of", BigInteger, nullable=False),
        Column("basis", Text, nullable=False),
        Column("complete", Boolean, nullable=False),
        Column("reasons", Text, nullable=False),
        Column("waits", Boolean, nullable=False),
        Column("body", Text, nullable=False),
        Column("hash", Text, nullable=False),
        Column("previous_hash", Text),
        PrimaryKey("commit_number", name="pk_statement"),
        UniqueConstraint("line", "plant_day", "shift", "revision", name="uq_statement_line"),
    )
    op.create_index("ix_statement_line_ends_at", "statement", ["line", "ends_at"])
    op.create_index("ix_statement_line_waits", "statement", ["line", "waits"])
    op.create_index("ix_statement_plant_day_line", "statement", ["plant_day", "line"])


def create_events() -> None:
    """Mounts, gaps, changes of counts and clocks, faults, and what could not be used."""
    op.create_table(
        "mount",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("controller_id", Integer, nullable=False),
        Column("tool_id", Integer, nullable=False),
        Column("mounted_at", BigInteger, nullable=False),
        Column("unmounted_at", BigInteger),
        Column("after_epoch", Integer),
        Column("after_sequence", BigInteger),
        Column("after_count", BigInteger),
        Column("until_epoch", Integer),
        Column("until_sequence", BigInteger),
        Column("until_count", BigInteger),
        PrimaryKey("commit_number", name="pk_mount"),
        of_controller("mount"),
        of_tool("mount"),
    )
    op.create_index("ix_mount_controller_id_mounted_at", "mount", ["controller_id", "mounted_at"])
    op.create_index("ix_mount_tool_id_mounted_at", "mount", ["tool_id", "mounted_at"])
    op.create_table(
        "gap",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("controller_id", Integer, nullable=False),
        Column("epoch", Integer, nullable=False),
        Column("first_sequence", BigInteger, nullable=False),
        Column("last_sequence", BigInteger),
        Column("reason", Text, nullable=False),
        Column("after_at", BigInteger),
        Column("before_at", BigInteger),
        Column("noticed_at", BigInteger, nullable=False),
        Column("part_of", BigInteger),
        Column("closed_at", BigInteger),
        Column("closed_by", Text),
        Column("closed_commit_number", BigInteger),
        PrimaryKey("commit_number", name="pk_gap"),
        of_controller("gap"),
    )
    op.create_index("ix_gap_controller_id_noticed_at", "gap", ["controller_id", "noticed_at"])
    op.create_index(
        "ix_gap_controller_id_epoch_first_sequence", "gap", ["controller_id", "epoch", "first_sequence"]
    )
    op.create_index("ix_gap_closed_commit_number", "gap", ["closed_commit_number"])
    op.create_table(
        "count_change",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("controller_id", Integer, nullable=False),
        Column("kind", Text, nullable=False),
        Column("epoch", Integer, nullable=False),
        Column("sequence", BigInteger, nullable=False),
        Column("expected", BigInteger),
        Column("found", BigInteger, nullable=False),
        Column("after_at", BigInteger),
        Column("noticed_at", BigInteger, nullable=False),
        PrimaryKey("commit_number", name="pk_count_change"),
        of_controller("count_change"),
    )
    op.create_index(
        "ix_count_change_controller_id_epoch_sequence", "count_change", ["controller_id", "epoch", "sequence"]
    )
    op.create_table(
        "setting_change",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("controller_id", Integer, nullable=False),
        Column("setting", Text, nullable=False),
        Column("value_before", Text, nullable=False),
        Column("value_after", Text, nullable=False),
        Column("not_before", BigInteger, nullable=False),
        Column("noticed_at", BigInteger, nullable=False),
        Column("epoch", Integer),
        Column("sequence", BigInteger),
        PrimaryKey("commit_number", name="pk_setting_change"),
        of_controller("setting_change"),
    )
    op.create_index(
        "ix_setting_change_controller_id_noticed_at", "setting_change", ["controller_id", "noticed_at"]
    )
    op.create_index("ix_setting_change_noticed_at", "setting_change", ["noticed_at"])
    op.create_table(
        "clock_change",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("controller_id", Integer, nullable=False),
        Column("before_ms", Double, nullable=False),
        Column("after_ms", Double, nullable=False),
        Column("noticed_at", BigInteger, nullable=False),
        PrimaryKey("commit_number", name="pk_clock_change"),
        of_controller("clock_change"),
    )
    op.create_index(
        "ix_clock_change_controller_id_noticed_at", "clock_change", ["controller_id", "noticed_at"]
    )
    op.create_table(
        "fault",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("controller_id", Integer, nullable=False),
        Column("tool_id", Integer, nullable=False),
        Column("code", Text, nullable=False),
        Column("text", Text, nullable=False),
        Column("category", Text, nullable=False),
        Column("not_before", BigInteger),
        Column("raised_at", BigInteger, nullable=False),
        Column("acknowledged_at", BigInteger),
        Column("acknowledged_commit_number", BigInteger),
        Column("cleared_at", BigInteger),
        Column("cleared_commit_number", BigInteger),
        PrimaryKey("commit_number", name="pk_fault"),
        of_controller("fault"),
        of_tool("fault"),
    )
    op.create_index("ix_fault_controller_id_raised_at", "fault", ["controller_id", "raised_at"])
    op.create_index("ix_fault_tool_id_raised_at", "fault", ["tool_id", "raised_at"])
    op.create_index("ix_fault_raised_at", "fault", ["raised_at"])
    op.create_index("ix_fault_acknowledged_commit_number", "fault", ["acknowledged_commit_number"])
    op.create_index("ix_fault_cleared_commit_number", "fault", ["cleared_commit_number"])
    op.create_table(
        "finding",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("kind", Text, nullable=False),
        Column("controller_id", Integer),
        Column("tool_id", Integer),
        Column("measure", Text, nullable=False),
        Column("says", Text, nullable=False),
        Column("evidence", Text, nullable=False),
        Column("began_at", BigInteger, nullable=False),
        Column("noticed_at", BigInteger, nullable=False),
        Column("ended_at", BigInteger),
        Column("ended_because", Text),
        Column("ended_commit_number", BigInteger),
        PrimaryKey("commit_number", name="pk_finding"),
        of_controller("finding"),
        of_tool("finding"),
    )
    op.create_index("ix_finding_tool_id_noticed_at", "finding", ["tool_id", "noticed_at"])
    op.create_index("ix_finding_ended_at", "finding", ["ended_at"])
    op.create_index("ix_finding_ended_commit_number", "finding", ["ended_commit_number"])
    op.create_table(
        "quarantine",
        Column("commit_number", BigInteger, nullable=False, autoincrement=False),
        Column("controller_id", Integer, nullable=False),
        Column("what", Text, nullable=False),
        Column("place", Text, nullable=False),
        Column("reason", Text, nullable=False),
        Column("raw", LargeBinary, nullable=False),
        Column("received_at", BigInteger, nullable=False),
        PrimaryKey("commit_number", name="pk_quarantine"),
        of_controller("quarantine"),
    )


def of_controller(table: str) -> ForeignKeyConstraint:
    return ForeignKeyConstraint(
        ["controller_id"], ["controller.controller_id"], name=f"fk_{table}_controller_id"
    )


def of_tool(table: str) -> ForeignKeyConstraint:
    return ForeignKeyConstraint(["tool_id"], ["tool.tool_id"], name=f"fk_{table}_tool_id")
