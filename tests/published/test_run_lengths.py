"""Average run lengths against published tables and against the R package spc.

Tables: Champ & Woodall, Technometrics 29 (1987) 393; Lucas & Crosier, Technometrics 24 (1982) 199; Brook &
Evans, Biometrika 59 (1972) 539; Vance, Journal of Quality Technology 18 (1986) 189; Crowder, Technometrics
29 (1987) 401; Lucas & Saccucci, Technometrics 32 (1990) 1; a general statistics package's manual for
11.154267016; run patterns in closed form. CHK-ARL-01 to -04.
"""

from collections.abc import Iterable
from itertools import permutations
from math import erfc, floor, log10, sqrt

import numpy as np
import pytest

from collector.analysis.chart_design import Cusum, Design, Ewma
from collector.analysis.run_length import (
    cusum_for,
    cusum_run_length,
    designed_for,
    ewma_for,
    ewma_run_length,
    one_sided_cusum_run_length,
    rules_run_length,
    run_length,
    simulated_run_length,
)
from collector.analysis.run_rules import Rule, signals
from tests.published.r import run_r

FOUR: dict[str, Rule] = {
    "1": "beyond_limits",
    "2": "two_of_three_beyond_2_sigma",
    "3": "four_of_five_beyond_1_sigma",
    "4": "eight_on_one_side",
}
SHIFTS = [0, 0.2, 0.4, 0.6, 0.8, 1, 1.2, 1.4, 1.6, 1.8, 2, 2.2, 2.4, 2.6, 2.8, 3]
# fmt: off
CHAMP_WOODALL = {
    "1": [370.40, 308.43, 200.08, 119.67, 71.55, 43.89, 27.82, 18.25,
          12.38, 8.69, 6.30, 4.72, 3.65, 2.90, 2.38, 2.00],
    "12": [225.44, 177.56, 104.46, 57.92, 33.12, 20.01, 12.81, 8.69,
          6.21, 4.66, 3.65, 2.96, 2.48, 2.13, 1.87, 1.68],
    "13": [166.05, 120.70, 63.88, 33.99, 19.78, 12.66, 8.84, 6.62,
          5.24, 4.33, 3.68, 3.18, 2.78, 2.43, 2.14, 1.89],
    "14": [152.73, 110.52, 59.76, 33.64, 21.07, 14.58, 10.90, 8.60,
          7.03, 5.85, 4.89, 4.08, 3.38, 2.81, 2.35, 1.99],
}
# fmt: on


def named(digits: Iterable[str]) -> tuple[Rule, ...]:
    return tuple(FOUR[digit] for digit in digits)


def last_place(printed: float) -> float:
    """Of three digits; the prints round halves either way."""
    return float(10.0 ** (floor(log10(printed)) - 2))


# ---- run rules -----------------------------------------------------------------------------------


@pytest.mark.parametrize("rules", CHAMP_WOODALL)
def test_run_rules_as_champ_and_woodall_print_them(rules: str) -> None:
    """16 shifts each, two decimals."""
    ours = [rules_run_length(named(rules), shift) for shift in SHIFTS]
    assert ours == pytest.approx(CHAMP_WOODALL[rules], abs=0.00501)


def test_all_four_run_rules_together() -> None:
    """Champ & Woodall: 91.75 (from memory as print)."""
    assert rules_run_length(named("1234")) == pytest.approx(91.75, abs=0.005)


def test_one_limit_alone_in_closed_form() -> None:
    """1 / 2Φ(−3) = 370.3983; the same for other limits."""
    assert rules_run_length(("beyond_limits",)) == pytest.approx(1 / erfc(3 / sqrt(2)), rel=1e-10)
    assert rules_run_length(("beyond_limits",), 0.0, 4.0) == pytest.approx(1 / erfc(4 / sqrt(2)), rel=1e-8)


@pytest.mark.parametrize(
    ("rule", "length"),
    [
        ("eight_on_one_side", 2**8 - 1),
        ("nine_on_one_side", 2**9 - 1),
        ("fifteen_within_1_sigma", 963.2715),
        ("eight_outside_1_sigma", 14251.3666),
    ],
)
def test_runs_in_closed_form(rule: Rule, length: float) -> None:
    """(1 − pʳ) / ((1 − p)·pʳ); 2ʳ − 1 for either side of the center line."""
    assert rules_run_length((rule,)) == pytest.approx(length, rel=1e-7)


def test_run_rules_agree_with_r() -> None:
    """Package spc, xshewhartrunsrules.arl."""
    r = run_r(
        "list(arl = sapply(c('1', '12', '13', '14'), function(t) "
        "spc::xshewhartrunsrules.arl(0.7, c = 1, type = t)))",
        "spc",
    )
    theirs = r["arl"].values() if isinstance(r["arl"], dict) else r["arl"]
    assert [rules_run_length(named(t), 0.7) for t in ("1", "12", "13", "14")] == pytest.approx(
        list(theirs), rel=1e-6
    )


def test_chance_of_a_trend_and_of_an_alternation() -> None:
    """All orders of 6 values: 2 of 720 rise or fall throughout. Up-down numbers: 2·16 of 120 orders of 5
    alternate (André 1881); for 14 values 0.0045736 is the chance, here within 4 standard errors of 200
    000 draws."""
    orders = np.array(list(permutations(range(6))), np.float64)
    trends = signals(orders, ["six_rising_or_falling"])["six_rising_or_falling"]
    assert int(trends.any(axis=1).sum()) == 2
    draws = np.random.default_rng(2).normal(size=(200_000, 14))
    turns = signals(draws, ["fourteen_alternating"])["fourteen_alternating"]
    share = float(turns.any(axis=1).mean())
    assert share == pytest.approx(0.004573638, abs=4 * sqrt(0.004573638 / 200_000))


# ---- EWMA ----------------------------------------------------------------------------------------


def test_ewma_run_length_to_ten_digits() -> None:
    """λ 0.25, L 3, shift 1: 11.154267016 (a general statistics package's manual; also package spc)."""
    assert ewma_run_length(Ewma(0.25, 3.0), 1.0) == pytest.approx(11.154267016, abs=5e-10)


@pytest.mark.parametrize(
    ("design", "printed"),
    [
        (Ewma(0.5, 3.071), [500, 255, 88.8, 35.9, 17.5, 6.53, 3.63, 2.50, 1.93, 1.58, 1.34, 1.07]),
        (Ewma(0.03, 2.437), [500, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.80, 4.03, 3.49, 3.11, 2.55]),
    ],
)
def test_ewma_as_lucas_and_saccucci_print_it(design: Ewma, printed: list[float]) -> None:
    """Three digits, as printed."""
    shifts = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5]
    for shift, print_ in zip(shifts, printed, strict=True):
        assert ewma_run_length(design, shift) == pytest.approx(print_, abs=0.6 * last_place(print_))


def test_ewma_as_crowder_prints_it() -> None:
    """λ 0.05 and 0.5, L 2; the printed 3.95 at λ 0.5, shift 1.25 is a known misprint for 3.59."""
    slow = [127.53, 43.94, 18.97, 11.64, 8.38, 6.56, 5.41, 4.62, 4.04, 3.61, 3.26, 2.99, 2.76, 2.56]
    quick = [26.45, 20.12, 11.89, 7.29, 4.91, 3.59, 2.80, 2.29, 1.94, 1.70, 1.51, 1.37, 1.26, 1.18]
    for weight, printed in ((0.05, slow), (0.5, quick)):
        ours = [ewma_run_length(Ewma(weight, 2.0), quarter / 4) for quarter in range(14)]
        assert ours == pytest.approx(printed, abs=0.006)


@pytest.mark.parametrize(
    ("weight", "limit"), [(0.4, 3.054), (0.25, 2.998), (0.2, 2.962), (0.1, 2.814), (0.05, 2.615)]
)
def test_ewma_limits_for_a_run_length_of_500(weight: float, limit: float) -> None:
    """A textbook's table (from memory)."""
    assert ewma_for(500, weight).limit_sigmas == pytest.approx(limit, abs=5e-4)


def test_ewma_run_lengths_agree_with_r() -> None:
    """Package spc, xewma.arl; with widening limits ours is simulated, theirs not."""
    r = run_r(
        "list(steady = spc::xewma.arl(0.13, 2.7, 0.4, sided = 'two', r = 60),"
        "widening = spc::xewma.arl(0.1, 3, 0, sided = 'two', limits = 'vacl', r = 60))",
        "spc",
    )
    assert ewma_run_length(Ewma(0.13, 2.7), 0.4) == pytest.approx(r["steady"], rel=1e-9)
    simulated = run_length(
        Design((), moving_range=False, ewma=Ewma(0.1, 3.0, widening=True), cusum=None), 0.0, 4000
    )
    assert simulated.method == "simulated"
    assert simulated.values == pytest.approx(r["widening"], abs=4 * simulated.standard_error)


# ---- CUSUM ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("design", "printed"),
    [
        (Cusum(0.5, 4.0), [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71]),
        (Cusum(0.5, 4.0, head_start_sigmas=2.0), [149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07]),
        (Cusum(0.5, 5.0), [465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01]),
    ],
    ids=["h 4", "h 4, head start h/2", "h 5 (a textbook's row, from memory)"],
)
def test_cusum_as_lucas_and_crosier_print_it(design: Cusum, printed: list[float]) -> None:
    """Three digits, as printed."""
    shifts = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4]
    for shift, print_ in zip(shifts, printed, strict=True):
        assert cusum_run_length(design, shift) == pytest.approx(print_, abs=0.6 * last_place(print_))


def test_one_sided_cusum() -> None:
    """Brook & Evans print 117.59 (exactly 117.5957) and 3.75; Vance 2071.51 (exactly 2071.57) to 10.75; the
    manual 4.1500836 and, with head start 0.1, 4.1061588."""
    assert one_sided_cusum_run_length(Cusum(0.5, 3.0), 0.0)[0] == pytest.approx(117.59, abs=0.006)
    assert one_sided_cusum_run_length(Cusum(0.5, 3.0), 1.5)[0] == pytest.approx(3.75, abs=0.005)
    vance = [2071.51, 400.28, 124.66, 59.30, 36.71, 20.37, 14.06, 10.75]
    shifts = [-0.25, -0.125, 0, 0.125, 0.25, 0.5, 0.75, 1]
    ours = [one_sided_cusum_run_length(Cusum(0.0, 10.0), shift)[0] for shift in shifts]
    assert ours == pytest.approx(vance, rel=4e-4)
    found = one_sided_cusum_run_length(Cusum(0.25, 8.0, head_start_sigmas=0.1), 2.5)
    assert found == pytest.approx((4.1500836, 4.1061588), abs=5e-7)


@pytest.mark.parametrize(
    ("allowance", "limit"), [(0.25, 8.01), (0.5, 4.77), (0.75, 3.34), (1, 2.52), (1.25, 1.99), (1.5, 1.61)]
)
def test_cusum_limits_for_a_run_length_of_370(allowance: float, limit: float) -> None:
    """A table that textbooks reprint (from memory); its last entry is 1.604 when computed."""
    assert cusum_for(370, allowance).limit_sigmas == pytest.approx(limit, abs=0.01)


def test_cusum_run_lengths_agree_with_r() -> None:
    """Package spc, xcusum.arl."""
    r = run_r(
        "list(two = spc::xcusum.arl(0.4, 4.5, 0.3, sided = 'two', r = 60),"
        "head = spc::xcusum.arl(0.4, 4.5, 0.3, hs = 1.5, sided = 'two', r = 60))",
        "spc",
    )
    ours = [cusum_run_length(Cusum(0.4, 4.5, head), 0.3) for head in (0.0, 1.5)]
    assert ours == pytest.approx([r["two"], r["head"]], rel=1e-6)


# ---- combinations --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("design", "shift", "published"),
    [
        (Design(named("1234"), moving_range=False, ewma=None, cusum=None), 1.0, 9.2219),
        (Design((), moving_range=False, ewma=Ewma(0.2, 2.962), cusum=None), 1.0, 10.542),
        (Design((), moving_range=False, ewma=None, cusum=Cusum(0.5, 5.0)), 1.0, 10.376),
    ],
    ids=["four rules", "EWMA", "CUSUM"],
)
def test_the_simulation_reproduces_what_is_known_exactly(
    design: Design, shift: float, published: float
) -> None:
    """The simulation uses the code that draws the charts: rules, EWMA and CUSUM are right as drawn."""
    simulated = simulated_run_length(design, shift, 5000)
    assert simulated.values == pytest.approx(published, abs=4 * simulated.standard_error)


def test_everything_together_agrees_with_a_simulation_in_r() -> None:
    """R walks each chart value by value, in its own words, with its own random numbers: 800 runs of limit,
    two of three, EWMA and CUSUM together; both standard errors allowed for."""
    r = run_r(
        """
        set.seed(11)
        runs <- replicate(800, {
          e <- 0; s <- c(0, 0); a <- b <- 0; n <- 0
          repeat {
            x <- rnorm(1); n <- n + 1
            e <- 0.2 * x + 0.8 * e
            s <- pmax(0, s + c(x, -x) - 0.5)
            now <- if (abs(x) > 2) sign(x) else 0
            if (abs(x) > 3 || abs(e) > 2.962 / 3 || max(s) > 5 || (now != 0 && (now == a || now == b))) break
            b <- a; a <- now
          }
          n
        })
        list(mean = mean(runs), se = sd(runs) / sqrt(length(runs)))
        """
    )
    ours = run_length(
        Design(named("12"), moving_range=False, ewma=Ewma(0.2, 2.962), cusum=Cusum(0.5, 5.0)), 0, 4000
    )
    assert ours.method == "simulated"
    assert ours.values == pytest.approx(r["mean"], abs=4 * sqrt(r["se"] ** 2 + ours.standard_error**2))


def test_limits_can_be_had_for_a_stated_run_length() -> None:
    """Limit, EWMA and CUSUM together, at 300; held against the simulation."""
    design = designed_for(300)
    found = run_length(design)
    assert found.values == pytest.approx(300, rel=0.05)
    assert design.limit_sigmas > 3
