"""No test waits: the pause between the two attempts of one question is left out."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import stamina


@pytest.fixture(autouse=True)
def _no_pause_between_attempts() -> Iterator[None]:
    with stamina.set_testing(True, attempts=2):
        yield
