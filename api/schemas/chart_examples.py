"""Examples for the document: answers about an invented tool whose punch slowed."""

from typing import Any

from api.cautions import CAUTIONS

CHARTS: dict[str, Any] = {
    "tool": {"maker": "Sample Works", "model": "C-4", "serial": "3001"},
    "measure": "punch_velocity_m_s",
    "design": {
        "source": "site",
        "tests": ["beyond_limits", "ewma", "cusum_high", "cusum_low"],
        "limit_sigmas": 3.235,
        "moving_range_limit_sigmas": None,
        "ewma": {"weight": 0.2, "limit_sigmas": 3.125, "half_width_sigmas": 1.042},
        "cusum": {"allowance_sigmas": 0.5, "limit_sigmas": 5.563},
        "run_length": {"values": 369.6, "standard_error": 3.652, "method": "simulated"},
    },
    "baseline_cycles": 100,
    "cycles": 2,
    "stretches": [
        {
            "reason": "service",
            "says": "a service was done",
            "began_at": "2026-06-01T20:59:30Z",
            "is_cut": True,
            "cycles": 2,
            "without_value": 0,
            "verdict": "signals",
            "refused": None,
            "baseline": {
                "values": 98,
                "begin": {"id": "A-02.1.901", "ended_at": "2026-06-01T21:00:00Z"},
                "left_out": [{"id": "A-02.1.908", "ended_at": "2026-06-01T21:07:00Z", "reason": "no value"}],
                "autocorrelation": {"lag_1": -0.09297, "p_value": 0.7686, "lags": 10, "found": False},
                "treatment": "independent",
                "coefficients": [],
                "center": 6.193,
                "sigma": 0.1006,
                "long_run_sigma": 0.1006,
            },
            "limits": {
                "center": 6.193,
                "upper": 6.519,
                "lower": 5.868,
                "moving_range_center": 0.1135,
                "moving_range_upper": 0.3908,
            },
            "run_length": {"values": 369.6, "standard_error": 3.652, "method": "simulated"},
            "signals": [
                {
                    "test": "beyond_limits",
                    "first": {"id": "A-02.1.1400", "ended_at": "2026-06-02T05:19:00Z"},
                    "last": {"id": "A-02.1.1400", "ended_at": "2026-06-02T05:19:00Z"},
                    "cycles": 1,
                }
            ],
            "points": {
                "ids": ["A-02.1.1399", "A-02.1.1400"],
                "ended_at": ["2026-06-02T05:18:00Z", "2026-06-02T05:19:00Z"],
                "values": [6.092, 5.83],
                "charted": [6.092, 5.83],
                "moving_range_sigmas": None,
                "ewma_sigmas": [-0.2007, -0.8836],
                "cusum_high_sigmas": [0.0, 0.0],
                "cusum_low_sigmas": [0.5034, 3.619],
            },
            "unknown": {},
        }
    ],
}

CAPABILITY: dict[str, Any] = {
    "tool": {"maker": "Sample Works", "model": "C-4", "serial": "3001"},
    "measure": "punch_velocity_m_s",
    "looked_at": {
        "cycles": 248,
        "first": {"id": "A-02.1.901", "ended_at": "2026-06-01T21:00:00Z"},
        "last": {"id": "A-02.1.1150", "ended_at": "2026-06-02T01:09:00Z"},
        "since_restart": {
            "at": "2026-06-01T20:59:30Z",
            "reason": "service",
            "says": "a service was done",
            "seen_at": "2026-06-01T20:59:30Z",
        },
        "is_full": False,
        "restarts": [],
    },
    "specification": {"lower": 5.0, "upper": 7.0, "source": "site"},
    "confidence": 0.95,
    "refused": None,
    "figures": {
        "mean": 6.196,
        "sigma_short_term": 0.101,
        "sigma_overall": 0.09608,
        "normality": {"normal": True, "statistic": 0.2985, "p_value": 0.5842},
        "autocorrelation": {"lag_1": -0.07009, "p_value": 0.527, "lags": 10, "found": False},
        "out_of_specification": {"below": 0, "above": 0, "ppm": 0.0, "ppm_low": 0.0, "ppm_high": 15070.0},
        "cp": {"estimate": 3.3, "low": 2.922, "high": 3.677, "method": "chi-square"},
        "cpk": {"estimate": 2.653, "low": 2.346, "high": 2.959, "method": "Bissell"},
        "pp": {"estimate": 3.469, "low": 3.16, "high": 3.778, "method": "chi-square"},
        "ppk": {"estimate": 2.789, "low": 2.537, "high": 3.041, "method": "Bissell"},
        "percentile_pp": None,
        "percentile_ppk": None,
        "equivalent_ppk": None,
        "values": 243,
    },
    "unknown": {
        "figures.percentile_pp": "the values pass for normal (p = 0.58): see cp to ppk",
        "figures.percentile_ppk": "the values pass for normal (p = 0.58): see cp to ppk",
        "figures.equivalent_ppk": "the values pass for normal (p = 0.58): see cp to ppk",
    },
}

CHANGE_POINT: dict[str, Any] = {
    "tool": {"maker": "Sample Works", "model": "C-4", "serial": "3001"},
    "measure": "punch_velocity_m_s",
    "looked_at": {
        "cycles": 495,
        "first": {"id": "A-02.1.901", "ended_at": "2026-06-01T21:00:00Z"},
        "last": {"id": "A-02.1.1400", "ended_at": "2026-06-02T05:19:00Z"},
        "since_restart": {
            "at": "2026-06-01T20:59:30Z",
            "reason": "service",
            "says": "a service was done",
            "seen_at": "2026-06-01T20:59:30Z",
        },
        "is_full": False,
        "restarts": [],
    },
    "confidence": 0.95,
    "change": {
        "kind": "mean",
        "first_after": {"id": "A-02.1.1151", "ended_at": "2026-06-02T01:10:00Z"},
        "earliest": {"id": "A-02.1.1150", "ended_at": "2026-06-02T01:09:00Z"},
        "latest": {"id": "A-02.1.1151", "ended_at": "2026-06-02T01:10:00Z"},
        "ranges": [
            {
                "first": {"id": "A-02.1.1150", "ended_at": "2026-06-02T01:09:00Z"},
                "last": {"id": "A-02.1.1151", "ended_at": "2026-06-02T01:10:00Z"},
                "cycles": 2,
            }
        ],
        "p_value": 3.471e-115,
        "mean_before": 6.196,
        "mean_after": 5.903,
        "sigma_before": 0.09608,
        "sigma_after": 0.1102,
        "lag_1": -0.04093,
    },
    "no_change": None,
    "p_value": 3.471e-115,
    "unknown": {},
}

CONTAINMENT: dict[str, Any] = {
    "tool": {"maker": "Sample Works", "model": "C-4", "serial": "3001"},
    "measure": "punch_velocity_m_s",
    "confidence": 0.95,
    "detection": {
        "source": "chart",
        "cycle": {"id": "A-02.1.1153", "ended_at": "2026-06-02T01:12:00Z"},
        "tests": ["beyond_limits", "ewma", "cusum_low"],
    },
    "says": "a change (drift, p = 6.6e-07) began at cycle A-02.1.1150, not before A-02.1.1149 at 95% "
    "confidence",
    "first": {"id": "A-02.1.1149", "ended_at": "2026-06-02T01:08:00Z"},
    "sure_from": {"id": "A-02.1.1151", "ended_at": "2026-06-02T01:10:00Z"},
    "last": {"id": "A-02.1.1153", "ended_at": "2026-06-02T01:12:00Z"},
    "corrected_by": None,
    "suspects": 5,
    "is_cut": False,
    "later_signals": 240,
    "unknown": {},
    "cautions": [*CAUTIONS],
    "items": [
        {
            "id": "A-02.1.1153",
            "controller": "A-02",
            "epoch": 1,
            "sequence": "1153",
            "ended_at": "2026-06-02T01:12:00Z",
            "result": "ok",
            "completion": "completed",
            "mode": "automatic",
            "band": None,
            "fault_code": None,
            "part_id": "P-01152",
            "value": 5.728,
        }
    ],
    "next": "WyIwM…",
}
