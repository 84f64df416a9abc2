"""Humidity, the sun, the sky and the skin of a parked wing. Pure; ``humidity`` and ``sun`` do without arrays."""
