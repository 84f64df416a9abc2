"""What lets a phone keep the pages of treated aircraft as a program of its own: manifests and the worker."""

from __future__ import annotations

from importlib.resources import files

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse

from watcher.web.frame import POLICY, root_of
from watcher.web.static import static_url

_KIND = "application/manifest+json"
_COCKPIT = "#050708"


def install_pages() -> APIRouter:
    """Return the manifests (W3C Web Application Manifest) and the worker. They hold nothing secret."""
    router = APIRouter(include_in_schema=False)

    @router.get("/manifest.webmanifest")
    async def whole(request: Request) -> Response:
        root = root_of(request)
        return _manifest(root, "Hoarline: treated aircraft", f"{root}/protections", f"{root}/")

    @router.get("/p/{sealed}/manifest.webmanifest")
    async def one(sealed: str, request: Request) -> Response:
        start = f"{root_of(request)}/p/{sealed}"
        return _manifest(root_of(request), "Hoarline: one aircraft", start, start)

    @router.get("/protection-worker.js")
    async def worker() -> Response:
        # Its place says which pages it may serve, so it lies above them; a browser asks for it anew each time.
        script = files("watcher.web").joinpath("static", "protection-worker.js").read_bytes()
        kind = "text/javascript; charset=utf-8"
        # What a worker may fetch is bound by its own policy, not by that of the pages.
        headers = {"Cache-Control": "no-cache", "Content-Type": kind, "Content-Security-Policy": POLICY}
        return Response(script, headers=headers)

    return router


def _manifest(root: str, name: str, start: str, scope: str) -> Response:
    icons = [
        {"src": static_url(root, "mark.svg"), "sizes": "any", "type": "image/svg+xml"},
        {"src": static_url(root, "icon-192.png"), "sizes": "192x192", "type": "image/png", "purpose": "any maskable"},
        {"src": static_url(root, "icon-512.png"), "sizes": "512x512", "type": "image/png", "purpose": "any maskable"},
    ]
    return JSONResponse(
        {
            "name": name,
            "short_name": "Hoarline",
            "start_url": start,
            "id": start,
            "scope": scope,
            "display": "standalone",
            "background_color": _COCKPIT,
            "theme_color": _COCKPIT,
            "icons": icons,
        },
        media_type=_KIND,
    )
