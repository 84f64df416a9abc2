"""The description of the API, checked by asking the served API what it describes: with data that fits, and that does not.

schemathesis (MIT) makes the data from the description and judges the answers: no server error, no status and no type of
content that is not described, every answer as its schema says, and nothing accepted that does not fit.
"""

from __future__ import annotations

import asyncio
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.web.board_scenes import Morning, morning
from watcher.outlook.night.model import Night
from watcher.store.store import Store
from watcher.web.api import Gate
from watcher.web.rates import Rates

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(900),
    # Of the library's own parts, not of ours.
    pytest.mark.filterwarnings("ignore::DeprecationWarning:schemathesis.*"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning:jsonschema.*"),
]

# What there is on the invented morning, or is put there first; names that are made up find nothing.
THERE = {
    "code": "XFEL",
    "episode": "XFEL-1",
    "event_id": "XFEL-1.1",
    "protection": "XNOR-P1",
    "place": "pad",
    "name": "night shift",
}
PUT_THERE = (
    ("/destinations", {"name": "ops room", "kind": "webhook", "url": "https://hooks.example.org/in"}),
    ("/subscriptions", {"name": "night shift", "to": ["ops room"]}),
    (
        "/protections",
        {"station": "XNOR", "aircraft": "stand 12", "fluid": "Type I", "started": "0550Z", "training": True},
    ),
)
# A stream has no end; a trial message leaves this machine, where its destination is anywhere else.
LEFT_OUT = {"follow_events", "test_destination"}
EXAMPLES = 12
NEVER_RIGHT_BY_CHANCE = {
    "POST /api/v1/subscriptions",
    "DELETE /api/v1/subscriptions/{name}",
    "DELETE /api/v1/destinations/{name}",
    "GET /api/v1/holdover",
    "POST /api/v1/departures/plan",
    "POST /api/v1/morning",
    "POST /api/v1/protections",
    "POST /api/v1/destinations",
    "GET /api/v1/deliveries/{delivery}",
    "POST /api/v1/deliveries/{delivery}/again",
}


@pytest.fixture(scope="module")
def board(
    tmp_path_factory: pytest.TempPathFactory, judged_morning: tuple[Path, dict[str, Night]]
) -> Iterator[tuple[Morning, str]]:
    """Serve the invented morning from a loop of its own, beside a test that waits for each answer."""
    source, by_station = judged_morning
    path = tmp_path_factory.mktemp("described") / "morning.db"
    shutil.copyfile(source, path)
    store, loop, ready, done = Store.open(f"sqlite:///{path}"), asyncio.new_event_loop(), threading.Event(), []
    over = asyncio.Event()

    async def serve() -> None:
        async with morning(store, by_station) as opened:
            token = opened.token("read", "acknowledge", "manage")
            for path, body in PUT_THERE:
                headers = {"Authorization": f"Bearer {token}"}
                made = await opened.client.post(f"{opened.origin}/api/v1{path}", json=body, headers=headers)
                assert made.status_code == 201, made.text
            done.append((opened, token))
            ready.set()
            await over.wait()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Gate.__init__, "__defaults__", (Rates(burst=10**9),))
        thread = threading.Thread(target=loop.run_until_complete, args=(serve(),))
        thread.start()
        try:
            assert ready.wait(60)
            yield done[0]
        finally:
            loop.call_soon_threadsafe(over.set)
            thread.join(60)
            loop.close()
            store.close()


@pytest.fixture(scope="module")
def schema(board):
    import schemathesis

    opened, _ = board
    return schemathesis.openapi.from_url(f"{opened.origin}/api/v1/openapi.json")


def operations(schema):
    for found in schema.get_all_operations():
        operation = found.ok()
        if operation.definition.raw["operationId"] not in LEFT_OUT:
            yield operation


def there(operation) -> dict[str, str]:
    """Return names of what there is, for the path of an operation; none where it has no names, or takes them away."""
    names = {parameter.name for parameter in operation.path_parameters}
    known = {**THERE, "name": "ops room"} if "destinations" in operation.path else THERE
    return {name: known[name] for name in names} if names <= known.keys() and operation.method != "delete" else {}


def asked(operation, mode, headers, judged_by, **fixed) -> set[int]:
    """Ask one operation with data that is made for it; return the statuses of its answers, all of them judged."""
    statuses = set()

    @seed(20260112)
    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(generation_mode=mode, **fixed))
    def ask(case):
        answer = case.call(headers=headers, timeout=60)
        statuses.add(answer.status_code)
        # 413 is a refusal, too, which the library does not count among them.
        fair = [
            check for check in judged_by if answer.status_code != 413 or check.__name__ != "negative_data_rejection"
        ]
        case.validate_response(answer, checks=fair, headers=headers)

    ask()
    return statuses


@pytest.mark.parametrize("fits", [True, False], ids=["fits", "does not fit"])
def test_every_answer_is_as_described(board, schema, fits):
    from schemathesis.checks import not_a_server_error
    from schemathesis.generation import GenerationMode
    from schemathesis.specs.openapi import checks

    judged_by = [
        not_a_server_error,
        checks.status_code_conformance,
        checks.content_type_conformance,
        checks.response_headers_conformance,
        checks.response_schema_conformance,
        *([] if fits else [checks.negative_data_rejection]),
    ]
    headers = {"Authorization": f"Bearer {board[1]}"}
    mode = GenerationMode.POSITIVE if fits else GenerationMode.NEGATIVE
    answers, wrong = {}, []
    for operation in operations(schema):
        if not fits and not (operation.query or operation.path_parameters or operation.body):
            continue  # nothing can be wrong with it
        try:
            answers[operation.label] = asked(operation, mode, headers, judged_by)
            if fits and (known := there(operation)):
                answers[operation.label] |= asked(operation, mode, headers, judged_by, path_parameters=known)
        except Exception as error:
            answers[operation.label] = set()
            wrong.append(f"{operation.label}: {error!r}")
    assert not wrong, "\n\n".join(wrong)
    assert len(answers) > 30
    if fits:
        done = {label for label, statuses in answers.items() if statuses & {200, 201, 204}}
        # Texts that are made up are no fluid, no aircraft and no message; other tests ask with real ones.
        assert answers.keys() - done <= NEVER_RIGHT_BY_CHANCE


def test_whoever_has_no_token_is_let_into_nothing(board, schema):
    """Every operation of the description refuses with 401 (RFC 6750) before it looks at anything else."""
    import requests

    opened, _ = board
    for operation in operations(schema):
        path = operation.path.replace("{code}", "XNOR").replace("{place}", "pad").replace("{event_id}", "XNOR-1.1")
        for name in ("episode", "protection", "delivery", "name"):
            path = path.replace(f"{{{name}}}", {"episode": "XNOR-1", "protection": "XNOR-P1"}.get(name, "x"))
        body = {} if operation.body else None
        answer = requests.request(operation.method, f"{opened.origin}{path}", json=body, timeout=10)
        assert (answer.status_code, "WWW-Authenticate" in answer.headers) == (401, True), operation.label


def test_everything_is_described_in_words(schema):
    description = schema.raw_schema
    assert description["info"]["description"]
    known = {tag["name"] for tag in description["tags"]}
    for path, methods in description["paths"].items():
        for method, operation in methods.items():
            where = f"{method} {path}"
            assert operation["description"], where
            assert set(operation["tags"]) <= known, where
            assert operation["security"], where
            assert {"401", "403"} <= operation["responses"].keys(), where
            for parameter in operation.get("parameters", ()):
                assert parameter.get("description"), f"{where}: {parameter['name']}"
            for status, response in operation["responses"].items():
                assert response["description"], f"{where}: {status}"
                if int(status) >= 400:
                    assert list(response["content"]) == ["application/problem+json"], f"{where}: {status}"
    for name, model in description["components"]["schemas"].items():
        assert model.get("description"), name
