"""The units are what systemd itself takes for whole and narrow, and the service lives within what they allow."""

from __future__ import annotations

import asyncio
import os
import re
import shutil
import signal
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import psutil
import pytest

from tests.service.night_watch import surroundings
from watcher.clock import utc_now

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
SERVICES = ("hoarline.service", "hoarline@.service", "hoarline-morning.service")
# Ten times the exposure level of `systemd-analyze security`, 0 to 100: what the network alone costs is 11.
EXPOSURE = 11
_START = "# The same lines stand in all three units; a test holds them equal.\n"


def directives(name: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in (DEPLOY / name).read_text().splitlines():
        key, separator, value = line.partition("=")
        if separator and not line.startswith("#"):
            found.setdefault(key, []).append(value)
    return found


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("there is no systemd-analyze here")
    return subprocess.run(["systemd-analyze", *arguments], capture_output=True, text=True, check=False, timeout=60)


def test_systemd_finds_no_fault_with_any_unit(tmp_path):
    """`systemd-analyze verify`, with the program where it is on this machine."""
    for name in (*SERVICES, "hoarline-morning.timer"):
        text = (DEPLOY / name).read_text().replace("/opt/hoarline/bin/hoarline", sys.executable)
        (tmp_path / name.replace("@.", "@poller.")).write_text(text)
    done = analyze("verify", *sorted(str(path) for path in tmp_path.iterdir()))
    told = [line for line in done.stderr.splitlines() if "hoarline" in line]
    assert (done.returncode, told) == (0, [])


def test_verify_would_find_a_fault(tmp_path):
    broken = (DEPLOY / "hoarline.service").read_text().replace("ProtectHome=yes", "ProtectHomes=yes")
    (tmp_path / "hoarline.service").write_text(broken.replace("/opt/hoarline/bin/hoarline", sys.executable))
    assert "ProtectHomes" in analyze("verify", str(tmp_path / "hoarline.service")).stderr


@pytest.mark.parametrize("name", SERVICES)
def test_systemd_counts_little_exposure(name):
    """`systemd-analyze security` weighs each directive; it fails above the threshold."""
    done = analyze("security", "--offline=true", f"--threshold={EXPOSURE}", str(DEPLOY / name))
    assert done.returncode == 0, done.stdout[-200:]
    assert analyze("security", "--offline=true", "--threshold=5", str(DEPLOY / name)).returncode != 0


def test_the_units_are_hardened_alike_and_get_the_same_secrets():
    blocks = {(DEPLOY / name).read_text().split(_START)[1].split("\n\n")[0].strip() for name in SERVICES}
    assert len(blocks) == 1
    given = [directives(name)["LoadCredential"] for name in SERVICES]
    assert given[0] == given[1] == given[2]
    example = (DEPLOY / "hoarline.toml").read_text()
    files = re.findall(r'(?m)^(?:password|secret|url|token)_file = "([^"]+)"', example)
    assert sorted(value.partition(":")[0] for value in given[0]) == sorted(files)


def test_the_roles_are_those_of_the_command_and_never_run_beside_the_whole():
    from watcher.service.service import ROLES

    unit = directives("hoarline@.service")
    assert "--only %i " in unit["ExecStart"][0]
    assert unit["Conflicts"] == ["hoarline.service"]
    enabled = re.findall(r"hoarline@([a-z]+)", (DEPLOY / "hoarline@.service").read_text().partition("[Unit]")[0])
    assert tuple(enabled) == ROLES


def allowed_calls() -> set[str]:
    """Return the system calls that the units' filter lets through, as systemd itself expands its groups."""
    allow, deny = (set(line.lstrip("~").split()) for line in directives("hoarline.service")["SystemCallFilter"])
    return expanded(allow | {"@default"}) - expanded(deny)


def expanded(groups: set[str]) -> set[str]:
    calls: set[str] = set()
    for group in groups:
        lines = [line.strip() for line in analyze("syscall-filter", group).stdout.splitlines()[1:]]
        found = {line for line in lines if line and not line.startswith("#")}
        calls |= {call for call in found if not call.startswith("@")}
        calls |= expanded({call for call in found if call.startswith("@")})
    return calls


@pytest.mark.slow
@pytest.mark.anyio
async def test_the_service_needs_nothing_that_the_unit_forbids(tmp_path):
    """Every system call of a running service, traced: calls, memory both writable and executable, sockets, files."""
    if shutil.which("strace") is None:
        pytest.skip("there is no strace here")
    trace, state = tmp_path / "trace", tmp_path / "state"
    state.mkdir()
    async with surroundings(state, ["XNOR"], every="1s", more='[web]\nbind = "127.0.0.1:0"\n') as around:
        observed = utc_now() - timedelta(minutes=5)
        around.publish([f"XNOR {observed:%d%H%M}Z 00000KT 3000 -FZDZ OVC006 M02/M03 Q1010"], utc_now())
        process = await asyncio.create_subprocess_exec(
            "strace", "-f", "-qq", "-o", str(trace), sys.executable, "-B", "-m", "watcher.cli", "run", "--config",
            str(around.settings), cwd=ROOT, stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        async with asyncio.timeout(100):
            while not (around.webhook.posts and around.mail.mails):
                await asyncio.sleep(0.2)
        (traced,) = psutil.Process(process.pid).children()
        traced.send_signal(signal.SIGTERM)
        assert await process.wait() == 0
    lines = [line.split(None, 1)[1] for line in trace.read_text(errors="replace").splitlines()]
    made = {match[1] for line in lines if (match := re.match(r"([a-z_0-9]+)\(", line))}
    assert {"openat", "connect", "fsync", "epoll_wait"} & made, "the trace has what a service does"
    # Only root's processes give files away, and this service is none.
    as_root = {"fchown", "chown"} if os.geteuid() == 0 else set()
    assert made - allowed_calls() - as_root == set()
    assert [line for line in lines if line.startswith("mmap(") and "PROT_WRITE|PROT_EXEC" in line] == []
    assert [line for line in lines if line.startswith("mprotect(") and "PROT_EXEC" in line] == []
    families = {match[1] for line in lines if (match := re.match(r"socket\((AF_[A-Z0-9]+)", line))}
    # The C library asks the kernel how to sort addresses, and goes on where it may not.
    assert families - set(directives("hoarline.service")["RestrictAddressFamilies"][0].split()) <= {"AF_NETLINK"}
    written = {
        match[1]
        for line in lines
        if (match := re.match(r'openat\(AT_FDCWD, "([^"]+)", [A-Z_|]*O_(?:WRONLY|RDWR|CREAT)', line))
        and "= -1" not in line
    }
    assert {path for path in written if not path.startswith((str(state), "/dev/", "/tmp/"))} == set()
