"""Outgoing HTTP and MQTT: the only room that knows their libraries. Everything passes the guard, which fails closed."""

from __future__ import annotations

from watcher.net.broker import Broker, Login, Refused, can_publish
from watcher.net.client import ANSWER_LIMIT_BYTES, TOTAL_TIMEOUT_S, Answer, HttpClients
from watcher.net.guard import Guard, Resolver
from watcher.net.inflate import GZIP_MAGIC, InflateError, gunzip

__all__ = [
    "ANSWER_LIMIT_BYTES",
    "GZIP_MAGIC",
    "TOTAL_TIMEOUT_S",
    "Answer",
    "Broker",
    "Guard",
    "HttpClients",
    "InflateError",
    "Login",
    "Refused",
    "Resolver",
    "can_publish",
    "gunzip",
]
