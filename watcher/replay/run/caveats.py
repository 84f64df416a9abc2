"""What a replay cannot know, said with every result."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import floor

from watcher.replay.gathering.share import share_of
from watcher.replay.run.whole import Replayed

_NOT_PLAYED = (
    "Not played: frost forecasts of the night (rules that ask for them are unknown), habits of stations that the "
    "service has learned, people who take alerts in hand, failed and repeated sending."
)
_NO_FORECASTS = "The archive has no forecasts: nothing could be expected, every alert here came with a report."
_BY_COLUMNS = (
    "By columns: only what reports say was followed. Forecasts, blind stations and messages are not in here; without "
    "--columns they are."
)
_HEARD = (
    "A report without a time of receipt counts as heard when it was made; in life it comes some minutes later, so that "
    "lead times are that much shorter."
)
# Above this part of the time without sight an archive looks like a selection. Common practice, no source.
_MANY_BLIND = 0.05


def caveats(replayed: Replayed, number: Callable[[int], str] = "{:,}".format) -> Iterator[str]:
    """Yield what to know before the figures are believed, the gravest first; `number` writes a whole number."""
    share, totals = share_of(replayed.gathered), replayed.totals
    if not share.whole:
        yield f"NOT WHOLE: a part of {', '.join(share.lost)} could not be read, and what it held is not in here."
    if share.left:
        yield (
            f"{number(share.left)} of {number(share.taken + share.left)} texts could not be read or dated and count "
            f"nowhere: everything here rests on {percent_read(share.read)} of what was found."
        )
    if totals.late:
        minutes = round(replayed.asked.policy.stale_after.total_seconds() / 60)
        yield f"{number(totals.late)} reports were more than {minutes} min old when they were heard: they open nothing."
    if totals.blind is not None and totals.watched and totals.blind / totals.watched > _MANY_BLIND:
        part = percent_read(totals.blind / totals.watched)
        yield f"The stations were blind for {part} of the time: are these all reports, or a selection of them?"
    for rules in (replayed.asked.rules, replayed.asked.against):
        if rules is not None and rules.broken:
            more = f" (and {len(rules.broken) - 1} more)" if len(rules.broken) > 1 else ""
            yield f"{rules.name}: the service would refuse this, an example does not hold{more}: {rules.broken[0]}"
    if replayed.by_columns:
        yield _BY_COLUMNS
        return
    if not totals.forecasts:
        yield _NO_FORECASTS
    if not replayed.asked.own_listeners:
        yield "No subscription is set: messages are counted for one desk that wants everything from prepare."
    yield _NOT_PLAYED
    yield _HEARD


def percent_read(part: float) -> str:
    """Return a part as people read it; it is called all only when it is."""
    return f"{floor(10_000 * part) / 100:g} %"
