"""Whether a form was posted from its own page: browsers name the page's origin in every post (RFC 6454)."""

from __future__ import annotations

from urllib.parse import urlsplit

from fastapi import Request

from watcher.web.problems import Refusal


class OwnOrigin:
    """Refuses posts that come from a page of somebody else.

    Parameters
    ----------
    public_url
        Where people reach the service; None where only its own address is known.
    """

    def __init__(self, public_url: str | None) -> None:
        split = urlsplit(public_url or "")
        self._public = f"{split.scheme}://{split.netloc}".lower() if public_url else None

    def check(self, request: Request, *, absent_is_fine: bool) -> None:
        """Raise a Refusal (403) for a foreign origin; for none at all too, unless programs may post here."""
        origin = request.headers.get("origin")
        if origin is None and absent_is_fine:
            return
        if origin is None or origin.lower() not in self._own(request):
            raise Refusal(
                403,
                "The form did not come from its own page here. Open the link in the message again and press the "
                "button there; nothing was changed.",
                headline="Not from this page",
            )

    def _own(self, request: Request) -> set[str]:
        host = request.headers.get("host", "").lower()
        own = {f"http://{host}", f"https://{host}"} if host else set()
        return own | {self._public} if self._public is not None else own
