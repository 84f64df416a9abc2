"""Whether mails carry pictures is set in the settings, and hangs on what is installed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.notify.scenes import NOW
from tests.notify.test_mail_picture import frost, images
from watcher.demo.receivers import MailReceiver
from watcher.notify.model import EmailDestination
from watcher.service import channels
from watcher.service.channels import opened_channels
from watcher.settings import load_settings

pytestmark = pytest.mark.anyio


async def pictures_with(folder: Path, line: str) -> int:
    """Return how many pictures a mail about expected frost has, sent as the service sends it."""
    async with MailReceiver() as receiver:
        path = folder / "hoarline.toml"
        path.write_text(
            f'[mail]\nhost = "{receiver.host}"\nport = {receiver.port}\nsecurity = "none"\n'
            f'from = "hoarline@example.org"\n{line}\n'
        )
        async with opened_channels(load_settings(path, {})) as channels:
            channel = channels.channel(EmailDestination("duty-desk", "duty@example.org"))
            assert channel is not None
            await channel.send(frost(), NOW)
    return len(images(receiver.mails[0]))


@pytest.mark.parametrize(("line", "count"), [("", 1), ("pictures = true", 1), ("pictures = false", 0)])
async def test_a_picture_comes_along_unless_the_settings_say_no(tmp_path, line, count):
    assert await pictures_with(tmp_path, line) == count


async def test_without_the_extra_mails_go_out_without_pictures(tmp_path, monkeypatch):
    monkeypatch.setattr(channels, "can_raster", lambda: False)
    assert await pictures_with(tmp_path, "pictures = true") == 0
