"""The dashboard file: as its maker makes it, without overlaps, and every query answered by a real Prometheus.

What a panel holds is checked against the metrics that a process really shows, scraped over loopback by the Prometheus
of Debian (HTTP API v1, prometheus.io/docs/prometheus/latest/querying/api).
"""

from __future__ import annotations

import json
import shutil
import subprocess
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import ClassVar

import httpx
import pytest

from tests.deploy.scripts import script
from watcher.telemetry import METRICS, Metrics

DEPLOY = Path(__file__).parents[2] / "deploy"
DASHBOARD = json.loads((DEPLOY / "dashboard.json").read_text())
PANELS = [panel for panel in DASHBOARD["panels"] if panel["type"] != "row"]
QUERIES = sorted({target["expr"] for panel in PANELS for target in panel["targets"]})


def test_the_file_is_what_its_maker_makes():
    assert json.loads(json.dumps(script("make_dashboard").dashboard())) == DASHBOARD


def test_every_metric_is_drawn_but_the_runs_of_the_schedule():
    text = " ".join(QUERIES)
    assert {spec.name for spec in METRICS if spec.name not in text} <= {"hoarline_runs"}


def test_no_panel_covers_another_and_none_stands_out():
    taken: dict[tuple[int, int], str] = {}
    for panel in DASHBOARD["panels"]:
        place = panel["gridPos"]
        assert place["x"] + place["w"] <= 24
        for x in range(place["x"], place["x"] + place["w"]):
            for y in range(place["y"], place["y"] + place["h"]):
                assert (x, y) not in taken, (panel["title"], taken[x, y])
                taken[x, y] = panel["title"]
    assert len({panel["id"] for panel in DASHBOARD["panels"]}) == len(DASHBOARD["panels"])


class Shown(BaseHTTPRequestHandler):
    """Shows the metrics of a process that has done some of everything."""

    metrics: ClassVar[Metrics] = Metrics()

    def do_GET(self) -> None:
        for spec in METRICS:
            labels = dict.fromkeys(spec.labels, "x")
            if spec.type == "counter":
                self.metrics.count(spec.name, **labels)
            elif spec.type == "gauge":
                self.metrics.set(spec.name, 1, **labels)
            else:
                self.metrics.observe(spec.name, 0.2, **labels)
        body = self.metrics.exposition()
        self.send_response(200)
        self.send_header("Content-Type", self.metrics.content_type)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_words: object) -> None:
        pass


@pytest.fixture(scope="module")
def prometheus(tmp_path_factory):
    if shutil.which("prometheus") is None:
        pytest.skip("there is no prometheus here")
    folder = tmp_path_factory.mktemp("prometheus")
    shown = ThreadingHTTPServer(("127.0.0.1", 0), Shown)
    threading.Thread(target=shown.serve_forever, daemon=True).start()
    with ThreadingHTTPServer(("127.0.0.1", 0), Shown) as free:
        address = f"127.0.0.1:{free.server_address[1]}"
    (folder / "prometheus.yml").write_text(
        "global: {scrape_interval: 1s, evaluation_interval: 1s}\n"
        f"rule_files: ['{DEPLOY / 'alerts.yaml'}']\n"
        "scrape_configs:\n"
        f"  - {{job_name: hoarline, static_configs: [{{targets: ['127.0.0.1:{shown.server_address[1]}']}}]}}\n"
    )
    command = ["prometheus", f"--config.file={folder / 'prometheus.yml'}", f"--storage.tsdb.path={folder / 'data'}"]
    with (folder / "log").open("w") as log:
        process = subprocess.Popen([*command, f"--web.listen-address={address}"], stdout=log, stderr=log)
    try:
        deadline = time.monotonic() + 60
        while not answer(address, "count_over_time(up[1m]) >= 5"):
            assert process.poll() is None, (folder / "log").read_text()
            assert time.monotonic() < deadline, (folder / "log").read_text()
            time.sleep(0.3)
        yield address
    finally:
        process.terminate()
        process.wait(20)
        shown.shutdown()
        shown.server_close()


def answer(address: str, query: str) -> list[dict]:
    try:
        got = httpx.get(f"http://{address}/api/v1/query", params={"query": query}, timeout=10)
    except httpx.TransportError:
        return []
    if got.status_code == 503:
        return []  # it is starting
    said = got.json()
    assert said["status"] == "success", said
    return said["data"]["result"]


@pytest.mark.slow
@pytest.mark.parametrize("query", QUERIES)
def test_a_real_prometheus_answers_every_query_of_it(prometheus, query):
    lines = answer(prometheus, query.replace("$__rate_interval", "1m"))
    assert lines, "the query finds nothing"
    assert all(float(line["value"][1]) >= 0 for line in lines), "a panel that shows no number"
