"""From bytes to text: UTF-8, or where a line is none, Latin-1 for that line; zeros left out. Each is counted."""

from __future__ import annotations

from watcher.replay.archives.entries import Notes


def counted_lines(body: bytes, first_line: int, notes: Notes, *, cut: bool) -> list[str]:
    """Return the lines of a block, and count them.

    Parameters
    ----------
    body, first_line
        Its bytes, and the number of its first line.
    notes
        Where lines and faults are counted.
    cut
        It ends at damage: a last line without an end is left out.
    """
    lines = text_of(_without_cut_line(body, first_line, notes) if cut else body, first_line, notes).split("\n")
    if not lines[-1]:
        lines.pop()
    notes.lines += len(lines)
    return lines


def text_of(body: bytes, first_line: int, notes: Notes) -> str:
    """Return the text of a block, with as many lines as it has.

    Parameters
    ----------
    body
        Its bytes.
    first_line
        The number of its first line, for faults.
    notes
        Where faults are counted.
    """
    if b"\0" in body:
        for number, line in enumerate(body.split(b"\n"), first_line):
            zeros = line.count(0)
            if zeros:
                notes.fault(number, "letters", f"{zeros} zero byte{'s' if zeros > 1 else ''} read as blanks")
        body = body.replace(b"\0", b" ")
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError:
        return "\n".join(_line(line, number, notes) for number, line in enumerate(body.split(b"\n"), first_line))


def _line(line: bytes, number: int, notes: Notes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError as error:
        notes.fault(number, "letters", f"no UTF-8 (byte {error.start + 1} of the line): read as Latin-1")
        return line.decode("latin-1")


def _without_cut_line(body: bytes, first_line: int, notes: Notes) -> bytes:
    """Return a block that ends at damage without its last line when that was cut: half a report says something else."""
    whole, newline, rest = body.rpartition(b"\n")
    if not rest.strip():
        return body
    notes.lines += 1
    notes.reject(first_line + whole.count(b"\n") + len(newline), "the line is cut by the damage after it; left out")
    return whole + newline
