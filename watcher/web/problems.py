"""How a request is refused: one value, shown as a page to people and as JSON to programs (RFC 9457)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Literal

from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from watcher.errors import Problem

MEDIA_TYPE = "application/problem+json"


class FieldProblem(BaseModel):
    """One field of a request that cannot be used."""

    field: str = Field(description="Where it is, such as body.by.")
    what: str = Field(description="What is wrong with it.")


class ProblemBody(BaseModel):
    """The one shape of every error (RFC 9457)."""

    type: Literal["about:blank"] = Field("about:blank", description="The status says what kind of error it is.")
    title: str = Field(description="The status in words.")
    status: int = Field(description="The HTTP status.")
    detail: str = Field(description="What is wrong here, and what to do next.")
    errors: list[FieldProblem] = Field([], description="The fields that cannot be used; empty for other errors.")


class Refusal(Exception):
    """Ends a request with a status other than success.

    Parameters
    ----------
    status
        The HTTP status.
    detail
        What is wrong and what to do next, in plain words. Holds nothing secret and no token.
    headline
        The first line of the page, where people see it; the status in words when left out.
    headers
        What the status asks for, such as WWW-Authenticate.
    """

    def __init__(
        self,
        status: int,
        detail: str,
        *,
        headline: str | None = None,
        headers: Mapping[str, str] | None = None,
        errors: tuple[FieldProblem, ...] = (),
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.headline = headline or HTTPStatus(status).phrase
        self.headers = dict(headers or {})
        self.errors = errors


def field_problems(problems: Iterable[Problem]) -> tuple[FieldProblem, ...]:
    """Return what is wrong in something a person wrote, by field; an option of a command is the field of its name."""
    return tuple(
        FieldProblem(field=_field(item.where), what=f"{item.what}; {item.remedy}" if item.remedy else item.what)
        for item in problems
    )


def _field(where: str) -> str:
    return where.removeprefix("--").replace("-", "_") if where.startswith("--") else where


def problem_response(refusal: Refusal) -> JSONResponse:
    """Return a refusal as JSON for programs."""
    body = ProblemBody(
        title=HTTPStatus(refusal.status).phrase,
        status=refusal.status,
        detail=refusal.detail,
        errors=list(refusal.errors),
    )
    return JSONResponse(body.model_dump(), refusal.status, refusal.headers, MEDIA_TYPE)
