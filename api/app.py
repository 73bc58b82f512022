"""The application: which resources there are, what a request passes first, how long the store is open."""

import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import Depends, FastAPI
from starlette.concurrency import run_in_threadpool

from api.answers import JSON
from api.guards import JsonBodies, LoopbackNames
from api.parameters import known_parameters, only_known_parameters
from api.problems import PROBLEM_JSON, answer_with_problems
from api.resources import (
    capability,
    change_points,
    charts,
    containment,
    controllers,
    counts,
    curves,
    cycles,
    faults,
    gaps,
    health,
    histories,
    index,
    reconciliation,
    service,
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
    counts,
    service,
    charts,
    capability,
    change_points,
    tools,
    containment,
    faults,
    gaps,
)
"""In this order: the `{serial:path}` of `tools` would take the addresses of those before it."""


class Api(FastAPI):
    def openapi(self) -> dict[str, Any]:
        """The document; a problem has its own media type only, which the framework can't be told."""
        document = super().openapi()
        for operations in document["paths"].values():
            for operation in operations.values():
                operation["responses"]["default"]["content"].pop(JSON, None)
        return document


def create_app(site: Site) -> FastAPI:
    """An application over the store of `site`, which it opens when it starts and closes when it stops."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        await run_in_threadpool(app.state.stores.unready)  # opens what is there, and makes the desk
        yield
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
        dependencies=[Depends(only_known_parameters)],
        responses={"default": _problem_response()},
    )
    app.state.site = site
    app.state.stores = Stores(site.store_address)
    app.state.started_at_s = time.monotonic()
    answer_with_problems(app)
    for resource in RESOURCES:
        app.include_router(resource.router)
    app.add_middleware(JsonBodies)
    app.add_middleware(LoopbackNames)
    app.state.known_parameters = known_parameters(app)
    return app


def _problem_response() -> dict[str, Any]:
    schema = {"schema": {"$ref": f"#/components/schemas/{Problem.__name__}"}}
    return {"model": Problem, "description": "A problem (RFC 9457)", "content": {PROBLEM_JSON: schema}}
