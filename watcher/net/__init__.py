"""Outgoing HTTP: the only room that knows the HTTP library. Everything passes the guard, and it fails closed."""

from __future__ import annotations

from watcher.net.client import ANSWER_LIMIT_BYTES, TOTAL_TIMEOUT_S, Answer, HttpClients
from watcher.net.guard import Guard, Resolver
from watcher.net.inflate import GZIP_MAGIC, InflateError, gunzip

__all__ = [
    "ANSWER_LIMIT_BYTES",
    "GZIP_MAGIC",
    "TOTAL_TIMEOUT_S",
    "Answer",
    "Guard",
    "HttpClients",
    "InflateError",
    "Resolver",
    "gunzip",
]
