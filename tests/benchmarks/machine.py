"""What a figure was measured on."""

from __future__ import annotations

import os
import platform
from importlib.metadata import version


def machine() -> dict[str, object]:
    """The machine and the versions that matter."""
    names = ("hoarline", "metar", "sqlalchemy", "httpx", "aiosmtplib")
    return {
        "cores": os.cpu_count(),
        "processor": platform.machine(),
        "python": platform.python_version(),
        "versions": {name: version(name) for name in names},
    }
