"""A name server that gives another address the second time, asked by the machine's own resolver: nothing inside is reached."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def told(tmp_path_factory) -> dict:
    """Run it where /etc/resolv.conf and the loopback are its own, so that no real name server is ever asked."""
    folder = tmp_path_factory.mktemp("names")
    (folder / "resolv.conf").write_text("nameserver 127.0.0.1\noptions timeout:1 attempts:1\n")
    (folder / "nsswitch.conf").write_text("hosts: dns\n")
    steps = [
        "ip link set lo up",
        *(f"mount --bind {shlex.quote(str(folder / name))} /etc/{name}" for name in ("resolv.conf", "nsswitch.conf")),
        f"exec {shlex.quote(sys.executable)} -m tests.security.rebinding_inside",
    ]
    if subprocess.run(["unshare", "--mount", "--net", "true"], capture_output=True, check=False).returncode != 0:
        pytest.skip("this machine gives nobody a network of their own")
    command = ["unshare", "--mount", "--net", "sh", "-ec", "\n".join(steps)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_the_name_was_public_when_first_looked_up_and_the_second_answer_is_judged_again(told):
    assert told["first look"] == ["203.0.114.1"]
    assert told["asked"] == 2
    assert "GuardError" in told["rebound.example.org"]
    assert "127.0.0.1 (loopback (RFC 1122))" in told["rebound.example.org"]


@pytest.mark.parametrize("name", ["inner", "six", "mapped", "metadata", "alias"])
def test_a_name_that_leads_inside_is_refused(told, name):
    assert told[f"{name}.example.org"].startswith("GuardError: ")


def test_of_a_public_and_an_inner_address_only_the_public_one_is_tried(told):
    assert told["both.example.org"].startswith("NetError: ")


def test_nothing_inside_was_reached_and_all_of_it_works_where_it_is_allowed(told):
    assert told["reached"] == 0
    assert told["allowed"] == "inner secret"
    assert told["reached when allowed"] == 1
