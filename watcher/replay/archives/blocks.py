"""An archive in blocks: some megabytes of whole lines each, with all that is needed to read them alone."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import chain

from watcher.replay.archives.columns import ROWS_AT_ONCE, ArchiveError, digest_and_rows
from watcher.replay.archives.dates import Dated, of_name, time_of
from watcher.replay.archives.forms import form_of, header_of
from watcher.replay.archives.month_edges import LOOK_BYTES, Sure, first_sure, last_sure
from watcher.replay.archives.sources import Fault, Form, Source
from watcher.replay.archives.unpacking import Damage, Meter, Part, unpacked

BLOCK_BYTES = 4 << 20
# A list of objects and an XML document are read whole.
_WHOLE_BYTES = 128 << 20
_HEAD_BYTES = 1 << 16
_LINES_BEFORE_HEADER = 20
# Both stand alone on a line. They begin with the end of the line before, which is found several times as fast as a
# beginning; so does, for this, a body.
_FILE_TIME = re.compile(rb"\n(\d{4}/\d{2}/\d{2} \d{2}:\d{2})[ \t\r]*(?=\n|\Z)")
_HEADING = re.compile(rb"\n([A-Z]{4}\d{0,2} [A-Z0-9]{4} \d{6}(?: [A-Z]{3})?)[ \t\r]*(?=\n|\Z)")
_UNDATED = Dated()
_LINES_BACK = 2000
_LONGEST_LINE_BYTES = 16 << 20
_INDENTS = (b" ", b"\t", b"")
_ENDS = (b"=", b"\x03")


@dataclass(frozen=True, slots=True)
class Block:
    """Part of a file.

    `first_line`: of the file, counted from 1. `offset`: what orders blocks and their reports, counted over all files.
    `body`: its bytes; `rows`: (digest of the file, first row, rows) of a Parquet file instead. `dated`: what the file
    says of month and year; `context`: the header line of rows, or the heading of a bulletin that goes on in this block.
    `before`, `after`: the nearest reports outside it whose month is sure, where only a month dates them. `cut`: bytes
    are missing after its last line. `packed_bytes`: how much of the file had been read for it.
    """

    source: Source
    form: Form
    first_line: int
    offset: int
    body: bytes
    dated: Dated = _UNDATED
    context: str = ""
    before: Sure | None = None
    after: Sure | None = None
    cut: bool = False
    rows: tuple[str, int, int] | None = None
    packed_bytes: int = 0

    @property
    def span(self) -> int:
        """How many places in the order of all it takes: no report is shorter than a byte."""
        return self.rows[2] if self.rows is not None else len(self.body)

    def key(self, read_with: str) -> str:
        """Return the digest of all that its reports rest on; `read_with`: what stands for the program."""
        rest = (self.form, self.dated, self.context, self.before, self.after, self.cut, self.rows, read_with)
        digest = hashlib.blake2b(repr(rest).encode(), digest_size=16)
        digest.update(self.body)
        return digest.hexdigest()


def blocks(
    source: Source, *, offset: int, otherwise: Dated, form: Form | None, block_bytes: int = BLOCK_BYTES
) -> Iterator[Block | Fault]:
    """Yield the blocks of a file, and what is wrong with it as a whole.

    Parameters
    ----------
    source
        The file.
    offset
        Where its first block stands in the order of all.
    otherwise
        Month and year where neither the file nor its name says them.
    form
        The form that it has; None: told from its content.
    block_bytes
        About how large a block is.
    """
    named = of_name(source.name)
    meter = Meter()
    dated = replace(named, otherwise=otherwise) if named.is_known else otherwise
    begin = Block(source, form or Form.LINES, 1, offset, b"", dated)
    try:
        for found in _blocks(begin, form, unpacked(source.path, meter), block_bytes):
            yield found if isinstance(found, Fault) else replace(found, packed_bytes=meter.bytes_read)
    except OSError as error:
        yield Fault(source.name, None, "file", f"cannot be read: {error.strerror or error}")


def _blocks(begin: Block, form: Form | None, parts: Iterator[Part], block_bytes: int) -> Iterator[Block | Fault]:
    head, parts = _head(parts)
    form = form or form_of(head)
    if form is None:
        what = "this is no text and no form of reports that is known; passed over"
        yield Fault(begin.source.name, None, "form", what)
        return
    begin = replace(begin, form=form)
    if form is Form.COLUMNS:
        yield from _of_columns(begin)
    elif form in {Form.LIST, Form.XML}:
        yield from _whole(begin, parts)
    else:
        yield from _pieces(begin, parts, block_bytes)


def _of_columns(begin: Block) -> Iterator[Block | Fault]:
    try:
        digest, count = digest_and_rows(begin.source.path)
    except ArchiveError as error:
        yield Fault(begin.source.name, None, "form", str(error))
        return
    for first in range(0, count, ROWS_AT_ONCE):
        rows = (digest, first, min(ROWS_AT_ONCE, count - first))
        yield replace(begin, first_line=first + 1, offset=begin.offset + first, rows=rows)


def _head(parts: Iterator[Part]) -> tuple[bytes, Iterator[Part]]:
    first: list[Part] = []
    head = b""
    for part in parts:
        first.append(part)
        head += part if isinstance(part, bytes) else b""
        if len(head) >= _HEAD_BYTES:
            break
    return head[:_HEAD_BYTES], chain(first, parts)


def _whole(block: Block, parts: Iterator[Part]) -> Iterator[Block | Fault]:
    body = bytearray()
    cut = False
    for part in parts:
        if isinstance(part, Damage):
            yield Fault(block.source.name, None, "packing", part.what)
            cut = True
            break
        body += part
        if len(body) > _WHOLE_BYTES:
            what = (
                f"larger than {_WHOLE_BYTES >> 20} MiB, too large for one {block.form} document; the rest is left out"
            )
            yield Fault(block.source.name, None, "form", what)
            cut = True
            break
    yield replace(block, body=bytes(body), cut=cut)


def _pieces(block: Block, parts: Iterator[Part], block_bytes: int) -> Iterator[Block | Fault]:
    """Cut at ends of lines, where no report goes on; carry along what the lines before say about those after."""
    held = bytearray()
    ahead = LOOK_BYTES if block.dated.knows_a_month else 0
    for part in parts:
        if isinstance(part, Damage):
            if held:
                done = replace(block, body=bytes(held), cut=True)
                yield done
                block = _after(done)
                held.clear()
            yield Fault(
                block.source.name, block.first_line, "packing", f"{part.what}; read on from the next whole part"
            )
            continue
        held += part
        while len(held) > block_bytes + ahead:
            at = _cut_at(held, block_bytes, bulletins=bool(block.context) or _HEADING.search(b"\n" + held) is not None)
            if at is None:
                break
            done = replace(block, body=bytes(held[:at]))
            yield replace(done, after=first_sure(held[at : at + ahead], block.dated)) if ahead else done
            block = _after(done)
            del held[:at]
    if held:
        yield replace(block, body=bytes(held))


def _cut_at(held: bytearray, block_bytes: int, *, bulletins: bool) -> int | None:
    """Return the last end of a line in a block's length after which no report goes on; else the nearest end of a line.

    None where a line has not ended yet, unless it is longer than any can be.
    """
    at = nearest = held.rfind(b"\n", 0, block_bytes)
    for _ in range(_LINES_BACK):
        if at < 0:
            break
        # An indented line goes on with the one before; in a bulletin every line may, until an end mark.
        if held[at + 1 : at + 2] not in _INDENTS and (not bulletins or _ends_report(held, at)):
            return at + 1
        at = held.rfind(b"\n", 0, at)
    if nearest < 0:
        nearest = held.find(b"\n", block_bytes)
    if nearest >= 0:
        return nearest + 1
    return block_bytes if len(held) > _LONGEST_LINE_BYTES else None


def _ends_report(held: bytearray, at: int) -> bool:
    return held[max(0, at - 8) : at].rstrip().endswith(_ENDS)


def _after(done: Block) -> Block:
    """Return the beginning of the block after one."""
    times = _FILE_TIME.findall(b"\n" + done.body) if done.form is Form.LINES else []
    near = time_of(times[-1].decode()) if times else None
    return replace(
        done,
        first_line=done.first_line + done.body.count(b"\n"),
        offset=done.offset + len(done.body),
        body=b"",
        dated=Dated(near=near) if near is not None else done.dated,
        context=_context(done),
        before=last_sure(done.body, done.dated) or done.before if done.dated.knows_a_month else None,
        cut=False,
    )


def _context(done: Block) -> str:
    if done.form is Form.ROWS:
        if done.context:
            return done.context
        lines = done.body[:_HEAD_BYTES].decode("utf-8", "replace").split("\n")[:_LINES_BEFORE_HEADER]
        return next((line for line in lines if header_of(line) is not None), "")
    if done.form is Form.LINES:
        headings = _HEADING.findall(b"\n" + done.body)
        return headings[-1].decode() if headings else done.context
    return ""
