"""The application: pages behind signed links, the API, and one way to refuse for all of it."""

from __future__ import annotations

from urllib.parse import urlsplit

import structlog
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from watcher import __version__
from watcher.errors import StoreError
from watcher.web.api import PREFIX, episode_api
from watcher.web.board import board_pages
from watcher.web.bounds import Bounds
from watcher.web.confirm import confirm_pages
from watcher.web.doors import NotSignedIn
from watcher.web.enter import entrance, to_entrance
from watcher.web.feeds_out import feeds_out
from watcher.web.house import House
from watcher.web.pages import page_headers, refusal_page
from watcher.web.problems import FieldProblem, Refusal, describe_problems, problem_response
from watcher.web.static import static_files
from watcher.web.stop import stop_pages
from watcher.web.take import take_pages

_log = structlog.get_logger()
# Addresses where people look, whatever a browser says that it accepts.
_PAGES = ("/take/", "/stop/", "/confirm/")
_DETAILS = {404: "There is nothing at this address.", 405: "This address takes other methods; see the header Allow."}


def build_app(house: House) -> FastAPI:
    """Return the application that shows a house."""
    app = FastAPI(
        title="Hoarline",
        version=__version__,
        summary="Icing alerts of aerodromes: read them, take them in hand.",
        openapi_url=f"{PREFIX}/openapi.json",
        docs_url=None,
        redoc_url=None,
        # The path of a page is its permission; nothing may write it down.
        telemetry={
            "tracing": False,
            "metrics": False,
            "logs": False,
            "operation_spans": False,
            "auto_configure": False,
        },
        redirect_slashes=False,
    )
    for part in (take_pages, stop_pages, confirm_pages, episode_api, feeds_out, entrance, board_pages):
        app.include_router(part(house))
    app.include_router(static_files())
    app.add_middleware(Bounds, headers=page_headers(), prefix=urlsplit(house.public_url or "").path)
    _refuse_in_one_way(app)
    describe_problems(app.openapi())
    return app


def _refuse_in_one_way(app: FastAPI) -> None:
    @app.exception_handler(Refusal)
    async def refused(request: Request, refusal: Refusal) -> Response:
        return _told(request, refusal)

    @app.exception_handler(NotSignedIn)
    async def outside(request: Request, nobody: NotSignedIn) -> Response:
        return to_entrance(request, nobody.to)

    @app.exception_handler(HTTPException)
    async def not_served(request: Request, error: HTTPException) -> Response:
        detail = _DETAILS.get(error.status_code, str(error.detail))
        return _told(request, Refusal(error.status_code, detail, headers=error.headers))

    @app.exception_handler(RequestValidationError)
    async def not_valid(request: Request, error: RequestValidationError) -> Response:
        wrong = tuple(FieldProblem(field=".".join(map(str, one["loc"])), what=one["msg"]) for one in error.errors())
        return _told(request, Refusal(422, "The request cannot be used as it is; see errors.", errors=wrong))

    @app.exception_handler(StoreError)
    async def no_store(request: Request, error: StoreError) -> Response:
        _log.error("the store failed a request", error=str(error))
        detail = "The service cannot reach its store. Nothing was changed; try again in a moment."
        return _told(request, Refusal(503, detail, headers={"Retry-After": "5"}))

    @app.exception_handler(Exception)
    async def broken(request: Request, _error: Exception) -> Response:
        # Made outside of the application's bounds, so it brings the headers of every answer itself.
        return _told(request, Refusal(500, "The service failed here; its log says why.", headers=page_headers()))


def _told(request: Request, refusal: Refusal) -> Response:
    """Return a refusal as a page where a person looks, as JSON everywhere else."""
    path = request.scope["path"].removeprefix(request.scope.get("root_path", ""))
    looks = path.startswith(_PAGES) or "text/html" in request.headers.get("accept", "")
    return refusal_page(refusal) if looks and not path.startswith("/api/") else problem_response(refusal)
