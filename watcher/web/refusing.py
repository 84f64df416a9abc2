"""One way to refuse for all of the application: what is raised anywhere becomes a page or a problem in JSON."""

from __future__ import annotations

import structlog
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from watcher.errors import InputError, StoreConflict, StoreError, UsageError
from watcher.web.allowed import Allowed
from watcher.web.doors import NotSignedIn
from watcher.web.enter import to_entrance
from watcher.web.pages import page_headers, refusal_page
from watcher.web.problems import FieldProblem, Refusal, field_problems, problem_response

_log = structlog.get_logger()
# Addresses where people look, whatever a browser says that it accepts.
_PAGES = ("/take/", "/stop/", "/confirm/")
_DETAILS = {404: "There is nothing at this address.", 405: "This address takes other methods; see the header Allow."}
_ERRORS = "The request cannot be used as it is; see errors."


def refuse_in_one_way(app: FastAPI) -> None:
    """Let an application answer whatever is raised in it as a refusal, in plain words."""

    @app.exception_handler(Refusal)
    async def refused(request: Request, refusal: Refusal) -> Response:
        return _told(request, refusal)

    @app.exception_handler(NotSignedIn)
    async def outside(request: Request, nobody: NotSignedIn) -> Response:
        return to_entrance(request, nobody.to)

    @app.exception_handler(HTTPException)
    async def not_served(request: Request, error: HTTPException) -> Response:
        detail = _DETAILS.get(error.status_code, str(error.detail))
        headers = dict(error.headers or {})
        if error.status_code == 405 and (allowed := Allowed(app.openapi()).at(_path(request))) is not None:
            # The framework names the methods of one route, and an address may have several.
            headers = {"Allow": allowed}
        return _told(request, Refusal(error.status_code, detail, headers=headers))

    @app.exception_handler(RequestValidationError)
    async def not_valid(request: Request, error: RequestValidationError) -> Response:
        wrong = tuple(FieldProblem(field=".".join(map(str, one["loc"])), what=one["msg"]) for one in error.errors())
        return _told(request, Refusal(422, _ERRORS, errors=wrong))

    @app.exception_handler(UsageError)
    async def not_usable(request: Request, error: UsageError) -> Response:
        wrong = field_problems(error.problems)
        return _told(request, Refusal(422, _ERRORS, errors=wrong))

    @app.exception_handler(InputError)
    async def not_set_up(request: Request, error: InputError) -> Response:
        # Settings or rules, which whoever asks cannot mend and need not see.
        _log.error("what the service is set up with cannot be used", problems=str(error))
        return _told(request, Refusal(500, "The service is set up with something it cannot use; its log says what."))

    @app.exception_handler(StoreConflict)
    async def overtaken(request: Request, error: StoreConflict) -> Response:
        _log.warning("somebody else changed the same", error=str(error))
        return _told(request, Refusal(409, "Somebody else changed this at the same time. Look again, and try again."))

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
    path = _path(request)
    looks = path.startswith(_PAGES) or "text/html" in request.headers.get("accept", "")
    return refusal_page(refusal) if looks and not path.startswith("/api/") else problem_response(refusal)


def _path(request: Request) -> str:
    path: str = request.scope["path"]
    return path.removeprefix(request.scope.get("root_path", ""))
