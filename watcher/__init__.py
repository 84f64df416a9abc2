"""Hoarline: watches public aviation weather reports for icing on the ground.

Start reading in `watcher/service/cycle.py`: decide, then commit.
"""

__version__ = "0.1.0"
