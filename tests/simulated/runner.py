"""Many worlds, in one process or in several."""

import gc
import logging
import multiprocessing
from collections.abc import Iterator, Sequence

from tests.simulated.book import Shelf
from tests.simulated.world import Outcome, World

_shelf: Shelf | None = None


def run_world(seed: int) -> Outcome:
    """In this process's own book."""
    global _shelf
    if _shelf is None:
        logging.getLogger("collector").setLevel(logging.ERROR)
        _shelf = Shelf()
        gc.freeze()
        gc.set_threshold(200_000, 50, 100)  # SQLAlchemy's many small objects: a quarter of the time
    return World(_shelf, seed).run()


def run_worlds(seeds: Sequence[int], jobs: int) -> Iterator[Outcome]:
    if jobs == 1 or len(seeds) == 1:
        yield from map(run_world, seeds)
        return
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        yield from pool.imap_unordered(run_world, seeds, chunksize=4)
