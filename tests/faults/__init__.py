"""Faults on purpose: processes killed, databases gone, clocks wrong, feeds and receivers that misbehave."""
