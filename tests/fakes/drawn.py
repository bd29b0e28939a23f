"""Chance by seed where the service draws ids, codes and tokens."""

from __future__ import annotations

import random
import secrets
import uuid
from base64 import urlsafe_b64encode
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any
from unittest.mock import patch


@contextmanager
def drawn_by(chance: random.Random) -> Iterator[None]:
    """Codes, ids and tokens come from the seed too: what is equal otherwise is ordered by them."""
    drawn: dict[tuple[Any, str], Callable[..., Any]] = {
        (uuid, "uuid4"): lambda: uuid.UUID(int=chance.getrandbits(128)),
        (secrets, "randbelow"): chance.randrange,
        (secrets, "token_hex"): lambda count=32: chance.randbytes(count).hex(),
        (secrets, "token_urlsafe"): lambda count=32: urlsafe_b64encode(chance.randbytes(count)).rstrip(b"=").decode(),
        (secrets, "choice"): chance.choice,
    }
    with ExitStack() as patches:
        for (module, name), draw in drawn.items():
            patches.enter_context(patch.object(module, name, draw))
        yield
