"""What was changed around a time at a tool or a controller: settings, and the tools that came."""

from datetime import datetime

from sqlalchemy import Connection, select

from collector.store.measures import find_setting_changes
from collector.store.queries import Record, find_mounts, records
from collector.store.tables import controller, mount, tool


def find_settings_of_tool(
    connection: Connection, tool_id: int, since: datetime, until: datetime
) -> list[Record]:
    """Setting changes that a tool can have felt and that may lie from `since` to `until`: on each controller,
    from when it first sat there to when it last left, whoever sat there in between. As
    `find_setting_changes` gives them."""
    stays: dict[int, tuple[datetime, datetime | None]] = {}
    for each in find_mounts(connection, tool_id):  # newest first
        _, left_at = stays.get(each["controller_id"], (None, each["unmounted_at"]))
        stays[each["controller_id"]] = (each["mounted_at"], left_at)
    return [
        change
        for controller_id, (came_at, left_at) in stays.items()
        for change in find_setting_changes(
            connection,
            controller_id=controller_id,
            since=max(came_at, since),
            until=left_at,
            begun_by=until,
            last=None,
        )
    ]


def find_mounts_within(
    connection: Connection,
    since: datetime,
    until: datetime,
    *,
    tool_id: int | None = None,
    controller_id: int | None = None,
) -> list[Record]:
    """Mounts that reach into the closed interval, newest first: controller (name), maker, model, serial,
    mounted_at, unmounted_at."""
    names = (controller.c.name.label("controller"), tool.c.maker, tool.c.model, tool.c.serial)
    wanted = (
        select(*names, mount.c.mounted_at, mount.c.unmounted_at)
        .join_from(mount, controller)
        .join(tool)
        .where(mount.c.mounted_at <= until)
        .where(mount.c.unmounted_at.is_(None) | (mount.c.unmounted_at >= since))
        .order_by(mount.c.mounted_at.desc(), mount.c.commit_number.desc())
    )
    if tool_id is not None:
        wanted = wanted.where(mount.c.tool_id == tool_id)
    if controller_id is not None:
        wanted = wanted.where(mount.c.controller_id == controller_id)
    return records(connection.execute(wanted))
