"""Faults that come together: one may keep another from what it needs, and then that one does nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence

import httpx
import kombu.exceptions
import psycopg
import redis

from tests.faults.fault import Fault
from tests.faults.rig import Rig

Deed = Callable[[Fault, Rig], None]

OUT_OF_REACH = (
    httpx.TransportError,
    redis.RedisError,
    kombu.exceptions.OperationalError,
    psycopg.OperationalError,
    sqlite3.OperationalError,
    OSError,
)
"""What it looks like where a part that a fault needs does not answer, since another fault has it."""


def deal(faults: Sequence[Fault], deed: Deed, rig: Rig) -> None:
    """Begin or go on with all of them. One that is alone is kept from nothing: there an error is an error."""
    for fault in faults:
        try:
            deed(fault, rig)
        except OUT_OF_REACH:
            if len(faults) == 1:
                raise


def heal(faults: Sequence[Fault], rig: Rig) -> None:
    """Take all of them back: what cannot be while another one holds, after that."""
    kept = []
    for fault in reversed(faults):
        try:
            fault.heal(rig)
        except OUT_OF_REACH:
            kept.append(fault)
    for fault in kept:
        fault.heal(rig)
