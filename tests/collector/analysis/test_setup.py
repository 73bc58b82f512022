"""Does a station fit its band, and what was changed before a drift?"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.analysis.setup import (
    Misfit,
    Proven,
    SettingChange,
    StationSetup,
    Value,
    changes_before,
    check_setup,
    pressure_ratio,
    proven_run,
    setting_changes,
)
from collector.analysis.tension import Band
from simulators.tool import BANDS, Tool

THIN = Band("B15-048", 15.875, 0.4826, 9.4, 12.5, recommended_pressure_kpa=330)
THICK = Band("B15-061", 15.875, 0.6096, 12.0, 16.0, recommended_pressure_kpa=520)
UNTOLD = replace(THICK, recommended_pressure_kpa=None)
KNOWN = {band.name: band for band in (THIN, THICK)}
FITS = StationSetup("B15-048", 9.4, 40.0, 330.0, 620.0)
Seen = list[tuple[datetime, dict[str, Value | None]]]
T0 = datetime(2026, 11, 25, 6, tzinfo=UTC)


def only(misfits: tuple[Misfit, ...]) -> Misfit:
    (misfit,) = misfits
    return misfit


def minutes(count: float) -> datetime:
    return T0 + timedelta(minutes=count)


# ---- set-up --------------------------------------------------------------------------------------


def test_what_fits_has_no_misfit() -> None:
    assert check_setup(FITS, KNOWN) == ()


def test_a_thicker_band_wants_1_6_times_the_pressure_when_it_stayed() -> None:
    """From 0.48 mm to 0.61 mm, and nobody touched the punch."""
    station = replace(FITS, band="B15-061", set_torque_nm=12.0)
    misfit = only(check_setup(station, {UNTOLD.name: UNTOLD}, Proven(THIN, 330.0)))
    assert misfit.what == "punch pressure"
    assert misfit.found == 330
    assert misfit.least == pytest.approx(0.9 * 330 * (24 / 19) ** 2)
    assert misfit.off_by == pytest.approx(330 - 0.9 * 330 * (24 / 19) ** 2)
    assert (
        "the change from 0.48 mm to 0.61 mm band wants about 1.6 times the punch pressure" in misfit.sentence
    )
    assert "(330 kPa to about 527 kPa), and it stayed" in misfit.sentence


def test_a_thinner_band_wants_less() -> None:
    misfit = only(check_setup(replace(FITS, punch_pressure_kpa=520.0), KNOWN, Proven(THICK, 520.0)))
    assert misfit.what == "punch pressure"
    assert misfit.off_by == pytest.approx(520 - 363)
    assert (
        "wants about 0.6 times the punch pressure (520 kPa to about 326 kPa), and it stayed"
        in misfit.sentence
    )


def test_the_ratio_is_that_of_the_physical_model() -> None:
    tool = Tool("1")
    needed = [tool.needed_pressure_kpa(BANDS[name]) for name in ("B15-048", "B15-061")]
    assert pressure_ratio(THIN, THICK) == pytest.approx(needed[1] / needed[0], rel=1e-9)


def test_harder_stock_counts_where_both_strengths_are_known() -> None:
    hard, soft = replace(THIN, shear_strength_mpa=600), replace(THIN, shear_strength_mpa=500)
    assert pressure_ratio(soft, hard) == pytest.approx(1.2)
    assert pressure_ratio(THIN, hard) == 1.0


@pytest.mark.parametrize(
    ("change", "what", "off_by", "says"),
    [
        ({"set_torque_nm": 8.0}, "set torque", 8.0 - 8.93, "8.00 N·m is 0.93 N·m below 8.93 N·m"),
        ({"set_torque_nm": 11.0}, "set torque", 11.0 - 9.87, "1.13 N·m above 9.87"),
        ({"set_torque_nm": 13.0}, "set torque", 0.5, "takes at most, by 0.50 N·m"),
        ({"set_torque_nm": 0.0}, "set torque", -8.93, "pulls nothing"),
        ({"punch_pressure_kpa": 280.0}, "punch pressure", 280 - 297, "280 kPa is 17 kPa below 297 kPa"),
        ({"punch_pressure_kpa": 400.0}, "punch pressure", 400 - 363, "37 kPa above 363 kPa"),
        ({"supply_pressure_kpa": 510.0}, "supply pressure", -40.0, "510 kPa is 40 kPa below 550 kPa"),
    ],
)
def test_what_does_not_fit_is_named_with_how_much(
    change: dict[str, Any], what: str, off_by: float, says: str
) -> None:
    misfit = only(check_setup(replace(FITS, **change), KNOWN))
    assert misfit.what == what
    assert misfit.off_by == pytest.approx(off_by)
    assert says in misfit.sentence


def test_the_least_supply_pressure_can_be_set() -> None:
    assert check_setup(replace(FITS, supply_pressure_kpa=500), KNOWN, least_supply_kpa=480) == ()
    assert only(check_setup(FITS, KNOWN, least_supply_kpa=650)).off_by == -30
    with pytest.raises(ValueError, match="pressure must be positive"):
        check_setup(FITS, KNOWN, least_supply_kpa=0)


def test_the_supply_must_reach_what_the_punch_is_set_to() -> None:
    station = StationSetup("B15-061", 12.0, 40.0, 540.0, 535.0)
    misfit = only(check_setup(station, KNOWN, least_supply_kpa=500))
    assert misfit.what == "supply pressure"
    assert "can't give the punch pressure of 540 kPa" in misfit.sentence


def test_speed_is_checked_where_the_band_has_a_range() -> None:
    slow = replace(THIN, minimum_speed_mm_s=20, maximum_speed_mm_s=60)
    misfit = only(check_setup(replace(FITS, tension_speed_mm_s=80.0), {"B15-048": slow}))
    assert (misfit.what, misfit.off_by) == ("tension speed", 20)
    silent = only(check_setup(replace(FITS, tension_speed_mm_s=None), {"B15-048": slow}))
    assert silent.sentence == "tension speed: the controller does not say; 20 to 60 mm/s is needed"


def test_a_window_of_the_band_itself_comes_first() -> None:
    windowed = replace(THIN, minimum_pressure_kpa=300, maximum_pressure_kpa=340)
    assert check_setup(FITS, {"B15-048": windowed}) == ()
    assert only(check_setup(replace(FITS, punch_pressure_kpa=345.0), {"B15-048": windowed})).off_by == 5


@pytest.mark.parametrize("band", [None, "", "unheard of"])
def test_an_unknown_band_is_a_misfit(band: str | None) -> None:
    misfit = only(check_setup(replace(FITS, band=band), KNOWN))
    assert misfit.what == "band"
    assert misfit.off_by is None


@pytest.mark.parametrize("nothing", [None, float("nan")])
def test_what_the_controller_does_not_say_is_told(nothing: float | None) -> None:
    """Unknown is no fit and no number."""
    silent = StationSetup("B15-048", nothing, nothing, nothing, nothing)
    found = check_setup(silent, KNOWN)
    assert [misfit.what for misfit in found] == ["supply pressure", "set torque", "punch pressure"]
    assert all(misfit.found is None and misfit.off_by is None for misfit in found)
    assert all("does not say" in misfit.sentence for misfit in found)


def test_a_band_whose_pressure_nobody_gave_can_not_be_checked() -> None:
    misfit = only(check_setup(StationSetup("B15-061", 12.0, 40.0, 330.0, 620.0), {"B15-061": UNTOLD}))
    assert "nobody has said" in misfit.sentence


# ---- what proves a pressure ----------------------------------------------------------------------


def test_the_newest_pressure_that_made_good_locks_is_proven() -> None:
    """30 at 330 kPa, one of them nok; the last three, at another pressure, prove nothing."""
    run = proven_run([400.0] * 3 + [330.5, 330.0] * 15, [True] * 4 + [False] + [True] * 28)
    assert run is not None
    assert (run.punch_pressure_kpa, run.first, run.end, run.ok) == (330.5, 3, 33, 29)


@pytest.mark.parametrize(
    ("pressures_kpa", "ok"),
    [
        ([330.0] * 19, [True] * 19),  # too few
        ([330.0] * 40, [True] * 37 + [False] * 3),  # 92.5 %
        ([None] * 40, [True] * 40),  # nobody knows at what pressure
        ([330.0] * 10 + [400.0] + [330.0] * 10, [True] * 21),  # not in a row
        ([], []),
    ],
)
def test_few_or_bad_cycles_prove_nothing(pressures_kpa: list[float | None], ok: list[bool]) -> None:
    assert proven_run(pressures_kpa, ok) is None


# ---- changes -------------------------------------------------------------------------------------


def test_a_change_has_before_after_and_when() -> None:
    seen: Seen = [
        (minutes(0), {"set_torque_nm": 9.4, "band": "B15-048"}),
        (minutes(1), {"set_torque_nm": 9.4, "band": "B15-048"}),
        (minutes(2), {"set_torque_nm": 10.0, "band": "B15-048"}),
        (minutes(3), {"set_torque_nm": 10.0, "band": "B15-061"}),
    ]
    assert setting_changes(seen) == (
        SettingChange("set_torque_nm", 9.4, 10.0, minutes(1), minutes(2)),
        SettingChange("band", "B15-048", "B15-061", minutes(2), minutes(3)),
    )


@pytest.mark.parametrize("nothing", [None, float("nan")])
def test_a_missing_value_is_no_change_and_hides_none(nothing: float | None) -> None:
    seen: Seen = [
        (minutes(0), {"set_torque_nm": 9.4}),
        (minutes(1), {"set_torque_nm": nothing}),
        (minutes(2), {}),
        (minutes(3), {"set_torque_nm": 9.4}),
        (minutes(4), {"set_torque_nm": nothing}),
        (minutes(5), {"set_torque_nm": 9.9}),
    ]
    assert setting_changes(seen) == (SettingChange("set_torque_nm", 9.4, 9.9, minutes(3), minutes(5)),)


def test_nothing_and_one_status_hold_no_change() -> None:
    assert setting_changes([]) == ()
    assert setting_changes([(T0, {"band": "x"})]) == ()


def test_statuses_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match="order of time"):
        setting_changes([(minutes(1), {}), (minutes(0), {})])


@given(st.lists(st.sampled_from([None, 1.0, 2.0, 3.0]), max_size=30))
def test_changes_lead_from_the_first_value_to_the_last(values: list[float | None]) -> None:
    changes = setting_changes((minutes(i), {"x": value}) for i, value in enumerate(values))
    known = [value for value in values if value is not None]
    path = [*(change.before for change in changes[:1]), *(change.after for change in changes)]
    assert path == ([] if not changes else [v for i, v in enumerate(known) if i == 0 or v != known[i - 1]])
    assert all(change.not_before < change.at for change in changes)


PRESSURE = SettingChange("punch_pressure_kpa", 330.0, 280.0, minutes(9), minutes(10))
SPEED = SettingChange("tension_speed_mm_s", 40.0, 45.0, minutes(29), minutes(30))
TORQUE = SettingChange("set_torque_nm", 9.4, 9.0, minutes(19), minutes(20))
BAND = SettingChange("band", "B15-048", "B15-061", minutes(14), minutes(15))


def test_what_explains_the_drift_comes_first() -> None:
    """√(280/330) = 0.921 of the punch's velocity; the later changes have nothing to do with it."""
    ranked = changes_before(
        [PRESSURE, TORQUE, SPEED], minutes(40), measure="punch_velocity_m_s", observed_ratio=0.93
    )
    assert [each.change for each in ranked] == [PRESSURE, SPEED, TORQUE]
    assert ranked[0].explains == "explains it"
    assert ranked[0].expected_ratio == pytest.approx((280 / 330) ** 0.5)
    assert ranked[0].before_drift == timedelta(minutes=30)
    assert ranked[1].explains == "no known link"


@pytest.mark.parametrize("observed", [0.6, 1.05])
def test_a_change_of_another_size_only_touches(observed: float) -> None:
    (found,) = changes_before([PRESSURE], minutes(40), measure="punch_velocity_m_s", observed_ratio=observed)
    assert found.explains == "touches it"


def test_another_band_touches_tension_and_slope() -> None:
    for measure in ("peak_tension_n", "slope_n_s"):
        assert changes_before([BAND], minutes(40), measure=measure)[0].explains == "touches it"
    assert changes_before([BAND], minutes(40), measure="take_up_ms")[0].explains == "no known link"


def test_without_a_measure_the_latest_comes_first() -> None:
    ranked = changes_before([PRESSURE, TORQUE, SPEED], minutes(40))
    assert [each.change for each in ranked] == [SPEED, TORQUE, PRESSURE]


def test_only_what_can_lie_before_the_drift_and_not_too_long() -> None:
    """Between two polls nobody knows which came first: such a change counts, and says so."""
    ranked = changes_before([PRESSURE, TORQUE, SPEED], minutes(19.5))
    assert [(each.change, each.certain) for each in ranked] == [(TORQUE, False), (PRESSURE, True)]
    assert ranked[0].before_drift == timedelta(minutes=-0.5)
    recent = changes_before([PRESSURE, TORQUE], minutes(40), look_back=timedelta(minutes=25))
    assert [each.change for each in recent] == [TORQUE]


def test_a_drift_known_as_an_interval_takes_changes_within_it() -> None:
    ranked = changes_before([PRESSURE, TORQUE, SPEED], minutes(25), drift_not_before=minutes(15))
    assert [(each.change, each.certain) for each in ranked] == [(TORQUE, False), (PRESSURE, True)]
    with pytest.raises(ValueError, match="the drift can't begin"):
        changes_before([], minutes(25), drift_not_before=minutes(26))


@pytest.mark.parametrize("ratio", [0.0, -1.0, float("nan")])
def test_a_ratio_that_is_none_is_refused(ratio: float) -> None:
    with pytest.raises(ValueError, match="observed_ratio"):
        changes_before([PRESSURE], T0, measure="punch_velocity_m_s", observed_ratio=ratio)
