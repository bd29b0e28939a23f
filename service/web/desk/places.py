"""What there is at the desk: the navigation, in the order of how urgent it is when something is wrong."""

from __future__ import annotations

from dataclasses import dataclass

from service.operations.admin_roles import AdminRole


@dataclass(frozen=True, slots=True)
class Place:
    """A part of the desk: its first page, its name, and from which role on it is shown."""

    path: str
    words: str
    needs: AdminRole = AdminRole.VIEWER


PLACES = (
    Place("/admin/board", "Water board"),
    Place("/admin/people", "People"),
    Place("/admin/sites", "Sites"),
    Place("/admin/messages", "Messages"),
    Place("/admin/gateways", "Gateways"),
    Place("/admin/grace", "Grace periods"),
    Place("/admin/figures", "Figures"),
    Place("/admin/drills", "Drills"),
    Place("/admin/club", "Club"),
    Place("/admin/paper", "Paper"),
    Place("/admin/log", "Log"),
    Place("/admin/screens", "Board screens", AdminRole.OFFICER),
    Place("/admin/accounts", "Accounts", AdminRole.OWNER),
    Place("/admin/own-account", "Your account"),
    Place("/admin/sending", "Sending", AdminRole.OWNER),
)


def places_for(role: AdminRole) -> tuple[Place, ...]:
    """What somebody of that role may open."""
    return tuple(place for place in PLACES if role.may(place.needs))
