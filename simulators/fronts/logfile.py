"""The CSV logs that two controllers keep beside their memory, written by hand; a USB stick brings them.

A log lies on the controller's flash: it goes back further than the ring, and outlives a lost memory.
"""

from collections.abc import Callable, Iterable, Mapping

from simulators.fronts.modbus_maps import LAST, RING, TENTH_LBF_IN_NM, TENTH_LBF_N, TENTH_PSI_KPA
from simulators.fronts.packing import steps
from simulators.memory import Record

RING_RESULTS = {"ok": "OK", "nok": "NOK", "undecided": "?", "unknown": ""}
RING_HEADER = (
    "No.;Date;Time;Tool;Result;End;Mode;Fault;Duration ms;Take-up ms;Peak lbf;Lock lbf;Loss lbf;"
    "Torque lbf·in;Speed mm/s;Punch psi;Air psi;Punch m/s;Total;Band;Part;Motor A"
)


def ring_log(records: Iterable[Record]) -> bytes:
    """cp1252, semicolons, decimal comma, a line with the model above the header."""
    lines = ["Sample Works C-4 cycle log", RING_HEADER, *(_ring_line(record) for record in records)]
    return "".join(f"{line}\r\n" for line in lines).encode("cp1252")


def _ring_line(record: Record) -> str:
    def number(value: float | None, step: float, digits: int) -> str:
        return "" if value is None else f"{steps(value, step) / 10**digits:.{digits}f}".replace(".", ",")

    at = record.controller_time
    return ";".join(
        (
            str(record.sequence),
            f"{at:%d.%m.%Y}",
            f"{at:%H:%M:%S}",
            record.tool_serial,
            RING_RESULTS[record.result],
            record.completion,
            record.mode,
            "" if record.fault is None else str(11 + record.fault),
            str(record.duration_ms),
            str(record.take_up_ms),
            number(record.peak_tension_n, TENTH_LBF_N, 1),
            number(record.lock_tension_n, TENTH_LBF_N, 1),
            number(record.seating_loss_n, TENTH_LBF_N, 1),
            number(record.set_torque_nm, TENTH_LBF_IN_NM, 1),
            number(record.tension_speed_mm_s, 0.1, 1),
            number(record.punch_pressure_kpa, TENTH_PSI_KPA, 1),
            number(record.supply_pressure_kpa, TENTH_PSI_KPA, 1),
            number(record.punch_velocity_m_s, 0.001, 3),
            str(record.total_count),
            f'"{record.band}"',
            f'"{record.part_id or ""}"',
            repr(record.motor_current_a).replace(".", ","),
        )
    )


def last_log(records: Iterable[Record]) -> bytes:
    """UTF-8, commas, no header."""
    return "".join(f"{_last_line(record)}\n" for record in records).encode()


def _last_line(record: Record) -> str:
    velocity = "-" if record.punch_velocity_m_s is None else repr(record.punch_velocity_m_s)
    return ",".join(
        (
            str(record.sequence),
            record.controller_time.isoformat(sep=" ", timespec="milliseconds"),
            record.result,
            record.completion,
            repr(record.peak_tension_n),
            velocity,
            str(record.duration_ms),
            repr(record.set_torque_nm),
        )
    )


LOGS: Mapping[str, Callable[[Iterable[Record]], bytes]] = {RING.layout: ring_log, LAST.layout: last_log}
"""Layout -> how such a controller writes its log."""
