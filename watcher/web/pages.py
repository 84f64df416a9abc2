"""The frame of every page: templates that escape everything, one stylesheet inside the page, and the headers for it."""

from __future__ import annotations

import hashlib
from base64 import b64encode
from functools import cache
from importlib.resources import files

from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from watcher.notify.message import CAUTION
from watcher.web.problems import Refusal


def page(template: str, *, status: int = 200, headers: dict[str, str] | None = None, **values: object) -> HTMLResponse:
    """Return a page made from a template in this package."""
    return HTMLResponse(piece(template, **values), status, headers)


def piece(template: str, **values: object) -> str:
    """Return the markup that a template in this package makes, such as a piece that a page puts in place by itself."""
    return _environment().get_template(template).render(**values)


def refusal_page(refusal: Refusal) -> HTMLResponse:
    """Return a refusal as a page for people."""
    return page("refusal.html", status=refusal.status, headers=refusal.headers, refusal=refusal)


@cache
def page_headers() -> dict[str, str]:
    """Return the headers of every answer.

    Nothing may be loaded and nothing run; the one stylesheet is named by its hash (Content Security Policy Level 3).
    The referrer stays inside: links carry their permission in their path. It is ``same-origin`` and not
    ``no-referrer`` because with the latter a browser hides the origin of its own form posts too (Fetch standard,
    "append a request Origin header"), and the origin is what those posts are checked by.
    """
    digest = b64encode(hashlib.sha256(_style().encode()).digest()).decode("ascii")
    policy = (
        "default-src 'none'",
        f"style-src 'sha256-{digest}'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
    )
    return {
        "Content-Security-Policy": "; ".join(policy),
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        "Referrer-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Cache-Control": "no-store",
        "X-Robots-Tag": "noindex, nofollow",
    }


@cache
def _style() -> str:
    return files("watcher.web").joinpath("templates", "style.css").read_text(encoding="utf-8")


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("watcher.web"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    # Ours, and the only text that is not escaped: its hash is in the policy.
    environment.globals.update(style=Markup(_style()), caution=CAUTION)  # noqa: S704
    return environment
