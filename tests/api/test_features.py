"""What a curve says, over REST: as the analysis finds it in the samples, with units, nothing made up."""

from dataclasses import asdict, replace
from datetime import timedelta

import httpx
import numpy as np
import pytest

from collector.analysis.features import features
from collector.model import BookedCurve, BookedCycle, Curve, Cycle
from tests.api.plant import LATEST, MOVED, Plant, writing

INTERVAL_US = 1000


def trapezium(quantity: str = "tension_n") -> Curve:
    """Drag 0, a straight rise of 10 a millisecond from 100 ms to 170 ms, level at 700 until the step down to
    650 at 250 ms, cut at 300 ms."""
    at_ms = np.arange(340)
    values = np.clip((at_ms - 100) * 10, 0, 700)
    values[250:] = 650
    values[300:] = 0
    samples = values.astype("<i2").tobytes()
    return Curve(0, INTERVAL_US, quantity, samples, "int16", 1.0, 0.0)  # type: ignore[arg-type]


@pytest.fixture
async def booked(plant: Plant) -> dict[str, Curve]:
    """Cycle id -> its curve: three more cycles of A-02, the second without a tension speed, the third with a
    curve of torque."""
    curves = {}
    async with writing(plant) as filling:
        first = plant.positions["A-02"].sequence + 1
        said = [(40.0, "tension_n"), (None, "tension_n"), (40.0, "torque_nm")]
        for sequence, (speed_mm_s, quantity) in enumerate(said, start=first):
            at = LATEST + timedelta(minutes=sequence - first)
            cycle = Cycle(sequence, result="ok", completion="completed", tension_speed_mm_s=speed_mm_s)
            booked = BookedCycle(2, sequence, at, 500.0, MOVED, replace(cycle, raw=b"%d" % sequence))
            curve = replace(trapezium(quantity), sequence=sequence)
            await filling.book("A-02", [booked], [BookedCurve(2, sequence, curve)])
            curves[f"A-02.2.{sequence}"] = curve
    return curves


async def test_features_are_those_of_the_samples(client: httpx.AsyncClient, booked: dict[str, Curve]) -> None:
    """Of a curve drawn by hand: peak 700 N, slope 10 N/ms, take-up until 100 ms, a seating loss of 50 N; and
    each member is what the analysis says of the same samples."""
    id_, curve = next(iter(booked.items()))
    shown = (await client.get(f"/v1/cycles/{id_}/features")).json()
    assert shown["peak"] == pytest.approx(700, rel=1e-3)
    assert shown["slope_per_s"] == pytest.approx(10_000)
    assert shown["take_up_ms"] == pytest.approx(100, abs=1)
    assert shown["take_up_travel_mm"] == pytest.approx(4, abs=0.05)  # 40 mm/s for 0.1 s
    assert shown["seating_loss"] == pytest.approx(50, abs=1)
    # 95 % of 700 N after 66.5 ms of the rise; area of that triangle in N·s, times 40 mm/s
    assert shown["rise_area_s"] == pytest.approx(0.5 * 0.0665 * 665, rel=0.05)
    assert shown["work_j"] == pytest.approx(shown["rise_area_s"] * 0.040)
    assert (shown["units"]["slope_per_s"], shown["units"]["rise_area_s"]) == ("N/s", "N·s")
    found = asdict(features(curve, 40.0))
    assert {name: shown[name] for name in found} == found | {"notes": list(found["notes"])}
    assert (shown["id"], shown["unknown"]) == (id_, {})


async def test_what_can_not_be_told_says_why(client: httpx.AsyncClient, booked: dict[str, Curve]) -> None:
    """Without a tension speed no travel and no work; from a torque curve no work; units follow the curve."""
    _, slow, torque = [(await client.get(f"/v1/cycles/{id_}/features")).json() for id_ in booked]
    no_speed = "the cycle's record tells no tension speed"
    assert slow["unknown"] == {"take_up_travel_mm": no_speed, "work_j": no_speed}
    assert (slow["take_up_travel_mm"], slow["work_j"]) == (None, None)
    assert torque["unknown"] == {"work_j": "it is worked out for curves of tension only"}
    assert (torque["units"]["peak"], torque["units"]["slope_per_s"]) == ("N·m", "N·m/s")


async def test_a_curve_without_a_lock_has_the_analysis_words(client: httpx.AsyncClient) -> None:
    """The plant's own curves rise to a level and end there: no lock, no seating loss, and never cut."""
    shown = (await client.get("/v1/cycles/A-02.2.7/features")).json()
    assert (shown["lock"], shown["truncated"]) == (None, True)
    assert shown["unknown"]["lock"] == shown["unknown"]["seating_loss"] == "; ".join(shown["notes"])
    assert "the curve ends before the tension is gone" in shown["notes"]


async def test_the_overlay_has_the_features_of_each_curve(
    client: httpx.AsyncClient, booked: dict[str, Curve]
) -> None:
    """The same as the curve's own resource, and the cycle says where that is."""
    items = (await client.get("/v1/tools/2042/curves", params={"last": 5})).json()["items"]
    assert [each["id"] for each in items[:3]] == list(booked)[::-1]
    for each in items:
        cycle = (await client.get(f"/v1/cycles/{each['id']}")).json()
        alone = (await client.get(cycle["features"])).json()
        assert {"id": each["id"], **each["features"]} == alone


async def test_features_never_change(client: httpx.AsyncClient) -> None:
    """So whoever has them need not be told again."""
    answer = await client.get("/v1/cycles/A-02.2.7/features")
    again = await client.get(
        "/v1/cycles/A-02.2.7/features", headers={"if-none-match": answer.headers["etag"]}
    )
    assert (again.status_code, again.content) == (304, b"")


async def test_a_cycle_without_a_curve_is_told_from_no_cycle(client: httpx.AsyncClient) -> None:
    """Both are 404; the sentence says which."""
    without, missing = [
        await client.get(f"/v1/cycles/{id_}/features") for id_ in ("A-02.2.8", "A-02.2.999999")
    ]
    assert (without.status_code, missing.status_code) == (404, 404)
    assert "no curve" in without.json()["detail"]
    assert "no curve" not in missing.json()["detail"]
