"""Outgoing HTTP and MQTT: the only room that knows their libraries. Everything passes the guard, which fails closed."""

from __future__ import annotations

from watcher.net.broker import Broker
from watcher.net.client import ANSWER_LIMIT_BYTES, TOTAL_TIMEOUT_S, Answer, HttpClients
from watcher.net.guard import Guard, Resolver
from watcher.net.inflate import GZIP_MAGIC, InflateError, gunzip
from watcher.net.listener import Hearing, Letter, Listener
from watcher.net.mqtt_client import BrokerAddress, Login, Refused, can_use_mqtt

__all__ = [
    "ANSWER_LIMIT_BYTES",
    "GZIP_MAGIC",
    "TOTAL_TIMEOUT_S",
    "Answer",
    "Broker",
    "BrokerAddress",
    "Guard",
    "Hearing",
    "HttpClients",
    "InflateError",
    "Letter",
    "Listener",
    "Login",
    "Refused",
    "Resolver",
    "can_use_mqtt",
    "gunzip",
]
