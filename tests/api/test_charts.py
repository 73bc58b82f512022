"""Charts, capability and change point over REST: a tool whose history is known is told as it was."""

import time

import httpx
import pytest

from api.schemas import charts as schemas
from collector.analysis.run_length import run_length
from collector.rfc3339 import format_rfc3339
from collector.store.measures import MEASURES
from tests.api.worn_tool import (
    CYCLES,
    MINUTE,
    MORNING,
    SERVICE_AT,
    SET_AT,
    SLOWED_AT,
    SWAPPED_AT,
    ask,
    before,
    cycles,
    ended_at,
    number_of,
)

CHARTS = "/v1/tools/3001/charts/punch_velocity_m_s"
CAPABILITY = "/v1/tools/3001/capability/punch_velocity_m_s"
CHANGE_POINT = "/v1/tools/3001/change-point/punch_velocity_m_s"


# ---- charts ------------------------------------------------------------------------------------------------


async def test_limits_begin_afresh_at_a_setting_a_swap_and_a_service(worn: httpx.AsyncClient) -> None:
    """Each stretch says why and when it began, and has the level of its own beginning."""
    shown = await ask(worn, f"{CHARTS}?last=10000")
    schemas.Charts.model_validate(shown)
    assert [(each["reason"], each["began_at"]) for each in shown["stretches"]] == [
        ("swap", format_rfc3339(MORNING - MINUTE)),
        ("settings changed", format_rfc3339(ended_at(SET_AT - 1))),
        ("swap", format_rfc3339(before(SWAPPED_AT))),
        ("service", format_rfc3339(before(SERVICE_AT))),
    ]
    assert "punch_pressure_kpa was set from 400 to 420" in shown["stretches"][1]["says"]
    assert [number_of(each["baseline"]["begin"]) for each in shown["stretches"]] == [0, 300, 600, 900]
    centers = [each["limits"]["center"] for each in shown["stretches"]]
    assert centers == pytest.approx([6.0, 6.3, 6.1, 6.2], abs=0.04)
    assert [each["baseline"]["sigma"] for each in shown["stretches"]] == pytest.approx([0.1] * 4, rel=0.3)


async def test_a_shift_is_signalled_where_it_began(worn: httpx.AsyncClient) -> None:
    """By every test within a few cycles, with the cycle's id and time; the stretches ahead stay calm."""
    shown = await ask(worn, f"{CHARTS}?last=10000")
    *steady, slowed = shown["stretches"]
    assert slowed["verdict"] == "signals"
    lasting = {each["test"]: each for each in slowed["signals"] if each["cycles"] > 100}
    assert lasting.keys() >= {"ewma", "cusum_low"}
    for each in lasting.values():
        assert SLOWED_AT <= number_of(each["first"]) <= SLOWED_AT + 12
        assert each["first"]["ended_at"] == format_rfc3339(ended_at(number_of(each["first"])))
        assert number_of(each["last"]) >= CYCLES - 2
    assert min(number_of(each["first"]) for each in slowed["signals"]) >= SLOWED_AT
    assert all(each["cycles"] < 20 for stretch in steady for each in stretch["signals"])


async def test_what_is_charted_is_given_as_arrays_of_one_length(worn: httpx.AsyncClient) -> None:
    """Cycles made by hand are not among them; those without the value are counted, not charted."""
    shown = await ask(worn, f"{CHARTS}?last=200")
    (stretch,) = shown["stretches"]
    points = stretch["points"]
    assert points["moving_range_sigmas"] is None
    arrays = [points[name] for name in points if name != "moving_range_sigmas"]
    assert {len(each) for each in arrays} == {stretch["cycles"] - stretch["without_value"]}
    assert shown["cycles"] == stretch["cycles"] == 200
    working = [each for each in cycles() if each.mode == "automatic"][-200:]
    assert stretch["without_value"] == sum(each.punch_velocity_m_s is None for each in working) > 0
    made = {f"A-02.1.{each.sequence}": each for each in cycles()}
    assert [made[each].punch_velocity_m_s for each in points["ids"]] == points["values"] == points["charted"]
    assert {made[each].mode for each in points["ids"]} == {"automatic"}
    assert min(points["cusum_low_sigmas"]) >= 0


async def test_limits_do_not_move_with_the_cycles_that_are_shown(worn: httpx.AsyncClient) -> None:
    """Those of a stretch are from its first cycles, however few of its last are asked for."""
    whole = (await ask(worn, f"{CHARTS}?last=10000"))["stretches"][-1]
    (part,) = (await ask(worn, f"{CHARTS}?last=50"))["stretches"]
    assert (whole["is_cut"], part["is_cut"], part["cycles"]) == (False, True, 50)
    assert (part["limits"], part["baseline"]) == (whole["limits"], whole["baseline"])
    assert part["verdict"] == "signals"
    until = format_rfc3339(before(SLOWED_AT))
    (ahead,) = (await ask(worn, f"{CHARTS}?last=50&until={until}"))["stretches"]
    assert ahead["limits"] == whole["limits"]
    assert number_of({"id": ahead["points"]["ids"][-1]}) < SLOWED_AT


async def test_the_limits_are_those_for_the_distance_between_false_alarms_of_the_site_file(
    worn: httpx.AsyncClient,
) -> None:
    """And the distance of all that is switched on together is shown."""
    design = (await ask(worn, CHARTS))["design"]
    assert (design["source"], design["tests"]) == (
        "site",
        ["beyond_limits", "ewma", "cusum_high", "cusum_low"],
    )
    assert design["run_length"]["values"] == pytest.approx(370, rel=0.04)
    assert 0 < design["run_length"]["standard_error"] < 10


async def test_tests_can_be_asked_for_by_name(worn: httpx.AsyncClient) -> None:
    """With the textbook's limits, and the distance between their false alarms."""
    shown = await ask(worn, f"{CHARTS}?tests=beyond_limits,%20nine_on_one_side,moving_range")
    design = shown["design"]
    assert design["source"] == "textbook"
    assert design["tests"] == ["beyond_limits", "nine_on_one_side", "moving_range"]
    assert (design["limit_sigmas"], design["ewma"], design["cusum"]) == (3.0, None, None)
    assert design["moving_range_limit_sigmas"] == pytest.approx(3.686, abs=5e-4)
    assert design["run_length"]["values"] < 370.4 / 2
    points = shown["stretches"][-1]["points"]
    assert points["moving_range_sigmas"][0] is None
    assert points["ewma_sigmas"] is None
    alone = await ask(worn, f"{CHARTS}?tests=ewma&last=10")
    assert alone["design"]["run_length"]["method"] == "exact"
    answer = await worn.get(f"{CHARTS}?tests=beyond_limits,beyond")
    assert answer.status_code == 422
    assert "'beyond' is none; there are beyond_limits, " in answer.json()["detail"]


async def test_dependence_is_tested_and_what_was_done_about_it_is_shown(worn: httpx.AsyncClient) -> None:
    """The values of the history are independent."""
    for stretch in (await ask(worn, f"{CHARTS}?last=10000"))["stretches"]:
        assert stretch["baseline"]["treatment"] == "independent"
        assert not stretch["baseline"]["autocorrelation"]["found"]


async def test_short_and_empty_series_have_no_limits_and_say_why(worn: httpx.AsyncClient) -> None:
    """Not a failure; the values that there are, are given."""
    (some,) = (await ask(worn, "/v1/tools/3001/charts/peak_tension_n?last=100"))["stretches"]
    assert (some["verdict"], some["limits"]) == ("no limits", None)
    assert "only 0 values; a baseline needs 25" in some["refused"]
    assert len(some["points"]["values"]) == 20
    (none,) = (await ask(worn, "/v1/tools/3001/charts/lock_tension_n?last=100"))["stretches"]
    assert (none["points"]["ids"], none["without_value"]) == ([], 100)
    assert (await ask(worn, f"{CHARTS}?until=2026-01-01T00:00:00Z"))["stretches"] == []


@pytest.mark.parametrize("resource", ["charts", "capability", "change-point"])
async def test_a_measure_that_there_is_not_is_a_problem_that_lists_those_there_are(
    worn: httpx.AsyncClient, resource: str
) -> None:
    """And so is a tool that there is not."""
    answer = await worn.get(f"/v1/tools/3001/{resource}/velocity")
    assert (answer.status_code, answer.json()["type"]) == (422, "/problems/invalid-request")
    assert all(measure in answer.json()["detail"] for measure in MEASURES)
    assert (await worn.get(f"/v1/tools/9/{resource}/work_j")).status_code == 404


async def test_a_chart_is_drawn_well_within_a_second(worn: httpx.AsyncClient) -> None:
    """Once the run length of its design was simulated."""
    await ask(worn, CHARTS)
    begun = time.process_time()
    await ask(worn, CHARTS)
    assert time.process_time() - begun < 0.5
    assert run_length.cache_info().hits > 0


# ---- capability --------------------------------------------------------------------------------------------


async def test_capability_is_that_since_the_last_restart(worn: httpx.AsyncClient) -> None:
    """Against the limits of the site file; the indices that are true lie in their intervals."""
    until = format_rfc3339(before(SLOWED_AT))
    shown = await ask(worn, f"{CAPABILITY}?until={until}")
    schemas.Capability.model_validate(shown)
    assert shown["specification"] == {"lower": 5.0, "upper": 7.0, "source": "site"}
    assert shown["looked_at"]["since_restart"]["reason"] == "service"
    assert number_of(shown["looked_at"]["first"]) == SERVICE_AT
    assert number_of(shown["looked_at"]["last"]) == SLOWED_AT - 1
    figures = shown["figures"]
    for name, true in {"cp": 1 / 0.3, "pp": 1 / 0.3, "cpk": 0.8 / 0.3, "ppk": 0.8 / 0.3}.items():
        assert figures[name]["low"] < true < figures[name]["high"], name
    assert figures["normality"]["normal"]
    assert figures["percentile_ppk"] is None
    assert "pass for normal" in shown["unknown"]["figures.percentile_ppk"]


async def test_values_that_are_not_normal_get_indices_without_a_distribution(
    worn: httpx.AsyncClient,
) -> None:
    """Skewed durations against one limit of the query; what can't be bounded is null."""
    shown = await ask(worn, "/v1/tools/3001/capability/duration_ms?upper=1200&since=2026-01-01T00:00:00Z")
    figures = shown["figures"]
    assert not figures["normality"]["normal"]
    assert (figures["ppk"], figures["percentile_pp"]) == (None, None)
    assert "not normal" in shown["unknown"]["figures.ppk"]
    assert figures["percentile_ppk"]["estimate"] > 0
    assert figures["percentile_ppk"]["low"] == 0.0
    assert [each["reason"] for each in shown["looked_at"]["restarts"]] == [
        "settings changed",
        "swap",
        "service",
    ]


async def test_nothing_out_of_specification_leaves_an_index_without_an_upper_end(
    worn: httpx.AsyncClient,
) -> None:
    """Null with the reason, not a number too large for JSON."""
    shown = await ask(worn, "/v1/tools/3001/capability/duration_ms?upper=1e9")
    assert shown["figures"]["equivalent_ppk"]["estimate"] is None
    assert shown["figures"]["equivalent_ppk"]["low"] > 0.5
    assert "no value is out of specification" in shown["unknown"]["figures.equivalent_ppk.estimate"]


async def test_too_few_values_are_refused_in_the_answer(worn: httpx.AsyncClient) -> None:
    """With the reason; 200, for nothing was wrong with the request."""
    shown = await ask(worn, "/v1/tools/3001/capability/peak_tension_n?lower=900")
    assert (shown["refused"], shown["figures"]) == ("only 20 values; capability needs 25", None)
    empty = await ask(worn, f"{CAPABILITY}?until=2026-01-01T00:00:00Z")
    assert (empty["looked_at"]["cycles"], empty["looked_at"]["first"]) == (0, None)
    assert "only 0 values" in empty["refused"]


@pytest.mark.parametrize(
    ("query", "status", "says"),
    [
        ("", 409, "no specification limits of peak_tension_n are known for Sample Works C-4"),
        ("?lower=7&upper=6", 422, "the lower specification limit 7.0 is not below the upper 6.0"),
        ("?lower=nan", 422, "a specification limit is a finite number"),
        ("?lower=1&confidence=1", 422, "confidence must be at most 0.999"),
    ],
)
async def test_limits_that_are_none_are_a_problem(
    worn: httpx.AsyncClient, query: str, status: int, says: str
) -> None:
    """With a sentence that says what to do."""
    answer = await worn.get(f"/v1/tools/3001/capability/peak_tension_n{query}")
    assert answer.status_code == status
    assert says in answer.json()["detail"]


# ---- change point ------------------------------------------------------------------------------------------


async def test_the_change_is_found_with_the_cycles_at_which_it_may_have_begun(
    worn: httpx.AsyncClient,
) -> None:
    """The true one is among them."""
    shown = await ask(worn, CHANGE_POINT)
    schemas.ChangePoint.model_validate(shown)
    change = shown["change"]
    assert change["kind"] == "mean"
    assert abs(number_of(change["first_after"]) - SLOWED_AT) <= 3
    assert number_of(change["earliest"]) <= SLOWED_AT <= number_of(change["latest"])
    assert any(number_of(each["first"]) <= SLOWED_AT <= number_of(each["last"]) for each in change["ranges"])
    assert sum(each["cycles"] for each in change["ranges"]) <= 12
    assert change["mean_before"] - change["mean_after"] == pytest.approx(0.3, abs=0.04)
    assert (change["sigma_before"], change["sigma_after"]) == pytest.approx((0.1, 0.1), rel=0.2)
    assert change["p_value"] < 1e-6
    assert shown["looked_at"]["since_restart"]["reason"] == "service"


async def test_where_nothing_changed_the_answer_says_so(worn: httpx.AsyncClient) -> None:
    """And where too little is known to tell."""
    until = format_rfc3339(ended_at(SET_AT - 1))
    shown = await ask(worn, f"{CHANGE_POINT}?until={until}")
    assert shown["change"] is None
    assert "no shift of mean or spread stands out" in shown["no_change"]
    few = await ask(worn, f"{CHANGE_POINT}?last=10")
    assert (few["change"], few["p_value"]) == (None, None)
    assert few["unknown"] == {"p_value": "only 10 values; a change point needs 20"}
