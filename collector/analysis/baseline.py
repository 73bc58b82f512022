"""Phase I of a control chart: center line and sigma from a stretch of values that is accepted as in
control.

Values that depend on their predecessors make the moving range too small and false alarms many. So
dependence is tested first (Ljung & Box, Biometrika 65 (1978) 297); where there is any, what is
charted are the residuals of an autoregression (Alwan & Roberts, Journal of Business & Economic
Statistics 6 (1988) 87), and where none of low order explains it, or on request, limits are widened
instead: those of single values to their whole standard deviation, those of EWMA and CUSUM to the
long-run one, σ·√(1 + 2Σρ) (Bagshaw & Johnson, Technometrics 17 (1975) 73).
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, cast

import numpy as np

from collector.analysis.change_point import ChangePoint, change_point
from collector.analysis.chart_design import D2
from collector.analysis.run_rules import Flags, Floats

LEAST = 25
"""Values that a baseline needs (common practice)."""
MOST_LEFT_OUT = 0.10
"""Share of values that may be found beyond the limits of the others; more is no stable process."""
DOUBT = 0.01
"""Dependence counts where its p-value is below."""
UNSTEADY = 0.001
"""A change point within a baseline counts where its p-value is below."""
MOST_LAGS = 3
"""Of an autoregression."""
WANDERS = 0.95
"""Sum of the coefficients from which on there is no level to return to."""
FINEST = 1e-9
"""Share of the whole deviation below which what is left is none."""

Treatment = Literal["independent", "residuals", "widened"]


@dataclass(frozen=True, slots=True)
class LeftOut:
    index: int
    """In the values given."""
    reason: str


@dataclass(frozen=True, slots=True)
class Autocorrelation:
    """What the values of a baseline owe to their predecessors."""

    lag_1: float
    """−1 to 1."""
    p_value: float
    """Of independence, by Ljung and Box over `lags`."""
    lags: int
    found: bool


@dataclass(frozen=True, slots=True)
class Baseline:
    """Phase I, in the unit of the values."""

    count: int
    """Values that it rests on."""
    left_out: tuple[LeftOut, ...]
    autocorrelation: Autocorrelation
    treatment: Treatment
    coefficients: tuple[float, ...]
    """Of the autoregression, newest predecessor first; empty where residuals are not charted."""
    center: float
    sigma: float
    """Of a charted value or residual."""
    long_run_sigma: float
    """What EWMA and CUSUM are held against; differs from sigma where limits are widened."""


@dataclass(frozen=True, slots=True)
class NoBaseline:
    refused: str
    """Why, in a sentence."""
    left_out: tuple[LeftOut, ...] = ()


def phase_one(
    values: Floats,
    left_out: Mapping[int, str] | None = None,
    treat: Literal["residuals", "widened"] = "residuals",
    least: int = LEAST,
) -> Baseline | NoBaseline:
    """A baseline from (n,) values in time order; NaN is a cycle without the value.

    `left_out` names values that a person left out, with the reason. Then those beyond three sigmas of the
    others are left out, round by round; and there must be no change point among the rest. Sigma is the
    mean moving range over d₂ (NIST/SEMATECH e-Handbook, 6.3.2.2), from neighbours that are both in
    (cycles without the value are passed over).
    """
    values = np.asarray(values, np.float64)
    if values.ndim != 1:
        raise ValueError("a baseline is made from one row of values")
    places = np.flatnonzero(np.isfinite(values))
    out = dict.fromkeys(np.flatnonzero(~np.isfinite(values)).tolist(), "no value")
    out |= {place: why for place, why in (left_out or {}).items() if 0 <= place < values.size}
    row, kept = values[places], np.array([place not in out for place in places.tolist()], bool)
    given = int(kept.sum())
    while True:  # each round leaves out one at least, and only so many may be
        refused = _refusal(row[kept], given, least)
        if refused:
            return NoBaseline(refused, _listed(out))
        found = _estimate(row, kept, treat)
        if isinstance(found, NoBaseline):
            return replace(found, left_out=_listed(out))
        beyond = _beyond(row, kept, found)
        if not beyond:
            break
        kept[list(beyond)] = False
        out |= {int(places[at]): reason for at, reason in beyond.items()}
    shift = change_point(row[kept], doubt=UNSTEADY)
    if isinstance(shift, ChangePoint):
        about = places[kept][shift.place]
        return NoBaseline(
            f"the values change ({shift.kind}) about place {about}: choose a steadier stretch", _listed(out)
        )
    return replace(found, left_out=_listed(out))


def autocorrelation(values: Floats) -> Autocorrelation:
    """Of (n,) finite values in time order, n ≥ 4, not all equal: r₁ = Σ(x_t − m)(x_{t+1} − m) / Σ(x_t −
    m)².

    Raises: ValueError: it has none.
    """
    if values.ndim != 1 or values.size < 4 or not np.isfinite(values).all() or np.ptp(values) == 0:
        raise ValueError("autocorrelation needs at least 4 finite values that are not all equal")
    lags = min(10, values.size // 4)
    from statsmodels.tsa.stattools import acf  # type: ignore[import-untyped]  # see the package

    lag_1 = cast(Floats, acf(values, nlags=1, fft=False))[1]
    p_value = _ljung_box(values, lags, 0)
    return Autocorrelation(float(lag_1), p_value, lags, p_value < DOUBT)


def residuals(values: Floats, baseline: Baseline) -> Floats:
    """What the autoregression leaves of (n,) finite values, about the center line: (n,), in their unit.

    The first have no predecessors and take the center line for them.
    """
    deviations = values - baseline.center
    left = deviations.copy()
    for lag, coefficient in enumerate(baseline.coefficients, start=1):
        left[lag:] -= coefficient * deviations[:-lag]
    return left


# ---- inside --------------------------------------------------------------------------------------


def _refusal(values: Floats, given: int, least: int) -> str | None:
    if values.size < least:
        return f"only {values.size} values; a baseline needs {least}"
    if np.ptp(values) == 0:
        return "all values are equal: the measure is resolved too coarsely to be charted"
    if values.size < given * (1 - MOST_LEFT_OUT):
        return (
            f"{given - values.size} of {given} values lie beyond the limits of the others: "
            "this was no stable stretch; choose another"
        )
    return None


def _estimate(values: Floats, kept: Flags, treat: Literal["residuals", "widened"]) -> Baseline | NoBaseline:
    """The baseline that the kept values make, before any list of those left out."""
    inside = values[kept]
    dependence = autocorrelation(inside)

    def made(
        treatment: Treatment, coefficients: tuple[float, ...], sigma: float, long_run: float
    ) -> Baseline:
        center = float(inside.mean())
        return Baseline(inside.size, (), dependence, treatment, coefficients, center, sigma, long_run)

    if not dependence.found:
        sigma = _mean_moving_range(values, kept) / D2
        if sigma == 0:
            return NoBaseline("no two neighbours are left in that differ: there is no short-term spread")
        return made("independent", (), sigma, sigma)
    deviations = np.where(kept, values - inside.mean(), np.nan)
    fits = {lags: _autoregression(deviations, lags) for lags in range(1, MOST_LAGS + 1)}
    if max(sum(coefficients) for coefficients, _ in fits.values()) >= WANDERS:
        return NoBaseline(
            "the values wander or drift instead of staying about a level; choose another stretch"
        )
    if np.nanstd(fits[MOST_LAGS][1]) <= FINEST * inside.std():
        return NoBaseline("the values follow from each other exactly: there is no chance to chart")
    for lags, (coefficients, left) in fits.items() if treat == "residuals" else ():
        whole = np.isfinite(left)
        if _ljung_box(left[whole], dependence.lags, lags) >= DOUBT:
            sigma = _mean_moving_range(left, whole) / D2
            return made("residuals", coefficients, sigma, sigma)
    coefficients, left = fits[MOST_LAGS]
    long_run = float(np.nanstd(left)) / (1 - sum(coefficients))
    return made("widened", (), float(inside.std(ddof=1)), long_run)


def _mean_moving_range(values: Floats, kept: Flags) -> float:
    both = kept[1:] & kept[:-1]
    return float(np.abs(np.diff(values))[both].mean()) if both.any() else 0.0


def _autoregression(deviations: Floats, lags: int) -> tuple[tuple[float, ...], Floats]:
    """Coefficients by least squares, and what they leave, (n,): NaN where a predecessor is missing."""
    before = np.column_stack([np.r_[np.full(lag, np.nan), deviations[:-lag]] for lag in range(1, lags + 1)])
    whole = np.isfinite(deviations) & np.isfinite(before).all(axis=1)
    coefficients = np.linalg.lstsq(before[whole], deviations[whole])[0]
    return tuple(coefficients.tolist()), deviations - before @ coefficients


def _beyond(values: Floats, kept: Flags, found: Baseline) -> dict[int, str]:
    """The kept values beyond three sigmas, each with the reason to leave it out."""
    z = residuals(np.where(kept, values, found.center), found) / found.sigma
    what = "its residual" if found.coefficients else "it"
    return {
        place: f"{what} is {z[place]:+.1f} sigmas from the center line {found.center:.6g} of the others"
        for place in np.flatnonzero(kept & (np.abs(z) > 3)).tolist()
    }


def _ljung_box(values: Floats, lags: int, fitted: int) -> float:
    from statsmodels.stats.diagnostic import acorr_ljungbox  # type: ignore[import-untyped]  # see the package

    table = acorr_ljungbox(values, lags=[max(lags, fitted + 1)], model_df=fitted)
    return float(table["lb_pvalue"].iloc[0])


def _listed(out: Mapping[int, str]) -> tuple[LeftOut, ...]:
    return tuple(LeftOut(index, out[index]) for index in sorted(out))
