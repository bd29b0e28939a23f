"""What the replies of a mail server mean to us, kept as data.

Sources: the reply codes of RFC 5321 section 4.2, the authentication codes of RFC 4954 section 6, and the enhanced
status codes of RFC 3463 and RFC 7504. What is in no table is decided by its first digit alone, loudly.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from service.operations.gateway import Blame

BLAME_BY_STATUS: Mapping[str, Blame] = MappingProxyType(
    {
        "5.1.1": Blame.NUMBER,  # no such mailbox
        "5.1.2": Blame.NUMBER,  # no such domain
        "5.1.3": Blame.NUMBER,  # not an address
        "5.1.6": Blame.NUMBER,  # the mailbox has moved, with no new address
        "5.1.10": Blame.NUMBER,  # the domain takes no mail (RFC 7505)
        "5.2.1": Blame.NUMBER,  # the mailbox is disabled
        "5.2.2": Blame.NUMBER,  # the mailbox is full
        "5.2.3": Blame.FILTERED,  # too long for that mailbox
        "5.3.4": Blame.FILTERED,  # too long for the server
        "5.4.1": Blame.NUMBER,  # nobody answers for that address
        "5.4.4": Blame.NUMBER,  # no way to that domain
        "5.1.7": Blame.GATEWAY,  # our sender is not an address
        "5.1.8": Blame.GATEWAY,  # our sender's domain is not good
        "5.7.0": Blame.GATEWAY,  # not allowed to send
        "5.7.1": Blame.FILTERED,  # refused by policy
        "5.7.8": Blame.GATEWAY,  # user or password is wrong (RFC 4954)
        "5.7.9": Blame.GATEWAY,  # this way of signing in is too weak (RFC 4954)
        "5.7.20": Blame.FILTERED,  # no valid signature of our domain (RFC 7372)
        "5.7.23": Blame.GATEWAY,  # our address may not send for this domain (RFC 7372)
        "5.7.26": Blame.FILTERED,  # several checks of our domain failed (RFC 7372)
        "4.2.2": Blame.TRANSIENT,  # the mailbox is full for now
        "4.3.2": Blame.TRANSIENT,  # the server takes nothing just now
        "4.4.2": Blame.TRANSIENT,  # a bad connection
        "4.5.3": Blame.THROTTLED,  # too many recipients
        "4.7.0": Blame.THROTTLED,  # a policy that passes, most often a rate
        "4.7.1": Blame.TRANSIENT,  # not now, most often greylisting
        "4.7.12": Blame.GATEWAY,  # a new password is wanted first (RFC 4954)
    }
)

BLAME_BY_REPLY: Mapping[int, Blame] = MappingProxyType(
    {
        421: Blame.TRANSIENT,  # the server closes
        450: Blame.TRANSIENT,  # the mailbox is busy
        451: Blame.TRANSIENT,  # an error of its own
        452: Blame.THROTTLED,  # not enough room
        454: Blame.TRANSIENT,  # signing in fails for now (RFC 4954)
        521: Blame.GATEWAY,  # this host takes no mail (RFC 7504)
        530: Blame.GATEWAY,  # signing in is wanted (RFC 4954)
        534: Blame.GATEWAY,  # this way of signing in is too weak (RFC 4954)
        535: Blame.GATEWAY,  # user or password is wrong (RFC 4954)
        538: Blame.GATEWAY,  # signing in needs encryption (RFC 4954)
        550: Blame.NUMBER,  # the mailbox is not there
        551: Blame.NUMBER,  # the mailbox is elsewhere
        552: Blame.NUMBER,  # the mailbox is full
        553: Blame.NUMBER,  # the name of the mailbox is not allowed
        554: Blame.FILTERED,  # the transaction failed, most often by policy
        555: Blame.GATEWAY,  # our sender or recipient has parameters it does not know
        556: Blame.NUMBER,  # the domain takes no mail (RFC 7504)
    }
)


def blame_for(reply: int, status: str | None) -> Blame | None:
    """Return what a refusal is about, by enhanced status first, since it is the more exact. None: in no table."""
    by_status = BLAME_BY_STATUS.get(status) if status is not None else None
    return by_status or BLAME_BY_REPLY.get(reply)
