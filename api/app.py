"""The application: which resources there are, what a request passes first, how long the store is open."""

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import Depends, FastAPI
from fastapi.routing import APIRoute
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp

from api.access.gate import Access, Gate, allowed
from api.access.rights import require_decisions
from api.document import complete
from api.exporting import Exporter
from api.guards import Bodies, SafeHeaders, only_json
from api.learnt import LearntBands
from api.parameters import known_parameters, only_known_parameters
from api.problems import answer_with_problems
from api.push.office import Office
from api.resources import (
    access,
    capability,
    causes,
    change_points,
    charts,
    containment,
    controllers,
    counts,
    curves,
    cycles,
    deliveries,
    exports,
    fault_comparison,
    fault_life,
    fault_rates,
    faults,
    features,
    feed,
    findings,
    forecast,
    gaps,
    health,
    histories,
    index,
    interval_counts,
    receipts,
    reconciliation,
    service,
    settings,
    setups,
    shifts,
    statement_status,
    statements,
    tolerance,
    tools,
)
from api.schemas.common import Problem
from api.stores import Stores
from collector import __version__
from collector.config import Site

RESOURCES = (
    index,
    health,
    controllers,
    histories,
    reconciliation,
    cycles,
    curves,
    features,
    counts,
    service,
    settings,
    setups,
    tolerance,
    forecast,
    causes,
    charts,
    capability,
    change_points,
    tools,
    containment,
    faults,
    fault_rates,
    fault_comparison,
    fault_life,
    findings,
    gaps,
    feed,
    deliveries,
    exports,
    receipts,
    shifts,
    interval_counts,
    statement_status,
    statements,
    access,
)
"""In this order: the `{serial:path}` of `tools` would take the addresses of those before it."""


class Api(FastAPI):
    def openapi(self) -> dict[str, Any]:
        """The document, made once."""
        if self.openapi_schema is None:
            routes = [each for resource in RESOURCES for each in resource.router.routes]
            models = {each.response_model for each in routes if isinstance(each, APIRoute)}
            complete(super().openapi(), sorted(models - {None}, key=str))
            assert self.openapi_schema is not None
        return self.openapi_schema

    def build_middleware_stack(self) -> ASGIApp:
        """With the headers also around the answer to an unexpected error, which is made outside of it."""
        return SafeHeaders(super().build_middleware_stack())


def create_app(site: Site) -> FastAPI:
    """An application over the store of `site`, which it opens when it starts and closes when it stops."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        await run_in_threadpool(app.state.stores.unready)  # opens what is there, and makes the desk
        app.state.files = asyncio.Semaphore(site.api.files_at_once)
        writing = asyncio.create_task(app.state.access.keep_writing())
        async with app.state.office.open(), app.state.exporter.open():
            yield
        writing.cancel()
        await run_in_threadpool(app.state.access.write, at_once=True)
        await run_in_threadpool(app.state.stores.close)

    app = Api(
        title="clampbook",
        version=__version__,
        summary="Every clamp that the tools of a site have made, and what is missing.",
        openapi_url="/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        lifespan=lifespan,
        dependencies=[Depends(only_json), Depends(allowed), Depends(only_known_parameters)],
        responses={"default": {"model": Problem}},
    )
    app.state.site = site
    app.state.stores = Stores(site.store_address)
    app.state.access = Access(site, lambda: app.state.stores)
    app.state.learnt = LearntBands()
    app.state.office = Office(site, lambda: app.state.stores)
    app.state.exporter = Exporter(site, lambda: app.state.stores)
    app.state.waiting = asyncio.Semaphore(feed.WAITING_MOST)
    app.state.started_at_s = time.monotonic()
    answer_with_problems(app)
    for resource in RESOURCES:
        app.include_router(resource.router)
    app.add_middleware(Bodies)
    app.add_middleware(Gate)
    require_decisions(app.openapi())
    app.state.known_parameters = known_parameters(app)
    return app
