"""Checks of the physics and of the night's forecast on measurements: each takes a data file and prints one JSON object."""
