"""How one departure is planned among the others that leave."""

from __future__ import annotations

from datetime import datetime

from tests.treatment.departing import NOW, OFF_BLOCK, departure, fixed, weather
from watcher.alerts.model import StationState, StationView
from watcher.reports.identity import text_hash
from watcher.reports.model import Report
from watcher.service.planning import load_treatments, plan_departure
from watcher.treatment.kinds import Place
from watcher.treatment.parse_departures import Listed


def pad_take_off(*others: Listed) -> datetime:
    """Return the middle take-off of a departure that comes to the pad last."""
    asked = weather()
    latest = asked.latest
    assert latest is not None
    assert asked.forecast is not None
    view = StationView(
        asked.station,
        StationState("XNOR", last_report_at=latest.observed_at),
        latest=Report(latest, text_hash(latest.raw), "world", NOW),
        forecast=Report(asked.forecast, text_hash(asked.forecast.raw), "world", NOW),
    )
    treatments = load_treatments(None, operations={"XNOR": fixed()})
    mine = departure(fluid="Type IV 100/0", name="HL900")
    made = plan_departure(mine, view, treatments, NOW, members=50, training=True, others=others)
    pad = next(option for option in made.options if option.place is Place.PAD)
    assert pad.take_off is not None
    return pad.take_off.p50


def test_only_departures_of_the_same_station_stand_in_the_way() -> None:
    alone = pad_take_off()
    here, elsewhere = (
        [Listed(departure(name=f"HL{number}", station=station, place=Place.PAD)) for number in range(200, 204)]
        for station in ("XNOR", "XBAY")
    )
    assert pad_take_off(*here) > alone > OFF_BLOCK
    assert pad_take_off(*elsewhere) == alone
