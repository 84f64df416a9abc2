"""An evening's reports of two stations as the service keeps them, and the settings beside the store."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Policy
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Report
from watcher.rulebook.parse import build_rulebook
from watcher.service.cycle import Cycle, Watch
from watcher.stations import StationTable
from watcher.store.store import Store

NOW = datetime(2026, 1, 12, 20, 5, tzinfo=UTC)
RULES = """
[[rule]]
name = "cold"
flag = "deicing-likely"
level = "note"
text = "Cold"
source = "memory"
when = { field = "temp_c", op = "<=", value = 0.0 }
"""
SETTINGS = """
[store]
url = "sqlite:///{folder}/hoarline.db"
[watch]
stations = ["XNOR", "XBAY"]
[[station]]
code = "XNOR"
name = "Nordvik"
position = "60.20,11.10,210"
zone = "Europe/Oslo"
[[station]]
code = "XBAY"
name = "{long}"
position = "58.10,8.00,20"
zone = "Europe/Oslo"
"""


def keep_evening(folder: Path) -> None:
    """Write a settings file, and play four hours of reports into its store: XNOR clear and cold, XBAY warm and windy."""
    path = folder / "hoarline.toml"
    path.write_text(SETTINGS.format(folder=folder, long="Bay of the Long and Winding Fjord, northern field"))
    store = Store.open(f"sqlite:///{folder}/hoarline.db")
    book = build_rulebook({"mine.toml": RULES})
    cycle = Cycle(store, Watch(frozenset({"XNOR", "XBAY"}), StationTable.load(), book, Policy()), Listeners([], []))
    cycle.load(NOW - timedelta(hours=4))
    for hour in (17, 18, 19, 20):
        at = datetime(2026, 1, 12, hour, 2, tzinfo=UTC)
        texts = [
            f"METAR XNOR 12{hour}00Z 00000KT CAVOK 0{24 - hour}/M03 Q1021",
            f"METAR XBAY 12{hour}00Z 24016KT 9999 OVC014 09/07 Q1011",
        ]
        if hour == 18:
            texts.append("TAF XNOR 121720Z 1218/1318 VRB02KT CAVOK TNM05/1306Z")
        decoded = [decode_report(text, received_at=at) for text in texts]
        cycle.turn([Report(item, text_hash(item.raw), "test", at) for item in decoded], at)
    store.close()
