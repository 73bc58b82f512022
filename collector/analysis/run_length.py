"""How long a control chart runs before it signals: average run lengths (ARL), in charted values.

The values are taken to be independent and normal, center line and sigma to be known. `shift_sigmas` is how
far the mean lies from the center line; at 0 the process is in control and the run length is the distance
between false alarms. The chart begins afresh after each signal (zero state).

Exact, to about nine digits:
- run rules that ask only for zones: the Markov chain of Champ & Woodall, Technometrics 29 (1987) 393;
- EWMA with steady limits: the integral equation of Crowder, Technometrics 29 (1987) 401;
- CUSUM: the integral equation of Page, Biometrika 41 (1954) 100, both sides together after Lucas & Crosier,
  Technometrics 24 (1982) 199.

Everything else, above all the combination of several of them: simulated with the code that draws the
charts, from a fixed seed, with its standard error.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import ceil, inf, isfinite, log, sqrt
from typing import Literal

import numpy as np
import scipy

from collector.analysis.chart_design import Cusum, Design, Ewma, at_start, draw
from collector.analysis.run_rules import ZONES, Flags, Floats, Rule, Zones, zones_of

NODES = 80
"""Of the quadrature, at least."""
BEYOND_RECKONING = 1e12
"""Longer run lengths are lost in rounding; they count as never."""
RUNS, RUNS_FOR_LIMITS = 10_000, (2_000, 8_000)
"""Simulated runs: a standard error of 1.0 %; of the two steps towards limits, 2.2 % and 1.1 %."""
BATCH, AT_ONCE, MOST_VALUES, BUDGET = 2048, 64, 8192, 30_000_000
"""Runs at once; values that each gets at a time, at most; values in all."""


@dataclass(frozen=True, slots=True)
class RunLength:
    """An average run length."""

    values: float
    """Charted values up to a signal, the signalling one included; inf: never, as far as it can be
    reckoned."""
    standard_error: float
    """Of the simulation; 0 where the method is exact."""
    method: Literal["exact", "simulated"]


USUAL_VALUES, USUAL, USUAL_RUN_LENGTH = (
    2000.0,
    Design(
        rules=("beyond_limits",),
        limit_sigmas=3.7146321137885767,
        moving_range=False,
        ewma=Ewma(weight=0.2, limit_sigmas=3.6474477352709673),
        cusum=Cusum(allowance_sigmas=0.5, limit_sigmas=7.34346906571691),
    ),
    RunLength(1985.1868797141724, 19.776858981898165, "simulated"),
)
"""What `work_out_design` gives where nobody asks for anything else, and its in-control run length: known
beforehand, since it takes some ten seconds."""


@lru_cache(maxsize=256)
def run_length(design: Design, shift_sigmas: float = 0.0, runs: int = RUNS) -> RunLength:
    """The average run length of all that is switched on together; remembered by its arguments."""
    exact = _exact(design, shift_sigmas)
    if exact is not None:
        return RunLength(exact, 0.0, "exact")
    if (design, shift_sigmas, runs) == (USUAL, 0.0, RUNS):
        return USUAL_RUN_LENGTH
    return simulated_run_length(design, shift_sigmas, runs)


def _exact(design: Design, shift: float) -> float | None:
    match design:
        case Design(rules=rules, moving_range=False, ewma=None, cusum=None) if set(rules) <= ZONES.keys():
            return rules_run_length(rules, shift, design.limit_sigmas)
        case Design(rules=(), moving_range=False, ewma=Ewma() as ewma, cusum=None) if not ewma.widening:
            return ewma_run_length(ewma, shift)
        case Design(rules=(), moving_range=False, ewma=None, cusum=Cusum() as cusum):
            return cusum_run_length(cusum, shift)
        case _:
            return None


# ---- exact ---------------------------------------------------------------------------------------


def rules_run_length(rules: tuple[Rule, ...], shift_sigmas: float = 0.0, limit_sigmas: float = 3.0) -> float:
    """Of run rules together (Champ & Woodall 1987).

    A state holds, for each region of each rule, which of the last values lay in it, as far as that can
    still matter. Raises: ValueError: a rule that compares neighbours, which has no such chain.
    """
    unknown = [rule for rule in rules if rule not in ZONES]
    if unknown or not rules:
        raise ValueError(f"no Markov chain for {unknown or 'no rule at all'}")
    watched = [
        (zones, region) for zones in (zones_of(r, limit_sigmas) for r in rules) for region in zones.regions
    ]
    edges = sorted({edge for _, region in watched for interval in region for edge in interval} | {-inf, inf})
    chances = np.diff(scipy.special.ndtr(np.array(edges) - shift_sigmas))
    inside = [
        [any(low <= left and right <= high for low, high in region) for _, region in watched]
        for left, right in pairwise(edges)
    ]
    begin = (0,) * len(watched)
    numbers, waiting = {begin: 0}, [begin]
    rows, columns, weights = [], [], []
    for state in waiting:  # grows while it is walked
        for chance, hits in zip(chances, inside, strict=True):
            following = _following(state, hits, [zones for zones, _ in watched])
            if following is None:
                continue
            if following not in numbers:
                numbers[following] = len(waiting)
                waiting.append(following)
            rows.append(numbers[state])
            columns.append(numbers[following])
            weights.append(chance)
    stays = scipy.sparse.csc_array((weights, (rows, columns)), shape=(len(waiting), len(waiting)))
    leaves = scipy.sparse.eye_array(len(waiting), format="csc") - stays
    return float(scipy.sparse.linalg.spsolve(leaves, np.ones(len(waiting)))[0])


def _following(state: tuple[int, ...], hits: list[bool], zones: list[Zones]) -> tuple[int, ...] | None:
    """The state after a value that hits these regions; None where a rule signals.

    A history is a number in binary, the newest value in its lowest bit.
    """
    histories = []
    for history, hit, zone in zip(state, hits, zones, strict=True):
        window = history << 1 | hit
        if hit and window.bit_count() >= zone.needed:
            return None
        # The oldest value goes when it leaves the window, or when even hits alone could not use it any more.
        while window and (
            (age := window.bit_length()) >= zone.window
            or window.bit_count() + zone.window - age < zone.needed
        ):
            window &= ~(1 << (age - 1))
        histories.append(window)
    return tuple(histories)


def ewma_run_length(design: Ewma, shift_sigmas: float = 0.0) -> float:
    """Of an EWMA with steady limits on both sides (Crowder 1987)."""
    half, weight = float(design.half_width()), design.weight
    nodes, weights = _quadrature(-half, half, weight)

    def onward(start: Floats) -> Floats:
        return _normal((nodes - (1 - weight) * start[:, None]) / weight - shift_sigmas) * weights / weight

    return float(_lengths(onward(np.zeros(1)), onward(nodes))[0])


def cusum_run_length(design: Cusum, shift_sigmas: float = 0.0) -> float:
    """Of a CUSUM on both sides, with or without a head start (Lucas & Crosier 1982)."""
    high_0, high = one_sided_cusum_run_length(design, shift_sigmas)
    low_0, low = one_sided_cusum_run_length(design, -shift_sigmas)
    if not isfinite(low_0):
        return high
    if not isfinite(high_0):
        return low
    return (high * low_0 + low * high_0 - high_0 * low_0) / (high_0 + low_0)


def one_sided_cusum_run_length(design: Cusum, shift_sigmas: float) -> tuple[float, float]:
    """Of the upper sum alone, begun at 0 and at the head start (Page 1954):
    L(u) = 1 + L(0)·Φ(k − u − δ) + ∫₀ʰ L(x)·φ(x + k − u − δ) dx."""
    drift = design.allowance_sigmas - shift_sigmas
    nodes, weights = _quadrature(0.0, design.limit_sigmas, 1.0)

    def onward(start: Floats) -> Floats:
        to_zero = scipy.special.ndtr(drift - start)[:, None]
        return np.hstack((to_zero, _normal(nodes + drift - start[:, None]) * weights))

    starts = onward(np.array([0.0, design.head_start_sigmas]))
    at_zero, headed = _lengths(starts, onward(np.append(0.0, nodes))).tolist()
    return at_zero, headed


def _quadrature(low: float, high: float, sigma: float) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights, dense enough for a normal density of this width."""
    nodes, weights = np.polynomial.legendre.leggauss(max(NODES, ceil(5 * (high - low) / sigma)))
    half = (high - low) / 2
    return low + half * (1 + nodes), half * weights


def _lengths(first: Floats, onward: Floats) -> Floats:
    """Run lengths from m starts, given the chances to go on from them, (m, n), and from each state, (n,
    n)."""
    try:
        from_states = np.linalg.solve(np.eye(len(onward)) - onward, np.ones(len(onward)))
    except np.linalg.LinAlgError:
        return np.full(len(first), inf)
    found = 1 + first @ from_states
    return np.where((found > 0) & (found < BEYOND_RECKONING), found, inf)


def _normal(x: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x) / sqrt(2 * np.pi), np.float64)


# ---- simulated -----------------------------------------------------------------------------------


def simulated_run_length(design: Design, shift_sigmas: float, runs: int) -> RunLength:
    """At least that many runs with the code that draws the charts.

    All values watched over all signals: the mean run length where every run ends, and where some run on
    beyond the horizon still right, since by then a chart has forgotten its start."""
    rng = np.random.default_rng(20_240_229)
    watched = signalled = 0
    while signalled < runs and watched < BUDGET:
        lengths, ended = _some_runs(design, shift_sigmas, rng)
        watched += int(lengths.sum())
        signalled += int(ended.sum())
    if not signalled:
        return RunLength(inf, inf, "simulated")
    mean = watched / signalled
    return RunLength(mean, mean / sqrt(signalled), "simulated")


def _some_runs(
    design: Design, shift: float, rng: np.random.Generator
) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], Flags]:
    """(BATCH,) values each run was watched, and whether it signalled."""
    lengths = np.full(BATCH, MOST_VALUES, np.int64)
    ended = np.zeros(BATCH, bool)
    running = np.arange(BATCH)
    standing = at_start(design, (BATCH,))
    while running.size and standing.count < MOST_VALUES:
        drawn = draw(rng.normal(shift, 1.0, (running.size, AT_ONCE)), design, standing=standing, newest=0)
        found = np.logical_or.reduce(list(drawn.signals.values()))
        hit = found.any(axis=1)
        lengths[running[hit]] = standing.count + found[hit].argmax(axis=1) + 1
        ended[running[hit]] = True
        running, standing = running[~hit], drawn.standing.of(~hit)
    return lengths, ended


# ---- limits for a stated run length --------------------------------------------------------------


def ewma_for(run_length_values: float, weight: float) -> Ewma:
    """The EWMA with steady limits whose in-control run length alone is this. Raises: ValueError: none has
    it."""
    return Ewma(
        weight, _limit_for(run_length_values, lambda limit: ewma_run_length(Ewma(weight, limit)), 0.1, 6.0)
    )


def cusum_for(run_length_values: float, allowance_sigmas: float) -> Cusum:
    """The CUSUM (both sides) whose in-control run length alone is this. Raises: ValueError: none has it."""
    highest = 6.0 if allowance_sigmas >= 1 else 40.0
    return Cusum(
        allowance_sigmas,
        _limit_for(
            run_length_values, lambda limit: cusum_run_length(Cusum(allowance_sigmas, limit)), 0.01, highest
        ),
    )


def _limit_for(target: float, length_at: Callable[[float], float], low: float, high: float) -> float:
    def excess(limit: float) -> float:
        return log(min(length_at(limit), BEYOND_RECKONING) / target)

    if not (isfinite(target) and target > 1 and excess(low) < 0 < excess(high)):
        raise ValueError(f"no limit gives a run length of {target} values")
    return float(scipy.optimize.brentq(excess, low, high, xtol=1e-10))


def designed_for(
    run_length_values: float,
    rules: tuple[Rule, ...] = ("beyond_limits",),
    weight: float = 0.2,
    allowance_sigmas: float = 0.5,
) -> Design:
    """As `work_out_design`; what is usual is known beforehand."""
    if (run_length_values, rules, weight, allowance_sigmas) == (USUAL_VALUES, ("beyond_limits",), 0.2, 0.5):
        return USUAL
    return work_out_design(run_length_values, rules, weight, allowance_sigmas)


@lru_cache(maxsize=16)
def work_out_design(
    run_length_values: float,
    rules: tuple[Rule, ...] = ("beyond_limits",),
    weight: float = 0.2,
    allowance_sigmas: float = 0.5,
) -> Design:
    """Limits, EWMA and CUSUM that together have this in-control run length, within about 3 %.

    `beyond_limits`, EWMA and CUSUM each get the limits with which each alone would run equally long; the
    other rules have none that could be moved. Remembered by its arguments. Raises: ValueError: those rules
    alone signal about as often.
    """
    fixed = tuple(rule for rule in rules if rule != "beyond_limits")
    fixed_rate = (
        1 / run_length(Design(fixed, moving_range=False, ewma=None, cusum=None)).values if fixed else 0.0
    )
    # at least a twentieth of the false alarms is left to what has limits that can be moved
    if not 10 <= run_length_values < min(BEYOND_RECKONING, 0.95 / fixed_rate if fixed_rate else inf):
        raise ValueError(
            f"a run length of {run_length_values} values can't be had: a chart needs at least 10, "
            f"and the rules alone signal every {1 / fixed_rate if fixed_rate else inf:.0f} values"
        )
    left_rate = 1 / run_length_values - fixed_rate

    def with_each_alone(length: float) -> Design:
        limit = float(-scipy.special.ndtri(0.5 / length))
        return Design(rules, limit, False, ewma_for(length, weight), cusum_for(length, allowance_sigmas))

    alone = 2 / left_rate
    for runs in RUNS_FOR_LIMITS:  # the share of false alarms that coincide hardly depends on the limits
        found_rate = 1 / run_length(with_each_alone(alone), runs=runs).values - fixed_rate
        alone *= max(found_rate, left_rate / 10) / left_rate
    return with_each_alone(alone)
