"""One shape for commands and programs: what the API answers is what the command prints, and what its models describe."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import pytest

from tests.chosen import database_at
from tests.cli.spoken import hoarline
from tests.web.board_scenes import SETTINGS
from tests.web.scenes import MINUTE, NOW
from watcher.web.rest.deliveries import DeliveriesBody
from watcher.web.rest.destination_bodies import DestinationsBody
from watcher.web.rest.holdover_body import HoldoverBody
from watcher.web.rest.night_body import NightBody
from watcher.web.rest.now_body import NowBody
from watcher.web.rest.plan_bodies import MorningBody, PlanBody
from watcher.web.rest.procedure_body import ProcedureBody
from watcher.web.rest.protection_bodies import ProtectionBody, ProtectionsBody
from watcher.web.rest.report_body import ReportsBody
from watcher.web.rest.stations import StationsBody
from watcher.web.rest.status import StatusBody
from watcher.web.rest.subscription_bodies import PreviewBody, SubscriptionBody, SubscriptionsBody

pytestmark = pytest.mark.anyio

DEPARTURES = """flight,aircraft,off_block,station,fuel_c,ctot,contamination,report
XA 12,medium-jet,0730Z,XNOR,-4,0750Z,snow,
XA 14,small-propeller,0745Z,XNOR,,,,
XA 16,large-jet,0700Z,XNOR,,,frost,treated 0550Z
XA 18,medium-jet,0830Z,XNOR,,,,cancelled
"""


@pytest.fixture
def command(opened, tmp_path, monkeypatch):
    """Return what a command prints as JSON, at the time of the board and from its store."""
    monkeypatch.setattr("watcher.clock.utc_now", lambda: opened.clock[0])
    path = tmp_path / "hoarline.toml"
    path.write_text(f'{SETTINGS}\n[store]\nurl = "{database_at(tmp_path / "morning.db")}"\n')

    async def run(*words: str) -> object:
        said = await asyncio.to_thread(hoarline, *words, "--config", str(path), "--json")
        assert said.code == 0, said.err
        return json.loads(said.out)

    return run


@pytest.fixture
def api(opened):
    headers = {"Authorization": f"Bearer {opened.token('read', 'acknowledge', 'manage')}"}
    # A running service has computed the nights; the command computes them anew, with another size of ensemble.
    views = {code: replace(view, night=None) for code, view in opened.house.views().items()}
    object.__setattr__(opened.house, "views", lambda: views)

    async def ask(path: str, **posted: object) -> object:
        address, method = f"{opened.origin}/api/v1{path}", "POST" if posted else "GET"
        extra = headers | dict(posted.pop("headers", {}))  # type: ignore[call-overload]
        answer = await opened.client.request(method, address, headers=extra, **posted)  # type: ignore[arg-type]
        assert answer.status_code in {200, 201}, answer.text
        return answer.json()

    return ask


@pytest.mark.parametrize(
    ("words", "path", "model"),
    [
        (("now", "XFEL"), "/stations/XFEL", NowBody),
        (("now", "XLOW"), "/stations/XLOW", NowBody),
        (("now", "XMOR"), "/stations/XMOR", NowBody),
        (
            ("night", "XBAY", "--until", "1000Z", "--fuel-c", "-2", "--hangar-exit", "0300Z", "--hangar-c", "8"),
            "/stations/XBAY/night?until=1000Z&fuel_c=-2&hangar_exit=0300Z&hangar_c=8",
            NightBody,
        ),
        (("night", "XMOR"), "/stations/XMOR/night", NightBody),
        (
            ("holdover", "XNOR", "--fluid", "Type IV", "--mix", "100/0", "--training"),
            "/holdover?station=XNOR&fluid=Type+IV&mix=100/0&training=true",
            HoldoverBody,
        ),
        (
            ("holdover", "--fluid", "I", "--temp", "-3", "--weather", "-FZDZ", "--visibility", "3000", "--night"),
            "/holdover?fluid=I&temp=-3&weather=-FZDZ&visibility=3000&night=true",
            HoldoverBody,
        ),
        (
            ("procedure", "pad", "--station", "XNOR", "--aircraft", "medium-jet", "--who", "crew"),
            "/procedures/pad?station=XNOR&aircraft=medium-jet&who=crew",
            ProcedureBody,
        ),
        (("procedure", "stand", "--engines-running"), "/procedures/stand?engines=running", ProcedureBody),
    ],
)
async def test_a_program_gets_what_the_command_prints(command, api, words, path, model):
    told = await api(path)
    model.model_validate(told, extra="forbid")
    assert told == await command(*words)


async def test_a_plan_is_that_of_the_command(command, api):
    told = await api(
        "/departures/plan",
        json={
            "flight": "XA 12",
            "aircraft": "medium-jet",
            "off_block": "0730Z",
            "station": "XNOR",
            "ctot": "0750Z",
            "fuel_c": -4,
            "contamination": "snow",
            "training": True,
        },
    )
    PlanBody.model_validate(told, extra="forbid")
    assert told["choice"] is not None
    words = ("--aircraft", "medium-jet", "--off-block", "0730Z", "--flight", "XA 12", "--ctot", "0750Z")
    printed = await command("depart", "XNOR", *words, "--fuel-c", "-4", "--contamination", "snow", "--training")
    assert told == printed


@pytest.mark.parametrize("kind", ["text/csv", "application/json"])
async def test_a_morning_list_is_that_of_the_command(command, api, tmp_path: Path, kind):
    file = tmp_path / "departures.csv"
    file.write_text(DEPARTURES)
    printed = await command("morning", str(file), "--training")
    head, *lines = (line.split(",") for line in DEPARTURES.splitlines())
    rows = [dict(zip(head, line, strict=True)) for line in lines]
    content = DEPARTURES if kind == "text/csv" else json.dumps({"departures": rows})
    told = await api("/morning?training=true", content=content, headers={"Content-Type": kind})
    MorningBody.model_validate(told, extra="forbid")
    assert len(told["departures"]) == 4
    assert told == printed


async def test_treated_aircraft_are_those_of_the_command(command, api, opened):
    words = ("--aircraft", "stand 12", "--fluid", "Type IV", "--mix", "100/0", "--started", "0550Z", "--training")
    begun = await command("protect", "start", "XNOR", *words, "--place", "pad", "--profile", "medium-jet")
    opened.clock[0] = NOW + 4 * MINUTE
    told = await api("/protections/XNOR-P1")
    ProtectionBody.model_validate(told, extra="forbid")
    assert told == await command("protect", "status", "XNOR-P1")
    assert told["protection"] == begun["protection"]
    everyone = await api("/protections")
    ProtectionsBody.model_validate(everyone, extra="forbid")
    assert everyone["items"] == await command("protect", "status")


async def test_destinations_and_subscriptions_are_those_of_the_commands(command, api):
    destinations, subscriptions = await api("/destinations"), await api("/subscriptions")
    DestinationsBody.model_validate(destinations, extra="forbid")
    SubscriptionsBody.model_validate(subscriptions, extra="forbid")
    assert destinations["items"] == await command("destination", "list")
    assert subscriptions["items"] == await command("subscription", "list")
    one = await api(f"/subscriptions/{quote('northern stations')}")
    SubscriptionBody.model_validate(one, extra="forbid")
    assert one == await command("subscription", "show", "northern stations")


async def test_a_preview_is_that_of_the_command(command, api):
    wishes = {"name": "northern stations", "min_level": "treat", "days": 3}
    told = await api("/subscriptions/preview", json=wishes)
    PreviewBody.model_validate(told, extra="forbid")
    assert told["messages"]
    printed = await command("subscription", "preview", "northern stations", "--min-level", "treat", "--days", "3")
    assert told == printed


async def test_reports_are_decoded_as_the_command_decodes_them(api):
    told = await api("/stations/XNOR/reports?since=2026-01-11T22:30:00Z")
    ReportsBody.model_validate(told, extra="forbid")
    kinds = {item["kind"] for item in told["items"]}
    assert kinds == {"METAR", "TAF"}
    for item in (told["items"][0], next(item for item in told["items"] if item["kind"] == "TAF")):
        # The text alone does not say its month: the command is told when it came in.
        said = await asyncio.to_thread(_decoded, item["raw"], item["received_at"])
        assert {key: value for key, value in item.items() if key in said} == said
        assert item.keys() - said.keys() == {"received_at", "feed", "superseded"}


def _decoded(raw: str, received: str) -> dict:
    import tempfile

    with tempfile.NamedTemporaryFile("w", suffix=".txt") as file:
        file.write(f"{raw}\n")
        file.flush()
        return json.loads(hoarline("decode", file.name, "--received", received).out)


async def test_every_other_answer_fits_its_description(api):
    for path, model in (
        ("/stations", StationsBody),
        ("/deliveries", DeliveriesBody),
        ("/status", StatusBody),
    ):
        model.model_validate(await api(path), extra="forbid")
