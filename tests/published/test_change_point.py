"""The change point against a published series, tables and the R package strucchange.

Sources: yearly flow of the Nile at Aswan, 1871 to 1970 (R data set Nile; the change of 1898 is Cobb's,
Biometrika 65 (1978) 243); critical values of the greatest Wald statistic: Andrews, Econometrica 71 (2003)
395, table 1 (from memory). CHK-TRD-03.
"""

import numpy as np
import pytest

from collector.analysis.change_point import ChangePoint, change_point, largest_ratio_p_value
from tests.published.r import run_r

# fmt: off
NILE = np.array([
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960,
    1180, 799, 958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694,
    940, 833, 701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832,
    764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944,
    984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746,
    919, 718, 714, 740,
], np.float64)
# fmt: on


def test_the_nile_changes_after_1898() -> None:
    """Means 1097.75 and 849.9722 (published); the 95 % set lies within strucchange's 1895 to 1902."""
    found = change_point(NILE)
    assert isinstance(found, ChangePoint)
    assert found.kind == "mean"
    assert 1871 + found.place == 1899
    assert (found.mean_before, found.mean_after) == pytest.approx((1097.75, 849.9722222), rel=1e-9)
    assert 1895 <= 1870 + found.earliest <= 1898 <= 1870 + found.latest <= 1902


def test_place_and_interval_agree_with_r() -> None:
    """Package strucchange: breakpoints by least squares, interval after Bai 1997: the same place; our set
    within theirs (which is wider by design), on a step of two sigmas."""
    values = np.random.default_rng(8).normal(10, 1, 160)
    values[90:] += 2
    r = run_r(
        "library(strucchange); b <- breakpoints(x ~ 1, breaks = 1); i <- confint(b)$confint;"
        "list(place = b$breakpoints, low = i[1], high = i[3])",
        "strucchange",
        x=values.tolist(),
    )
    found = change_point(values)
    assert isinstance(found, ChangePoint)
    assert found.place == r["place"]  # theirs is the last of the old level, counted from 1
    assert r["low"] <= found.earliest <= r["place"] <= found.latest <= r["high"] + 1


@pytest.mark.parametrize(("p_value", "critical"), [(0.10, 7.12), (0.05, 8.68), (0.01, 12.16)])
def test_critical_values_of_the_greatest_ratio(p_value: float, critical: float) -> None:
    """Andrews 2003, one parameter, 15 % left off at either end; the approximation errs upwards by a
    tenth."""
    assert largest_ratio_p_value(critical, 0.15) == pytest.approx(p_value, rel=0.12)
    assert largest_ratio_p_value(critical, 0.15) > p_value


def test_p_values_agree_with_r() -> None:
    """Package strucchange, p-values of Fstats after Hansen 1997: ours err upwards, by less than two
    thirds."""
    shares = [0.02, 0.1, 0.25]
    ratios = [9.0, 11.0, 14.0, 18.0]
    r = run_r(
        "p <- function(f, e) strucchange:::pvalue.Fstats(f, type = 'supF', k = 1, lambda = ((1 - e) / e)^2);"
        "list(p = as.numeric(outer(ratios, shares, Vectorize(p))))",
        "strucchange",
        ratios=ratios,
        shares=shares,
    )
    ours = [largest_ratio_p_value(ratio, share) for share in shares for ratio in ratios]
    assert all(1.0 < our / their < 1.67 for our, their in zip(ours, r["p"], strict=True))


def test_the_set_agrees_with_probabilities_reckoned_in_r() -> None:
    """R fits the two means with lm at every place and weighs the places by the residual sums of squares
    (Smith 1975); only the mean changes here, so ours may add a few places for other kinds of change, and
    lack none of the most probable."""
    values = np.random.default_rng(9).normal(0, 1, 120)
    values[70:] += 1.5
    r = run_r(
        """
        n <- length(x); k <- 1:(n - 1)
        s <- sapply(k, function(k) deviance(lm(x ~ factor(seq_len(n) > k))))
        w <- -0.5 * log(k * (n - k)) - (n - 2) / 2 * log(s)
        p <- exp(w - max(w)); p <- p / sum(p); o <- order(-p)
        list(set = sort(k[o[seq_len(which(cumsum(p[o]) >= 0.9)[1])]]))
        """,
        x=values.tolist(),
    )
    found = change_point(values, confidence=0.95)
    assert isinstance(found, ChangePoint)
    assert set(r["set"]) <= set(found.set_places.tolist())


def test_where_a_spread_changes_or_a_drift_begins_agrees_with_r() -> None:
    """R takes the place with the greatest likelihood: of two variances about one mean, and of a line that
    bends (lm on a hinge). Ours, the most probable one, is at most two places off, and our set holds R's."""
    random = np.random.default_rng(17)
    spread = np.concatenate((random.normal(0, 1, 120), random.normal(0, 3, 80)))
    drift = random.normal(0, 1, 200) + np.maximum(np.arange(200) - 119, 0) * 0.08
    r = run_r(
        """
        n <- 200; k <- 5:(n - 5); y <- x - mean(x)
        v <- sapply(k, function(k) k * log(mean(y[1:k]^2)) + (n - k) * log(mean(y[(k + 1):n]^2)))
        b <- sapply(k, function(k) deviance(lm(z ~ pmax(seq_len(n) - k, 0))))
        list(spread = k[which.min(v)], drift = k[which.min(b)])
        """,
        x=spread.tolist(),
        z=drift.tolist(),
    )
    for kind, values in (("spread", spread), ("drift", drift)):
        found = change_point(values)
        assert isinstance(found, ChangePoint)
        assert found.kind == kind
        assert abs(found.place - r[kind]) <= 2
        assert r[kind] in found.set_places
