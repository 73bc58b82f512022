"""The registers of two Modbus controllers, packed by hand: an independent check of whoever decodes them.

ring-modbus, holding registers, high byte first, low word first:

    0     status, 32 registers          100   ring, 30 records of 32 registers
    2000  curve: sequence, count, interval in µs (2), spare, up to 600 samples

last-record-modbus, input registers, low byte first, low word first:

    0     status, 20 registers          40    the last record, 16 registers
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
    ring_bytes,
    stepped,
    steps,
    to_millisecond,
    to_second,
    unix_ms,
)
from simulators.memory import ALL_FIELDS, Controller, Family, Fault, Record
from simulators.tool import Sampling
from simulators.units import LBF_IN_NM, LBF_N, PSI_KPA

TENTH_LBF_N = 0.1 * LBF_N
TENTH_LBF_IN_NM = 0.1 * LBF_IN_NM
TENTH_PSI_KPA = 0.1 * PSI_KPA
FIRMWARE = 310


# ---- ring-modbus ---------------------------------------------------------------------------------


def low_word_first(value: int) -> bytes:
    return struct.pack(">HH", value & 0xFFFF, value >> 16)


def _ring_kept(record: Record) -> Record:
    def whole(value: float | None, step: float) -> float | None:
        return None if value is None else stepped(value, step)

    return replace(
        record,
        controller_time=to_second(record.controller_time),
        peak_tension_n=stepped(record.peak_tension_n, TENTH_LBF_N),
        lock_tension_n=whole(record.lock_tension_n, TENTH_LBF_N),
        seating_loss_n=whole(record.seating_loss_n, TENTH_LBF_N),
        set_torque_nm=stepped(record.set_torque_nm, TENTH_LBF_IN_NM),
        tension_speed_mm_s=stepped(record.tension_speed_mm_s, 0.1),
        punch_pressure_kpa=stepped(record.punch_pressure_kpa, TENTH_PSI_KPA),
        supply_pressure_kpa=stepped(record.supply_pressure_kpa, TENTH_PSI_KPA),
        punch_velocity_m_s=whole(record.punch_velocity_m_s, 0.001),
        motor_current_a=float32(record.motor_current_a),
    )


RING_CODES = {fault: str(11 + fault) for fault in Fault}
RING = Family(
    layout="ring-modbus",
    maker="Sample Works",
    model="C-4",
    slots=30,
    sequence_bits=16,
    slot_by_sequence=True,
    sampling=Sampling(interval_us=2000, most=600, step_n=TENTH_LBF_N),
    keeps_curve=True,
    recorded=ALL_FIELDS - {"humidity_percent"},
    numeric_serials=True,
    kept=_ring_kept,
    status_codes=RING_CODES,
    record_codes=RING_CODES,
)


@lru_cache(maxsize=512)
def ring_record(record: Record) -> bytes:
    """32 registers."""

    def or_none(value: float | None, step: float) -> int:
        return 0xFFFF if value is None else steps(value, step)

    return b"".join(
        (
            struct.pack(">H", record.sequence),  # 0
            low_word_first(unix_ms(record.controller_time) // 1000),  # 1
            low_word_first(int(record.tool_serial)),  # 3
            bytes((RESULTS.index(record.result), COMPLETIONS.index(record.completion))),  # 5
            struct.pack(
                ">12H",
                MODES.index(record.mode),  # 6
                0 if record.fault is None else 11 + record.fault,
                record.duration_ms,
                record.take_up_ms,
                steps(record.peak_tension_n, TENTH_LBF_N),  # 10
                or_none(record.lock_tension_n, TENTH_LBF_N),
                or_none(record.seating_loss_n, TENTH_LBF_N),
                steps(record.set_torque_nm, TENTH_LBF_IN_NM),
                steps(record.tension_speed_mm_s, 0.1),
                steps(record.punch_pressure_kpa, TENTH_PSI_KPA),  # 15
                steps(record.supply_pressure_kpa, TENTH_PSI_KPA),
                or_none(record.punch_velocity_m_s, 0.001),
            ),
            low_word_first(record.total_count),  # 18
            struct.pack("8s12s", record.band.encode(), (record.part_id or "").encode()),  # 20, 24
            low_word_first(int.from_bytes(struct.pack(">f", record.motor_current_a), "big")),  # 30
        )
    )


def ring_status(controller: Controller, now: datetime) -> bytes:
    """32 registers."""
    status, at = controller.status(now), controller.clock(now)
    set_to = status.settings
    return b"".join(
        (
            struct.pack(
                ">6H",
                status.last_sequence,
                MODES.index(status.mode),
                STATES.index(status.state),
                status.fault_word,
                status.acknowledged_word,
                int(status.emergency_stop),
            ),
            low_word_first(status.total_count),  # 6
            low_word_first(status.count_since_cleared),
            struct.pack(  # 10
                ">7H", at.year, at.month, at.day, at.hour, at.minute, at.second, at.microsecond // 1000
            ),
            low_word_first(int(status.tool_serial or 0)),  # 17
            struct.pack(
                ">4H",
                steps(status.supply_pressure_kpa, TENTH_PSI_KPA),  # 19
                steps(set_to.set_torque_nm, TENTH_LBF_IN_NM),
                steps(set_to.tension_speed_mm_s, 0.1),
                steps(set_to.punch_pressure_kpa, TENTH_PSI_KPA),
            ),
            struct.pack("8s", set_to.band.encode()),  # 23
            bcd(FIRMWARE, 4),  # 27
            struct.pack("8s", status.cabinet_serial.encode()),
        )
    )


def ring_curve(controller: Controller, now: datetime) -> bytes:
    """605 registers; what a shorter curve leaves free is zero."""
    curve = controller.curve
    samples = struct.pack(f">{curve.count}H", *struct.unpack(f"<{curve.count}H", curve.samples))
    head = struct.pack(">HH", curve.sequence, curve.count) + low_word_first(curve.interval_us) + bytes(2)
    return (head + samples).ljust(1210, b"\0")


# ---- last-record-modbus --------------------------------------------------------------------------


def _last_kept(record: Record) -> Record:
    """It has words for ok and nok alone."""
    return replace(
        record,
        result="unknown" if record.result == "undecided" else record.result,
        controller_time=to_millisecond(record.controller_time),
        peak_tension_n=float32(record.peak_tension_n),
        punch_velocity_m_s=None if record.punch_velocity_m_s is None else float32(record.punch_velocity_m_s),
        set_torque_nm=float32(record.set_torque_nm),
    )


LAST = Family(
    layout="last-record-modbus",
    maker="Sample Works",
    model="C-1",
    slots=1,
    sequence_bits=32,
    slot_by_sequence=True,
    sampling=Sampling(interval_us=1000, most=1000, step_n=0.1),
    keeps_curve=False,
    recorded=frozenset(
        {
            "sequence",
            "controller_time",
            "result",
            "completion",
            "peak_tension_n",
            "punch_velocity_m_s",
            "duration_ms",
            "set_torque_nm",
        }
    ),
    numeric_serials=False,
    kept=_last_kept,
    status_codes={Fault.NO_BAND: "1", Fault.AIR: "2"},
    record_codes={},
)
LAST_RESULTS = ("unknown", "ok", "nok")
LAST_STATUS_FAULTS = (Fault.NO_BAND, Fault.AIR)
"""It shows one fault at a time: the first of these that is present, counted from 1."""


def swapped_text(text: str, size: int) -> bytes:
    """Text in a controller with the low byte first: two characters change places in each register."""
    padded = text.encode().ljust(size, b"\0")
    return bytes(padded[i ^ 1] for i in range(size))


@lru_cache(maxsize=64)
def last_record(record: Record) -> bytes:
    """16 registers."""
    velocity = -1.0 if record.punch_velocity_m_s is None else record.punch_velocity_m_s
    return struct.pack(
        "<IQHHffIf",
        record.sequence,
        unix_ms(record.controller_time),  # 2
        LAST_RESULTS.index(record.result),  # 6
        1 + COMPLETIONS.index(record.completion),
        record.peak_tension_n,  # 8
        velocity,
        record.duration_ms,  # 12
        record.set_torque_nm,
    )


def last_status(controller: Controller, now: datetime) -> bytes:
    """20 registers."""
    status = controller.status(now)
    shown = [number for number, fault in enumerate(LAST_STATUS_FAULTS, 1) if status.fault_word >> fault & 1]
    return b"".join(
        (
            struct.pack(
                "<IHHIQ",
                status.last_sequence,
                STATES.index(status.state),  # 2
                shown[0] if shown else 0,
                status.count_since_cleared,  # 4
                unix_ms(status.clock),  # 6
            ),
            swapped_text(status.tool_serial, 12),  # 10
            struct.pack("<fI", status.supply_pressure_kpa, status.total_count),  # 16
        )
    )


MAPS = {
    RING.layout: Map(
        RING,
        "holding",
        (
            Area(0, 64, ring_status),
            Area(100, 30 * 64, lambda controller, now: ring_bytes(controller, 64, ring_record)),
            Area(2000, 1210, ring_curve),
        ),
    ),
    LAST.layout: Map(
        LAST,
        "input",
        (
            Area(0, 40, last_status),
            Area(40, 32, lambda controller, now: ring_bytes(controller, 32, last_record)),
        ),
    ),
}
