"""What the rules need of the physics costs them no arrays."""

from __future__ import annotations

import subprocess
import sys


def test_humidity_and_sun_come_without_numpy():
    code = "import sys, watcher.physics.humidity, watcher.physics.sun; print('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "False"
