"""How often a good curve stays inside a tolerance band, and how often a wrong one is seen.

    python -m tests.benchmarks.tolerance --bands 100

Each band is learnt from curves of its own, then 50 further good ones and some of each wrong kind are held
against it. For any distribution the expected share inside is the rank over calibration curves + 1
(`exactly`).
"""

import argparse
from dataclasses import replace
from math import ceil

import numpy as np

from collector.analysis.tolerance import ToleranceBand, distance, learn
from simulators.tool import BANDS, Disturbance, Joint, Sampling, Settings, Tool, attempt, draw_joint

FURTHER, WRONG = 50, 5
SAMPLING = Sampling(interval_us=1000, most=1000, step_n=0.1)


def curves(
    count: int,
    rng: np.random.Generator,
    tool: Tool | None = None,
    softness: float = 1.0,
    slip: float = 1.0,
    disturbance: Disturbance = "none",
) -> list[np.ndarray]:
    """Curves in N; `softness` and `slip` are times what a joint has."""

    def joint() -> Joint:
        drawn = draw_joint(rng)
        return replace(drawn, softness_mm=drawn.softness_mm * softness, slip_mm=drawn.slip_mm * slip)

    settings, band = Settings.recommended("B15-048"), BANDS["B15-048"]
    return [
        attempt(tool or Tool("1"), settings, band, joint(), 620.0, SAMPLING, rng, disturbance).steps
        * SAMPLING.step_n
        for _ in range(count)
    ]


def share_inside(values: list[np.ndarray], band: ToleranceBand) -> float:
    distances = [distance(each, SAMPLING.interval_us, band).distance for each in values]
    return float(np.mean([each is not None and each <= 1 for each in distances]))


def measure(learnt: int, share: float, bands: int, rng: np.random.Generator) -> None:
    good: list[float] = []
    seen: dict[str, list[float]] = {}
    for _ in range(bands):
        band = learn(curves(learnt, rng), SAMPLING.interval_us, inside_share=share)
        good.append(share_inside(curves(FURTHER, rng), band))
        wrong = {
            "slip ×1.5": curves(WRONG, rng, slip=1.5),
            "slip ×2": curves(WRONG, rng, slip=2.0),
            "softness ×1.15": curves(WRONG, rng, softness=1.15),
            "softness ×1.3": curves(WRONG, rng, softness=1.3),
            "torque −5 %": curves(WRONG, rng, tool=Tool("1", drive_wear=0.05)),
            "lock not formed": curves(WRONG, rng, tool=Tool("1", punch_wear=0.6)),
            "trigger released": curves(WRONG, rng, disturbance="trigger released"),
        }
        for kind, values in wrong.items():
            seen.setdefault(kind, []).append(1 - share_inside(values, band))
    calibration = learnt // 2
    exactly = ceil((calibration + 1) * share) / (calibration + 1)
    error = np.std(good, ddof=1) / np.sqrt(bands)
    print(f"{learnt} curves, {share:.0%}: inside {np.mean(good):.2%} ± {error:.2%} (exactly {exactly:.2%})")
    print(
        "    seen: " + ", ".join(f"{kind} {np.mean(shares):.0%}" for kind, shares in seen.items()), flush=True
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bands", type=int, default=100)
    rng = np.random.default_rng(1)
    bands = parser.parse_args().bands
    for learnt, share in ((50, 0.9), (50, 0.95), (100, 0.95), (198, 0.99)):
        measure(learnt, share, bands, rng)


if __name__ == "__main__":
    main()
