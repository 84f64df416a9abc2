"""The cycle, its schedule, and the health of both."""
