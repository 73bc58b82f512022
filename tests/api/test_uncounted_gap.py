"""A gap of which nobody can say how many cycles are missing: null with the reason, never zero."""

from datetime import timedelta

import httpx

from api.schemas import records
from collector.model import Gap
from collector.store.queries import NOBODY_COUNTED
from tests.api.plant import LATEST, MOVED, Plant, writing


async def test_a_gap_without_a_number_makes_every_sum_unknown(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """The gap itself, its controller, and its tool's counts, days and service say null and why."""
    since = LATEST - timedelta(minutes=5)
    async with writing(plant) as filling:
        restarted = Gap(2, 9999, None, "controller restarted", since, LATEST)
        await filling.commit("A-02", gaps=(restarted,))
    address = f"/v1/tools/{MOVED.serial}"
    asked = {"maker": MOVED.maker}
    day = {"from": since.date().isoformat(), "to": (since + timedelta(days=2)).date().isoformat()}

    newest = (await client.get("/v1/gaps?controller=A-02")).json()["items"][0]
    assert (newest["last_sequence"], newest["cycles"]) == (None, None)
    assert newest["unknown"] == {"last_sequence": NOBODY_COUNTED, "cycles": NOBODY_COUNTED}

    controller = (await client.get("/v1/controllers/A-02")).json()
    assert controller["gap_totals"]["cycles"] is None
    assert controller["unknown"]["gap_totals.cycles"] == NOBODY_COUNTED

    answer = await client.get(f"{address}/counts", params=asked | day)
    records.ToolCounts.model_validate_json(answer.content, strict=True)
    counts = answer.json()
    beside = next(each for each in counts["controllers"] if each["controller"] == "A-02")
    for part in (counts["lifetime"], counts["days"][0], beside):
        assert part["gap_cycles"] is None
        assert part["unknown"]["gap_cycles"] == NOBODY_COUNTED
    assert any("an unknown number of cycles" in reason for reason in counts["days"][0]["reasons"])

    for shown in (address, f"{address}/service"):
        body = (await client.get(shown, params=asked)).json()
        assert body["gap_cycles"] is None
        assert body["unknown"]["gap_cycles"] == NOBODY_COUNTED
