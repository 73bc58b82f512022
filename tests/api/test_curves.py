"""Curves over REST: in the unit of the quantity, from time zero."""

import struct

import httpx

from tests.api.plant import MOVED, Plant, id_of


async def test_samples_come_in_the_unit_of_the_quantity(client: httpx.AsyncClient, plant: Plant) -> None:
    """value = sample × scale + offset, in N."""
    answer = (await client.get("/v1/cycles/A-02.2.7/curve")).json()
    sent = plant.curves["A-02.2.7"]
    raw = struct.unpack(f"<{len(sent.samples) // 2}h", sent.samples)
    assert answer["samples"] == [sample * 0.5 + 1.0 for sample in raw]
    assert (answer["quantity"], answer["sample_interval_us"], answer["start_us"]) == ("tension_n", 1000, 0)
    assert answer["sample_count"] == len(raw)


async def test_the_overlay_is_the_newest_curves(client: httpx.AsyncClient, plant: Plant) -> None:
    """The last five that the book has, newest first; cycles without a curve are passed over."""
    items = (await client.get("/v1/tools/2042/curves", params={"last": 5})).json()["items"]
    truth = [id_of(*each) for each in plant.of(MOVED) if id_of(*each) in plant.curves][:5]
    assert [each["id"] for each in items] == truth
    assert len(truth) == 5


async def test_a_cycle_without_a_curve_is_told_from_no_cycle(client: httpx.AsyncClient) -> None:
    """Both are 404; the sentence says which."""
    without = await client.get("/v1/cycles/A-02.2.8/curve")
    missing = await client.get("/v1/cycles/A-02.2.999999/curve")
    assert (without.status_code, missing.status_code) == (404, 404)
    assert "no curve" in without.json()["detail"]
    assert "no curve" not in missing.json()["detail"]
