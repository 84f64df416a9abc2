"""The board: all stations, those that need attention first, on a desk, on a wall and on a phone."""

from __future__ import annotations

from functools import lru_cache

from fastapi import APIRouter, Depends, Request, Response

from watcher.web.board_asked import asked
from watcher.web.board_sheets import MOST_ROWS, Board
from watcher.web.compressed import Piece, gzip_of, takes_gzip
from watcher.web.doors import page_door
from watcher.web.frame import POLICY, around, root_of
from watcher.web.house import House
from watcher.web.live_pages import mark_for
from watcher.web.pages import piece
from watcher.web.problems import Refusal

# Stands where the sheet goes; no text of anybody has such a character, they are taken out of all of them.
_GAP = "\0"
_ALL = "all"


def board_pages(house: House) -> APIRouter:
    """Return the board, and the pieces of it that an open page asks for."""
    board = Board(house)
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])

    @router.api_route("/", methods=["GET", "HEAD"])
    async def whole(request: Request) -> Response:
        what = asked(request.query_params)
        sheet = await board.sheet(what, root_of(request), await mark_for(request))
        template = "wall.html" if what.wall else "board.html"
        given = around(house, request)
        # The frame differs from reader to reader and is small; the sheet is packed already.
        before, _, after = piece(template, **given, asked=what, sheet=_GAP).partition(_GAP)
        return _packed(request, (_small(before), sheet.piece, _small(after)))

    @router.get("/board/rows")
    async def rows(request: Request) -> Response:
        codes = request.query_params.get("codes", "").split()
        if len(codes) > MOST_ROWS:
            raise Refusal(400, f"Ask for at most {MOST_ROWS} stations, or for all.")
        what, mark = asked(request.query_params), await mark_for(request)
        if codes == [_ALL]:
            return _packed(request, ((await board.sheet(what, root_of(request), mark)).piece,))
        return Response(await board.rows(what, root_of(request), mark, codes), media_type="text/html")

    return router


@lru_cache(maxsize=64)
def _small(text: str) -> Piece:
    return Piece.of(text)


def _packed(request: Request, pieces: tuple[Piece, ...]) -> Response:
    """Return pieces as one page, as they are packed where the reader takes that."""
    headers = {"Content-Security-Policy": POLICY, "Vary": "Accept-Encoding"}
    if takes_gzip(request.headers.get("accept-encoding", "")):
        headers["Content-Encoding"] = "gzip"
        return Response(gzip_of(pieces), headers=headers, media_type="text/html")
    return Response(b"".join(one.plain for one in pieces), headers=headers, media_type="text/html")
