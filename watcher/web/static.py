"""The files that pages load from here: style, scripts, icons. Each is named with its content, and kept by browsers."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files

from fastapi import APIRouter, Request, Response

from watcher.pictures import colours, marks, sheet, strip
from watcher.web.problems import Refusal

_KINDS = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "png": "image/png",
    "webmanifest": "application/manifest+json",
}
_FOR_EVER = "public, max-age=31536000, immutable"


def static_files() -> APIRouter:
    """Return the route of the files. They are the same for everybody, so nobody signs in for them."""
    router = APIRouter(include_in_schema=False)

    @router.api_route("/static/{name}", methods=["GET", "HEAD"])
    async def read(name: str, request: Request) -> Response:
        kind = _KINDS.get(name.rpartition(".")[2])
        content = _content(name) if kind is not None and name in _names() else None
        if content is None or kind is None:
            raise Refusal(404, "There is nothing at this address.")
        kept = _FOR_EVER if request.query_params.get("v") == _version(name) else "no-cache"
        return Response(content, headers={"Cache-Control": kept, "Content-Type": kind})

    return router


def static_url(root: str, name: str) -> str:
    """Return the address of a file; it changes with the content, so that browsers never show an old one."""
    return f"{root}/static/{name}?v={_version(name)}"


def static_text(name: str) -> str:
    """Return a style sheet or a script, for a page that carries it inside."""
    return _content(name).decode()


def _strips() -> str:
    return strip.css() + marks.css()


# Made here, not read: what drawings look like is written once, where they are drawn.
_MADE = {"charts.css": sheet.css, "strips.css": _strips}


@cache
def _names() -> frozenset[str]:
    folder = files("watcher.web").joinpath("static")
    return frozenset(entry.name for entry in folder.iterdir() if entry.is_file()) | _MADE.keys()


@cache
def _content(name: str) -> bytes:
    if name in _MADE:
        return _MADE[name]().encode()
    content = files("watcher.web").joinpath("static", name).read_bytes()
    # The colours are one table for pages and pictures.
    return colours.tokens_css().encode() + content if name == "house.css" else content


@cache
def _version(name: str) -> str:
    return hashlib.sha256(_content(name)).hexdigest()[:12]
