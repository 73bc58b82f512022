"""The data blocks of an S7 controller, packed by hand: an independent check of whoever decodes them.

    DB 100   status, 102 bytes      DB 101   ring, 40 records of 98 bytes
    DB 102   curve, 2010 bytes: sequence, count, interval in µs, up to 1000 samples

Everything is big-endian. Pressures are kept in bar, "no value" is -1.
"""

import struct
from dataclasses import replace
from datetime import datetime
from functools import lru_cache

from simulators.fronts.packing import (
    COMPLETIONS,
    MODES,
    RESULTS,
    STATES,
    Area,
    Map,
    bcd,
    float32,
    float32_in,
    ring_bytes,
    to_millisecond,
)
from simulators.memory import ALL_FIELDS, Controller, Family, Fault, Record
from simulators.tool import Sampling
from simulators.units import BAR_KPA

PROGRAM = "CLAMP-2"
RECORD_SIZE = 98


def _kept(record: Record) -> Record:
    def single(value: float | None) -> float | None:
        return None if value is None else float32(value)

    return replace(
        record,
        controller_time=to_millisecond(record.controller_time),
        peak_tension_n=float32(record.peak_tension_n),
        lock_tension_n=single(record.lock_tension_n),
        seating_loss_n=single(record.seating_loss_n),
        set_torque_nm=float32(record.set_torque_nm),
        tension_speed_mm_s=float32(record.tension_speed_mm_s),
        punch_pressure_kpa=float32_in(record.punch_pressure_kpa, BAR_KPA),
        supply_pressure_kpa=float32_in(record.supply_pressure_kpa, BAR_KPA),
        punch_velocity_m_s=single(record.punch_velocity_m_s),
    )


FAMILY = Family(
    layout="ring-s7",
    maker="Example Tools",
    model="BT-20",
    slots=40,
    sequence_bits=32,
    slot_by_sequence=False,
    sampling=Sampling(interval_us=1000, most=1000, step_n=0.1),
    keeps_curve=True,
    recorded=ALL_FIELDS - {"band", "motor_current_a", "humidity_percent"},
    numeric_serials=False,
    kept=_kept,
    status_codes={fault: f"E{1 + fault:02d}" for fault in Fault},
    record_codes={fault: f"E{1 + fault:02}" for fault in Fault},
)


# ---- types ---------------------------------------------------------------------------------------


def s7_string(text: str, most: int) -> bytes:
    """STRING: maximum length, actual length, characters."""
    return bytes((most, len(text))) + text.encode("latin-1").ljust(most, b"\0")


def weekday(at: datetime) -> int:
    """1 is Sunday, 7 is Saturday."""
    return at.isoweekday() % 7 + 1


def date_and_time(at: datetime) -> bytes:
    """DATE_AND_TIME: BCD; the last half byte is the weekday. Years 1990 to 2089."""
    ms = at.microsecond // 1000
    digits = (
        f"{at.year % 100:02d}{at.month:02d}{at.day:02d}{at.hour:02d}{at.minute:02d}{at.second:02d}{ms:03d}"
    )
    return bytes.fromhex(f"{digits}{weekday(at)}")


def dtl(at: datetime) -> bytes:
    """DTL: year, month, day, weekday, hour, minute, second, nanoseconds."""
    return struct.pack(
        ">HBBBBBBI",
        at.year,
        at.month,
        at.day,
        weekday(at),
        at.hour,
        at.minute,
        at.second,
        at.microsecond * 1000,
    )


# ---- blocks --------------------------------------------------------------------------------------


def status(controller: Controller, now: datetime) -> bytes:
    """102 bytes."""
    shown = controller.status(now)
    set_to = shown.settings
    return b"".join(
        (
            struct.pack(
                ">IHBBHHBxII",
                shown.last_sequence,  # 0
                shown.newest_slot,
                MODES.index(shown.mode),  # 6
                STATES.index(shown.state),
                shown.fault_word,  # 8
                shown.acknowledged_word,
                int(shown.emergency_stop),  # 12
                shown.total_count,  # 14
                shown.count_since_cleared,
            ),
            dtl(shown.clock),  # 22
            struct.pack(
                ">4f",
                shown.supply_pressure_kpa / BAR_KPA,  # 34
                set_to.set_torque_nm,
                set_to.tension_speed_mm_s,
                set_to.punch_pressure_kpa / BAR_KPA,
            ),
            s7_string(set_to.band, 8),  # 50
            s7_string(shown.tool_serial, 16),  # 60
            s7_string(PROGRAM, 10),  # 78
            struct.pack(">h", round(shown.cabinet_temperature_c * 10)),  # 90
            s7_string(shown.cabinet_serial, 8),
        )
    )


@lru_cache(maxsize=512)
def packed_record(record: Record) -> bytes:
    """98 bytes."""

    def or_none(value: float | None) -> float:
        return -1.0 if value is None else value

    return b"".join(
        (
            struct.pack(">I", record.sequence),  # 0
            date_and_time(record.controller_time),  # 4
            s7_string(record.tool_serial, 16),  # 12
            struct.pack(
                ">BBBxH",
                1 + RESULTS.index(record.result),  # 30
                1 + COMPLETIONS.index(record.completion),
                MODES.index(record.mode),
                0 if record.fault is None else 1 + record.fault,  # 34
            ),
            struct.pack(
                ">ii8fI",
                record.duration_ms,  # 36
                record.take_up_ms,
                record.peak_tension_n,  # 44
                or_none(record.lock_tension_n),
                or_none(record.seating_loss_n),
                record.set_torque_nm,  # 56
                record.tension_speed_mm_s,
                record.punch_pressure_kpa / BAR_KPA,
                record.supply_pressure_kpa / BAR_KPA,
                or_none(record.punch_velocity_m_s),  # 72
                record.total_count,
            ),
            s7_string(record.part_id or "", 14),  # 80
            bcd(record.total_count % 10_000, 4),  # 96: strokes, four digits
        )
    )


def curve(controller: Controller, now: datetime) -> bytes:
    """2010 bytes; what a shorter curve leaves free is zero."""
    last = controller.curve
    samples = struct.pack(f">{last.count}h", *struct.unpack(f"<{last.count}h", last.samples))
    return (struct.pack(">IHI", last.sequence, last.count, last.interval_us) + samples).ljust(2010, b"\0")


MAP = Map(
    FAMILY,
    "db",
    (
        Area(100, 102, status),
        Area(
            101, 40 * RECORD_SIZE, lambda controller, now: ring_bytes(controller, RECORD_SIZE, packed_record)
        ),
        Area(102, 2010, curve),
    ),
)
