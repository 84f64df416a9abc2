"""What the larger drawings are drawn on: their style rules, and how one stands alone outside of a page."""

from __future__ import annotations

import re
from collections.abc import Iterable

from watcher.pictures.colours import Theme, resolved, tokens_css
from watcher.pictures.svg import Svg, element, style

# Below this a drawing is laid out for a phone.
NARROW_PX = 600
# Around a drawing that stands alone.
_MARGIN_PX = 16
_VIEW = re.compile(r'viewBox="0 0 (\d+ \d+)" width="\d+" height="\d+"')
_FONT = "system-ui,-apple-system,Roboto,Arial,sans-serif"

_RULES = f"""
svg.chart{{display:block;width:100%;height:auto;font-family:{_FONT};font-variant-numeric:tabular-nums}}
svg.chart text{{fill:var(--ink);font-size:12px}}
svg.chart .soft{{fill:var(--soft)}}
svg.chart .bold{{font-weight:700}}
svg.chart .halo{{paint-order:stroke;stroke:var(--paper);stroke-width:3;stroke-linejoin:round}}
svg.chart .head{{font-size:15px;font-weight:700}}
svg.chart .ground{{fill:var(--paper)}}
svg.chart .grid{{fill:none;stroke:var(--line);stroke-width:1}}
svg.chart .base{{fill:none;stroke:var(--edge);stroke-width:1}}
svg.chart .zero{{fill:none;stroke:var(--ink);stroke-width:1;stroke-dasharray:1 3}}
svg.chart .night{{fill:var(--night)}}
svg.chart .mark{{fill:none;stroke:var(--ink);stroke-width:1.5}}
svg.chart .lead{{fill:none;stroke:var(--edge);stroke-width:1}}
svg.chart .air-band{{fill:var(--ink);fill-opacity:.12}}
svg.chart .air{{fill:none;stroke:var(--ink);stroke-width:2}}
svg.chart .frost{{fill:none;stroke:var(--frost);stroke-width:2;stroke-dasharray:6 3}}
svg.chart .skin-band{{fill:var(--skin)}}
svg.chart .skin{{fill:none;stroke:var(--skin-edge);stroke-width:2}}
svg.chart .hill{{fill:var(--frost);fill-opacity:.22}}
svg.chart .forms{{fill:none;stroke:var(--frost);stroke-width:2}}
svg.chart .deposit{{fill:none;stroke:var(--ink);stroke-width:2}}
svg.chart .residual{{fill:none;stroke:var(--residual);stroke-width:2;stroke-dasharray:7 3}}
svg.chart .precipitation{{fill:none;stroke:var(--precipitation);stroke-width:2;stroke-dasharray:2 3}}
svg.chart text.frost-word,svg.chart text.forms-word{{fill:var(--frost)}}
svg.chart text.residual-word{{fill:var(--residual)}}
svg.chart text.precipitation-word{{fill:var(--precipitation)}}
svg.chart .whisker{{fill:none;stroke:var(--ink);stroke-width:2}}
svg.chart .dot{{fill:var(--ink)}}
svg.chart .reach{{fill:var(--frost);fill-opacity:.22}}
svg.chart .surely{{fill:var(--frost)}}
svg.chart .hit{{fill:var(--ink);fill-opacity:0}}
svg.chart g:hover>.hit{{fill-opacity:.1}}
svg.chart .block{{fill:var(--raised);stroke:var(--edge);stroke-width:1}}
svg.chart .busy{{fill:var(--frost);fill-opacity:.55;stroke:var(--frost);stroke-width:1}}
svg.chart .over{{fill:var(--treat-ground);stroke:var(--treat);stroke-width:1}}
svg.chart .capacity{{fill:none;stroke:var(--ink);stroke-width:1.5;stroke-dasharray:6 3}}
svg.chart text.over-word{{fill:var(--treat)}}
svg.chart .lower{{fill:var(--prepare);fill-opacity:.85}}
svg.chart .upper{{fill:var(--prepare-ground);stroke:var(--prepare);stroke-width:1}}
svg.chart .small{{font-size:11px}}
svg.chart .work{{fill:var(--frost);stroke:var(--paper);stroke-width:1}}
svg.chart .idle{{fill:none;stroke:var(--edge);stroke-width:1;stroke-dasharray:2 2}}
svg.chart .flag{{fill:var(--ink);stroke:var(--ink);stroke-width:1.5}}
svg.chart .limit{{fill:none;stroke:var(--prepare);stroke-width:1.5;stroke-dasharray:3 2}}
svg.chart .wait{{fill:none;stroke:var(--frost);stroke-width:2}}
svg.chart .slot{{fill:var(--frost);fill-opacity:.13}}
svg.chart .fits{{fill:var(--raised);stroke:var(--ink);stroke-width:1.5}}
svg.chart .tight{{fill:var(--prepare-ground);stroke:var(--prepare);stroke-width:1.5}}
svg.chart .does-not-fit{{fill:var(--no-time-ground);stroke:var(--no-time-ground);stroke-width:1.5}}
svg.chart .not-told{{fill:none;stroke:var(--edge);stroke-width:1.5;stroke-dasharray:3 3}}
svg.chart text.does-not-fit-word{{fill:var(--no-time)}}
svg.chart .big{{font-size:20px;font-weight:700}}
svg.chart .outer{{fill-opacity:.35;stroke-width:1;stroke-dasharray:3 2}}
svg.chart .core{{stroke-width:1}}
svg.chart .level-word{{font-size:13px;font-weight:700}}
svg.chart rect.note,svg.chart path.note{{fill:var(--note-ground);stroke:var(--note)}}
svg.chart rect.prepare,svg.chart path.prepare{{fill:var(--prepare-ground);stroke:var(--prepare)}}
svg.chart rect.treat,svg.chart path.treat{{fill:var(--treat-ground);stroke:var(--treat)}}
svg.chart rect.no-time,svg.chart path.no-time{{fill:var(--no-time-ground);stroke:var(--no-time-ground)}}
svg.chart text.no-time-word{{fill:var(--no-time)}}
svg.chart .blind-ground{{fill:none;stroke:var(--soft);stroke-width:1;stroke-opacity:.55}}
svg.chart .spell{{fill:none;stroke:var(--ink);stroke-width:3}}
svg.chart .spell.firm{{stroke-width:1.5}}
svg.chart .spell.loose{{stroke-width:1.5;stroke-dasharray:5 3}}
svg.chart rect.ahead{{fill-opacity:.4;stroke-dasharray:4 3}}
svg.chart rect.no-time.ahead{{fill:none;stroke:var(--no-time-ground);stroke-width:2}}
svg.chart .level-mark{{color:var(--ink)}}
svg.chart .level-mark.solid{{color:var(--no-time)}}
svg.chart .taf{{fill:var(--raised);stroke:var(--edge);stroke-width:1}}
svg.chart .taf.temporary{{stroke-dasharray:5 3}}
svg.chart .taf.probable{{stroke-dasharray:1.5 3;stroke:var(--ink)}}
svg.chart .taf-rise{{fill:var(--ink);fill-opacity:.12}}
svg.chart .freezes{{fill:var(--ink)}}
svg.chart text.taf-word{{font-size:11.5px;stroke:var(--raised)}}
svg.chart g:hover>.taf{{stroke:var(--ink);stroke-width:2}}
svg.chart.fuse{{max-width:236px}}
svg.chart.fuse text{{font-size:14px}}
svg.chart .burnt{{fill:var(--paper)}}
svg.chart .case{{fill:none;stroke:var(--edge);stroke-width:1.5}}
svg.chart .empty{{stroke-dasharray:4 3}}
svg.chart .lower-end{{fill:none;stroke:var(--ink);stroke-width:3}}
svg.chart .now-line{{fill:none;stroke:var(--ink);stroke-width:2}}
svg.chart .take-off{{fill:none;stroke:var(--frost);stroke-width:2}}
svg.chart .take-off-dot{{fill:var(--frost)}}
svg.chart text.take-off-word{{fill:var(--frost)}}
.chart-pair>svg.narrow{{display:none}}
@media (max-width:{NARROW_PX - 1}px){{.chart-pair>svg.wide{{display:none}}.chart-pair>svg.narrow{{display:block}}}}
"""
_CSS = "".join(line.strip() for line in _RULES.splitlines())


def css() -> str:
    """Return the style rules of all larger drawings, for the page's stylesheet; colours come from `tokens_css`."""
    return _CSS


def chart(kind: str, parts: Iterable[Svg], *, width: int, height: int, said: str, **data: float | None) -> str:
    """Return a drawing for a page.

    Parameters
    ----------
    kind
        Class of the drawing.
    parts
        What is drawn, the lowest first.
    width, height
        In px.
    said
        What it shows, in words, for those who do not see it.
    data
        Further ``data-...`` attributes for a script; None is left out.
    """
    shape = "narrow" if width < NARROW_PX else "wide"
    return element(
        "svg",
        *parts,
        xmlns="http://www.w3.org/2000/svg",
        class_=f"chart {kind} {shape}",
        viewBox=f"0 0 {width} {height}",
        width=width,
        height=height,
        role="img",
        **{"aria-label": said, **{f"data-{name}": value for name, value in data.items()}},
    )


def pair(wide: str, narrow: str) -> str:
    """Return one drawing in two layouts, of which the page shows the one that fits the screen."""
    return element("div", Svg(wide), Svg(narrow), class_="chart-pair")


def alone(svg: str, theme: Theme | None) -> str:
    """Return a drawing as a document of its own.

    Parameters
    ----------
    svg
        As the drawings of this package return it.
    theme
        Whose colours are written in, so that every program understands them; None: light or dark as the reader's
        system has it, for browsers.

    Raises
    ------
    ValueError
        The text is no such drawing.
    """
    opening, _, rest = svg.partition(">")
    found = _VIEW.search(opening)
    if found is None:
        raise ValueError("this is no drawing of this package")
    width, height = (int(side) for side in found[1].split())
    sides = {"x": -_MARGIN_PX, "y": -_MARGIN_PX, "width": width + 2 * _MARGIN_PX, "height": height + 2 * _MARGIN_PX}
    view = " ".join(map(str, sides.values()))
    opening = _VIEW.sub(f'viewBox="{view}" width="{sides["width"]}" height="{sides["height"]}"', opening)
    rules = style(tokens_css() + _CSS if theme is None else resolved(_plain_rules(), theme))
    return f"{opening}>{rules}{element('rect', class_='ground', **sides)}{rest}"


def _plain_rules() -> str:
    """Return the rules that say how things look, without those for pages that not every program reads."""
    lines = [line.strip() for line in _RULES.splitlines()]
    return "".join(line for line in lines if line.startswith("svg.chart") and ":hover" not in line)
