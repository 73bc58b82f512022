"""A tolerance band around good curves: what the curve of one tool and band looks like, and how far it may
stray.

learn:   accepted curves, laid over each other where half the rise is passed → centre: median at each
instant, spread: median absolute deviation → factor: so many spreads that a further good curve stays within,
all along, with a stated probability compare: (curve − centre) / (factor × spread); beyond ±1 it leaves the
band
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
import scipy
from numpy.typing import NDArray

from collector.analysis.features import Quantity, features_of

Floats = NDArray[np.float64]

LEAST_CURVES = 50
NORMAL_MAD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""
COVERED = 0.9
"""The band runs from where this share of the curves has begun to where it has not ended."""
SPREAD_MS = 9.0
"""The spread is smoothed over this long: half of 50 curves make a rough one at each instant."""
LEAST_SPREAD = 0.5
"""The spread is nowhere less than this share of its own median."""
ODD_ONES = 10.0
"""A curve so many spreads (of the logarithm of the scores) worse than the others is left out of learning."""


@dataclass(frozen=True, slots=True)
class ToleranceBand:
    """Around the curves of one tool and band; all arrays (g,), one instant every `sample_interval_us`."""

    quantity: Quantity
    sample_interval_us: float
    inside_share: float
    """A further good curve stays inside, all along, with at least this probability."""
    curves: int
    """It was learnt from so many."""
    left_out: int
    """Of those given, so many could not be laid over the others, or were not like them."""
    offset_ms: Floats
    """From where half the rise is passed."""
    centre: Floats
    """In the unit of `quantity`."""
    half_width: Floats
    """factor × spread: the band is centre ± half_width."""


@dataclass(frozen=True, slots=True)
class Departure:
    """One stretch of a curve outside the band."""

    from_ms: float
    """From where half the rise is passed; negative ahead of it."""
    to_ms: float
    side: str
    """`above` or `below`."""
    worst: float
    """The furthest distance from the centre, in half widths; over 1."""
    worst_ms: float
    excess: float
    """How far outside the band it is there, in the unit of `quantity`."""


@dataclass(frozen=True, slots=True)
class Distance:
    """A curve beside a tolerance band."""

    distance: float | None
    """The furthest from the centre, in half widths: up to 1 it is inside. None where `refused` says why."""
    typical_distance: float | None
    """Root mean square along the curve, in half widths."""
    covered_share: float
    """How much of the band the curve covers; what it does not cover is not judged."""
    departures: tuple[Departure, ...] = ()
    """In order of time; empty: inside."""
    refused: str | None = None


def learn(
    curves: Sequence[NDArray[np.floating]],
    sample_interval_us: float,
    quantity: Quantity = "tension_n",
    inside_share: float = 0.95,
) -> ToleranceBand:
    """A tolerance band from at least 50 curves of accepted cycles of one tool and band, (n,) samples each,
    in N or N·m.

    Every second curve gives centre and spread (median, and median absolute deviation, P. J. Huber: Robust
    Statistics); the others give the factor as an order statistic of their largest deviation (split
    conformal prediction: Lei, G'Sell, Rinaldo, Tibshirani & Wasserman 2018, JASA 113, theorem 2.2), so the
    probability holds for any distribution, as long as the tool goes on as it was. Wrong ones among the curves
    are left out where they differ widely (`ODD_ONES`), as a good one would be that is so odd.

    Raises: ValueError: fewer than 50 usable curves, or fewer than `inside_share` takes (95 % 50, 99 % 198).
    """
    if not 0.5 <= inside_share < 1:
        raise ValueError(f"inside_share is a probability from 0.5 to below 1, not {inside_share}")
    laid = [
        placed for curve in curves if (placed := _placed(curve, sample_interval_us, quantity)) is not None
    ]
    needed = max(LEAST_CURVES, 2 * ceil(round(inside_share / (1 - inside_share), 9)))
    if len(laid) < needed:
        raise ValueError(_too_few(len(laid), len(curves), inside_share, needed))
    offset_ms = _grid(laid, sample_interval_us / 1000)
    rows = np.stack([_at(placed, offset_ms) for placed in laid])
    centre, spread = _centre_and_spread(rows[::2], sample_interval_us / 1000)
    scores = _largest(np.abs(rows[1::2] - centre) / spread)
    good = scores[_alike(scores)]
    rank = ceil((good.size + 1) * inside_share)
    usable = len(laid) - scores.size + good.size
    if rank > good.size:
        raise ValueError(_too_few(usable, len(curves), inside_share, needed))
    factor = max(1.0, float(np.sort(good)[rank - 1]))
    return ToleranceBand(
        quantity,
        sample_interval_us,
        inside_share,
        curves=usable,
        left_out=len(curves) - usable,
        offset_ms=offset_ms,
        centre=centre,
        half_width=factor * spread,
    )


def distance(curve: NDArray[np.floating], sample_interval_us: float, band: ToleranceBand) -> Distance:
    """How far (n,) samples stray from a band, and where they leave it; the interval may differ from the
    band's.

    A curve without a rise, or with more than a tenth of NaN, is refused.
    """
    placed = _placed(curve, sample_interval_us, band.quantity)
    if placed is None:
        return Distance(None, None, 0.0, refused="the curve has no rise by which to lay it over the band")
    values = _at(placed, band.offset_ms)
    known = np.isfinite(values)
    relative = np.where(known, (values - band.centre) / band.half_width, 0.0)
    return Distance(
        float(np.abs(relative).max()),
        float(np.sqrt(np.mean(relative[known] ** 2))),
        float(known.mean()),
        _departures(relative, band),
    )


@dataclass(frozen=True, slots=True)
class _Placed:
    """A curve with its time counted from where half the rise is passed; its NaN left out."""

    offset_ms: Floats
    values: Floats


def _placed(curve: NDArray[np.floating], sample_interval_us: float, quantity: Quantity) -> _Placed | None:
    values = np.asarray(curve, dtype=np.float64)
    half_rise_ms = features_of(values, sample_interval_us, quantity).half_rise_ms
    if half_rise_ms is None:
        return None
    offset_ms = np.arange(values.size, dtype=np.float64) * (sample_interval_us / 1000) - half_rise_ms
    finite = np.isfinite(values)
    return _Placed(offset_ms[finite], values[finite])


def _at(placed: _Placed, offset_ms: Floats) -> Floats:
    """Its values at other instants, NaN outside of it."""
    values: Floats = np.interp(offset_ms, placed.offset_ms, placed.values, left=np.nan, right=np.nan)
    return values


def _grid(laid: Sequence[_Placed], interval_ms: float) -> Floats:
    """Instants at which most of the curves are there; 0, where half the rise is passed, is one of them."""
    first_ms = float(np.quantile([placed.offset_ms[0] for placed in laid], COVERED))
    last_ms = float(np.quantile([placed.offset_ms[-1] for placed in laid], 1 - COVERED))
    first, end = ceil(first_ms / interval_ms), int(last_ms / interval_ms) + 1
    return np.arange(first, end, dtype=np.float64) * interval_ms


def _centre_and_spread(rows: Floats, interval_ms: float) -> tuple[Floats, Floats]:
    centre = np.nanmedian(rows, axis=0)
    rough = NORMAL_MAD * np.nanmedian(np.abs(rows - centre), axis=0)
    spread = scipy.ndimage.uniform_filter1d(rough, max(1, round(SPREAD_MS / interval_ms)), mode="nearest")
    usual = float(np.median(spread)) or 1e-6 * float(np.abs(centre).max())
    return centre, np.maximum(spread, LEAST_SPREAD * usual)


def _largest(deviations: Floats) -> Floats:
    """Largest of each row, whatever is NaN."""
    return np.asarray(np.nan_to_num(deviations, nan=0.0).max(axis=1))


def _alike(scores: Floats) -> NDArray[np.bool_]:
    """Which scores are like the rest."""
    logs = np.log(np.maximum(scores, 1e-12))
    middle = np.median(logs)
    spread = NORMAL_MAD * np.median(np.abs(logs - middle))
    return np.asarray(logs <= middle + ODD_ONES * max(spread, 0.02))


def _too_few(usable: int, given: int, inside_share: float, needed: int) -> str:
    """Half of the curves calibrate: m of them reach a probability of m/(m+1)."""
    return (
        f"{usable} usable curves of the {given} given are too few for a tolerance band that "
        f"{inside_share:.0%} of the good curves stay inside; it takes {needed} of one tool and band"
    )


def _departures(relative: Floats, band: ToleranceBand) -> tuple[Departure, ...]:
    """Runs of one side, in order."""
    side = np.sign(relative) * (np.abs(relative) > 1)
    bounds = np.flatnonzero(np.diff(side)) + 1
    begins = np.concatenate(([0], bounds))
    ends = np.concatenate((bounds, [side.size]))
    return tuple(
        _departure(relative, band, int(begin), int(end))
        for begin, end in zip(begins, ends, strict=True)
        if side[begin] != 0
    )


def _departure(relative: Floats, band: ToleranceBand, begin: int, end: int) -> Departure:
    worst = begin + int(np.abs(relative[begin:end]).argmax())
    size = abs(float(relative[worst]))
    return Departure(
        from_ms=float(band.offset_ms[begin]),
        to_ms=float(band.offset_ms[end - 1]),
        side="above" if relative[worst] > 0 else "below",
        worst=size,
        worst_ms=float(band.offset_ms[worst]),
        excess=(size - 1) * float(band.half_width[worst]),
    )
