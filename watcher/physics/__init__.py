"""Humidity and the sun. Pure."""
