"""The morning list as one page for paper: no script, nothing from elsewhere, everything escaped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from watcher.notify.message import CAUTION
from watcher.treatment.listed import Morning
from watcher.treatment.morning_words import DEFER, HEADS, LOAD_HEADS, cells_of, headline, load_cells, rests_on
from watcher.units import iso_z

_STYLE = (
    "@page{size:A4 landscape;margin:12mm}body{font:10pt/1.35 sans-serif;color:#000;background:#fff}"
    "table{border-collapse:collapse;margin:0 0 6mm;width:100%}th,td{border:1px solid #777;padding:1mm 1.5mm;"
    "text-align:left;vertical-align:top}thead{display:table-header-group}tr{break-inside:avoid}"
    "caption{text-align:left;font-weight:bold;padding:2mm 0}.done{width:22mm}"
)


def page_of(morning: Morning) -> str:
    """Return the list as HTML; the last column is left empty for the hand."""
    return "\n".join(_page(morning)) + "\n"


def _page(morning: Morning) -> Iterator[str]:
    title = f"Morning list {iso_z(morning.made_at)}"
    yield "<!doctype html>"
    yield f'<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
    yield f"<style>{_STYLE}</style></head><body>"
    yield f"<h1>{escape(title)}</h1><p>{escape(headline(morning))}</p>"
    for station in dict.fromkeys(line.listed.departure.station for line in morning.lines):
        lines = [line for line in morning.lines if line.listed.departure.station == station]
        yield from _table(
            f"{station}, in the order of treatment", (*HEADS, "done"), [(*cells_of(line), "") for line in lines]
        )
        load = [load_cells(half, training=morning.training) for half in morning.load if half.station == station]
        if load:
            yield from _table(f"{station}, load by half hour", LOAD_HEADS, load)
        yield "".join(f"<p>{escape(said)}</p>" for said in rests_on(morning, station))
    if morning.training:
        yield "<p><strong>T: training. These figures are of tables that are not in force.</strong></p>"
    yield "<ul>" + "".join(f"<li>{escape(note)}</li>" for note in morning.notes) + "</ul>"
    yield f"<p>{escape(DEFER)}</p><p>{escape(CAUTION)}</p></body></html>"


def _table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    yield f"<table><caption>{escape(caption)}</caption><thead><tr>"
    yield "".join(f'<th scope="col">{escape(head)}</th>' for head in heads)
    yield "</tr></thead><tbody>"
    for row in rows:
        yield "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>"
    yield "</tbody></table>"
