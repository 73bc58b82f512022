"""An API over the invented plant, in process: no port, but real threads and a real book."""

import asyncio
import shutil
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI

from api.access.gate import Access
from api.app import create_app
from api.learnt import LearntBands
from api.resources.feed import WAITING_MOST
from api.stores import Stores
from collector.config import load_site
from collector.store.engine import StoreAddress
from tests.api.asking import asking
from tests.api.plant import Plant, make_plant, pass_for_the_original, write_site
from tests.api.worn_tool import make_worn, record_service, write_worn_site


@pytest.fixture(scope="session")
def plant_folder(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Plant]:
    """Made once; nobody writes to it but its desk."""
    folder = tmp_path_factory.mktemp("plant")
    write_site(folder)
    return folder, asyncio.run(make_plant(StoreAddress(folder=folder / "store")))


@pytest.fixture
def plant(plant_folder: tuple[Path, Plant], tmp_path: Path) -> Plant:
    """A copy of the plant for one test; the writer has left it, so that its files can be copied."""
    folder, made = plant_folder
    shutil.copytree(folder, tmp_path, dirs_exist_ok=True)
    pass_for_the_original(StoreAddress(folder=tmp_path / "store"))
    return replace(
        made,
        address=StoreAddress(folder=tmp_path / "store"),
        cycles=list(made.cycles),
        curves=dict(made.curves),
        positions=dict(made.positions),
        findings=list(made.findings),
    )


@pytest.fixture(scope="session")
def built_app(plant_folder: tuple[Path, Plant]) -> FastAPI:
    """Built once: making the models takes longer than most tests."""
    site, _ = load_site(plant_folder[0] / "site.toml")
    return create_app(site)


@pytest.fixture
def app(built_app: FastAPI, plant: Plant) -> Iterator[FastAPI]:
    """The application over this test's copy of the plant."""
    built_app.state.stores = Stores(plant.address)
    built_app.state.access = Access(built_app.state.site, lambda: built_app.state.stores)
    assert plant.address.folder is not None
    built_app.state.exporter.folder = plant.address.folder / "exports"
    built_app.state.waiting = asyncio.Semaphore(WAITING_MOST)
    built_app.state.learnt = LearntBands()  # copies of a plant have one name: the same ids are other curves
    yield built_app
    built_app.state.stores.close()


@pytest.fixture
async def client(app: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    async with asking(app) as client:
        yield client


@pytest.fixture(scope="session")
def worn_app(tmp_path_factory: pytest.TempPathFactory) -> FastAPI:
    """Over the history of the worn tool; nobody writes to it but its desk, with the one service."""
    folder = tmp_path_factory.mktemp("worn")
    site, _ = load_site(write_worn_site(folder))
    asyncio.run(make_worn(StoreAddress(folder=folder / "store")))
    return create_app(site)


@pytest.fixture
async def worn(worn_app: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    """Asks about the worn tool."""
    async with asking(worn_app) as client:
        await record_service(client)
        yield client
