"""Run lengths: what is exact, what is simulated, and what is refused."""

from math import inf

import pytest

from collector.analysis.chart_design import Cusum, Design, Ewma
from collector.analysis.run_length import (
    RUNS,
    USUAL,
    USUAL_RUN_LENGTH,
    USUAL_VALUES,
    cusum_for,
    cusum_run_length,
    designed_for,
    ewma_for,
    ewma_run_length,
    rules_run_length,
    run_length,
    simulated_run_length,
    work_out_design,
)

SOME = 600


def only(**on: object) -> Design:
    return Design(**{"rules": (), "moving_range": False, "ewma": None, "cusum": None} | on)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("design", "method"),
    [
        (only(rules=("beyond_limits", "nine_on_one_side")), "exact"),
        (only(ewma=Ewma()), "exact"),
        (only(cusum=Cusum(0.5, 5.0, 2.0)), "exact"),
        (only(rules=("six_rising_or_falling",)), "simulated"),
        (only(ewma=Ewma(widening=True)), "simulated"),
        (only(rules=("beyond_limits",), cusum=Cusum()), "simulated"),
        (only(moving_range=True), "simulated"),
    ],
)
def test_it_says_how_it_was_reckoned(design: Design, method: str) -> None:
    found = run_length(design, 1.0, SOME)
    assert found.method == method
    assert (found.standard_error == 0) == (method == "exact")


def test_more_switched_on_means_more_false_alarms() -> None:
    fewer = run_length(only(rules=("beyond_limits",)))
    more = run_length(only(rules=("beyond_limits",), ewma=Ewma()), 0.0, SOME)
    most = run_length(only(rules=("beyond_limits",), ewma=Ewma(), moving_range=True), 0.0, SOME)
    assert fewer.values > more.values + 2 * more.standard_error > most.values


def test_the_simulation_gives_the_same_twice() -> None:
    design = only(rules=("beyond_limits",), cusum=Cusum())
    assert simulated_run_length(design, 0.5, SOME) == simulated_run_length(design, 0.5, SOME)


def test_runs_beyond_the_horizon_don_t_shorten_the_mean() -> None:
    """A limit at 4.2 signals once in 37 000 values, a run is watched for 8192 at most."""
    design = only(rules=("beyond_limits",), limit_sigmas=4.2)
    exact = run_length(design)
    simulated = simulated_run_length(design, 0.0, 100)
    assert simulated.values == pytest.approx(exact.values, abs=4 * simulated.standard_error)


def test_what_never_signals_says_so() -> None:
    assert ewma_run_length(Ewma(0.5, 12.0)) == inf
    assert cusum_run_length(Cusum(0.5, 4.0), 60.0) == pytest.approx(1.0)
    assert cusum_run_length(Cusum(2.0, 12.0)) == inf


def test_only_zones_have_a_chain() -> None:
    for rules in ((), ("six_rising_or_falling",)):
        with pytest.raises(ValueError, match="no Markov chain"):
            rules_run_length(rules)  # type: ignore[arg-type]


@pytest.mark.parametrize("length", [370, 100_000])
def test_limits_are_found_for_a_stated_run_length(length: float) -> None:
    assert ewma_run_length(ewma_for(length, 0.1)) == pytest.approx(length, rel=1e-6)
    for allowance in (0.25, 0.5, 1.0):
        assert cusum_run_length(cusum_for(length, allowance)) == pytest.approx(length, rel=1e-6)


@pytest.mark.parametrize("length", [0.0, -5.0, inf, float("nan")])
def test_a_run_length_that_can_t_be_had_is_refused(length: float) -> None:
    for ask in (lambda: ewma_for(length, 0.2), lambda: cusum_for(length, 0.5), lambda: designed_for(length)):
        with pytest.raises(ValueError, match="run length"):
            ask()
    with pytest.raises(ValueError, match="every 255 values"):
        designed_for(300, ("beyond_limits", "eight_on_one_side"))


@pytest.mark.timeout(300)
def test_the_usual_design_is_what_it_would_be_worked_out_to_be() -> None:
    """It is known beforehand only to save the time."""
    worked_out = work_out_design(USUAL_VALUES)
    assert worked_out.ewma is not None
    assert worked_out.cusum is not None
    assert USUAL.ewma is not None
    assert USUAL.cusum is not None
    assert USUAL.limit_sigmas == pytest.approx(worked_out.limit_sigmas, rel=1e-6)
    assert USUAL.ewma.limit_sigmas == pytest.approx(worked_out.ewma.limit_sigmas, rel=1e-6)
    assert USUAL.cusum.limit_sigmas == pytest.approx(worked_out.cusum.limit_sigmas, rel=1e-6)
    assert designed_for(USUAL_VALUES) is USUAL
    simulated = simulated_run_length(USUAL, 0.0, RUNS)
    assert USUAL_RUN_LENGTH.values == pytest.approx(simulated.values, rel=1e-6)
    assert run_length(USUAL) is USUAL_RUN_LENGTH
