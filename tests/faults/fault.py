"""What a fault is: something that is done to a running installation, for a while, and taken back."""

from __future__ import annotations

import random
from abc import ABC, abstractmethod
from typing import ClassVar

from tests.faults.rig import Rig

SINGLE_S = 60.0  # from due to taken by a gateway, under any single fault but
WORST_S = 180.0  # both gateways away, or the database for more than 30 s
TOLD_WITHIN_S = 90.0  # from a dead part to a person who knows of it
SQLITE, POSTGRESQL = "sqlite", "postgresql"


class Fault(ABC):
    """One fault. What it does is drawn from the chance that it is given."""

    within_s: ClassVar[float] = SINGLE_S
    on: ClassVar[frozenset[str]] = frozenset((SQLITE, POSTGRESQL))
    lasts_s: ClassVar[tuple[float, float]] = (12.0, 25.0)

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance

    @classmethod
    def name(cls) -> str:
        """What it is called in figures: the words of its class."""
        return "".join(f" {letter.lower()}" if letter.isupper() else letter for letter in cls.__name__).strip()

    @abstractmethod
    def inject(self, rig: Rig) -> None:
        """Begin."""

    def go_on(self, rig: Rig) -> None:  # noqa: B027 - most faults have nothing more to do
        """Called about every second while it lasts."""

    @abstractmethod
    def heal(self, rig: Rig) -> None:
        """Take it back: whatever it was must work from now on. Called also when `inject` failed half way."""
