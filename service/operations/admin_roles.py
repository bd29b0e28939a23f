"""What an admin may do at the desk of their club: three roles, each may all that the one below it may."""

from __future__ import annotations

from enum import StrEnum


class AdminRole(StrEnum):
    """The roles, the one that may least first."""

    VIEWER = "viewer"  # looks
    OFFICER = "officer"  # runs dives, people, sites and drills
    OWNER = "owner"  # also accounts, settings of the club, and erasing

    def may(self, needs: AdminRole) -> bool:
        """Whether this role may do what `needs` may."""
        order = list(AdminRole)
        return order.index(self) >= order.index(needs)
