"""How often something may come, counted in the memory of one process.

These bounds keep strangers from filling the database. None of them stands before anything that concerns a dive
that has been filed: its texts, links and alarms are never counted here.
"""

from __future__ import annotations

import ipaddress
from collections import OrderedDict, deque
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from threading import Lock

KEYS_MAX = 10_000
IPV6_SITE_BITS = 64  # a household or phone usually has one such network to itself


@dataclass(slots=True)
class Bound:
    """At most `most` of one key within `span`; the least recently seen keys are forgotten first."""

    most: int
    span: timedelta
    _seen: OrderedDict[str, deque[datetime]] = field(default_factory=OrderedDict, repr=False)
    _lock: Lock = field(default_factory=Lock, repr=False)

    def take(self, key: str, now: datetime) -> bool:
        """Count one more of `key`; False, and not counted, when that would be too many."""
        with self._lock:
            times = self._seen.setdefault(key, deque())
            self._seen.move_to_end(key)
            while len(self._seen) > KEYS_MAX:
                self._seen.popitem(last=False)
            while times and times[0] <= now - self.span:
                times.popleft()
            if len(times) >= self.most:
                return False
            times.append(now)
            return True


@dataclass(frozen=True, slots=True)
class Bounds:
    """All that is counted in a web process."""

    plans_by_address: Bound = field(default_factory=lambda: Bound(30, timedelta(hours=24)))
    joins_by_address: Bound = field(default_factory=lambda: Bound(20, timedelta(hours=1)))
    # Of browsers that the admin has not used before; those have a count of their own in the database.
    sign_ins_by_account_and_address: Bound = field(default_factory=lambda: Bound(10, timedelta(minutes=15)))
    sign_ins_by_address: Bound = field(default_factory=lambda: Bound(30, timedelta(minutes=15)))
    sign_ins_by_account: Bound = field(default_factory=lambda: Bound(100, timedelta(minutes=15)))
    sign_ins: Bound = field(default_factory=lambda: Bound(120, timedelta(minutes=1)))  # each costs a tenth of a second
    # Passwords and codes of somebody who is signed in, and links that are guessed.
    proofs_by_session: Bound = field(default_factory=lambda: Bound(10, timedelta(minutes=15)))
    unauthentic_texts: Bound = field(default_factory=lambda: Bound(20, timedelta(minutes=1)))


def address_key(address: str | None) -> str:
    """What counts as one address: all of IPv4, the network part of IPv6."""
    try:
        parsed = ipaddress.ip_address(address or "")
    except ValueError:
        return "unknown"
    if parsed.version == 4:  # noqa: PLR2004
        return str(parsed)
    return str(ipaddress.ip_network(f"{parsed}/{IPV6_SITE_BITS}", strict=False))
