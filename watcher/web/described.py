"""The application with its description in OpenAPI, which is made when somebody asks for it."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from fastapi import FastAPI

from watcher.web.problems import MEDIA_TYPE, ProblemBody

_REFERENCE = "#/components/schemas/{model}"
_ABOUT = """What the pages show, for programs. Times are UTC and end in Z; unknown is null; fields may be added and are
never renamed.

**Who may ask.** Send a token of `hoarline token add` as `Authorization: Bearer hoar_…`. Its scopes say what it may do:
`read`; `acknowledge` (take alerts in hand, run the clocks of treated aircraft); `manage` (change destinations and
subscriptions, send again). The session of a browser does the same; what it changes must come from our own pages.

**Long lists** come in pieces: `next` of an answer is the parameter `next` of the following question, and stands in the
header Link. **Tags:** send the ETag of an answer as If-None-Match and get 304 where nothing changed. **Too often:**
each asker has a bucket of 300 requests, into which 20 come back in a second; one more is 429 with Retry-After.

**Refusals** have one shape (RFC 9457, `application/problem+json`); `errors` names the fields that cannot be used.

Planning aid. The commander's check of the aircraft, the operator's approved programme and this season's official tables
decide."""
_TAGS = (
    ("stations", "How each station stands, its reports, findings, frost forecast and timeband."),
    ("episodes", "One flag at one station from its beginning to its end."),
    ("events", "What happened, in order, and as it happens."),
    ("feeds", "Alerts as Atom, iCalendar and CAP 1.2."),
    ("protections", "Treated aircraft and their clocks."),
    ("treatment", "Plans, morning lists, holdover look-ups, checklists."),
    ("deliveries", "Every message, and how it went."),
    ("destinations", "Where messages go."),
    ("subscriptions", "Who wants to be told what."),
    ("status", "Whether the service does its job."),
)


class Described(FastAPI):
    """An application whose refusals are described in their one shape."""

    def openapi(self) -> dict[str, Any]:
        """Return the description."""
        if self.openapi_schema is None:
            made = super().openapi()
            made["info"]["description"] = _ABOUT
            made["tags"] = [{"name": name, "description": about} for name, about in _TAGS]
            _describe_refusals(made)
            self.openapi_schema = made
        return self.openapi_schema


def _describe_refusals(description: dict[str, Any]) -> None:
    """Give every refusal its media type and its shape, in place; the framework knows one type for all answers."""
    problem = ProblemBody.model_json_schema(mode="serialization", ref_template=_REFERENCE)
    schemas = description.setdefault("components", {}).setdefault("schemas", {})
    schemas.update(problem.pop("$defs"))
    schemas[ProblemBody.__name__] = problem
    told = {MEDIA_TYPE: {"schema": {"$ref": _REFERENCE.format(model=ProblemBody.__name__)}}}
    for path in description["paths"].values():
        for operation in path.values():
            for status in [status for status in operation["responses"] if status.isdecimal() and int(status) >= 400]:
                operation["responses"][status] = {"description": HTTPStatus(int(status)).phrase, "content": told}
