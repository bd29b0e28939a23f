"""The end of a dive in an outage, for those whom it no longer knows as told: a new alarm has begun it anew.

Who acted on the alarm of before, and that it was handed up to the admins, does not hold for the next one. Nor does its
end where no gateway had taken that; and so they were left with the alarm.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from service.domain.dive import Dive
from service.domain.dive.events import Closed
from service.domain.people import Recipient
from service.domain.wording import Draft, MessageKind
from service.domain.wording.general import service_fault_over
from service.operations.outage_journal import Told


def also_over(dive: Dive, event: Closed, owed: Iterable[Told], told: Collection[Told]) -> list[Draft]:
    """The stand-down for those who are owed one, are not among those `told` of this end, and have not said it."""
    known = {one.person_key for one in told}
    found = {
        one.person_key: Recipient(one.person_key, one.name, one.phone, one.language)
        for one in owed
        if one.person_key not in known and one.phone != event.by.phone
    }
    club, site = dive.club_name, dive.plan.site.name
    lead, by = dive.lead.name, event.by.name
    return [
        Draft(
            person,
            MessageKind.STAND_DOWN,
            f"stand_down-{dive.version}",
            service_fault_over(club, lead, site, by, dive.reference, drill=dive.drill, language=person.language),
            event.at,
        )
        for person in found.values()
    ]
