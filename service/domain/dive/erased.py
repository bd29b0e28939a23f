"""A dive without what is personal in it: what is left of its state once its details are erased."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from service.domain.dive.state import Dive, Raising, RescueCall, TakenBack
from service.domain.people import Actor
from service.domain.place.site import SitePlan
from service.domain.plan import Contact, DivePlan, Diver

ERASED: Final = "(erased)"


def without_detail(dive: Dive) -> Dive:
    """The dive without names, numbers, words and positions of people; times, counts and phases stay.

    A site that the club knows stays, a place of the diver's own goes. Doing it twice is doing it once.
    """
    return replace(
        dive,
        start_code="",
        finish_code="",
        plan=_plan(dive.plan),
        started_by=_actor(dive.started_by),
        raised_by=_actor(dive.raised_by),
        raised_note=None,
        raisings=tuple(Raising(one.at, _actor(one.by)) for one in dive.raisings),
        called_by=_actor(dive.called_by),
        called_reference=None,
        called_by_several=tuple(_call(one) for one in dive.called_by_several),
        taken_back=tuple(TakenBack(_call(one.call), one.at, _erased(one.by)) for one in dive.taken_back),
        fixes=(),
        conditions=None,
        last_heard=None,
        closed_by=_actor(dive.closed_by),
    )


def _plan(plan: DivePlan) -> DivePlan:
    return replace(
        plan,
        site=_site(plan.site),
        party=tuple(Diver(ERASED, language=one.language) for one in plan.party),
        contacts=tuple(Contact(ERASED, "", language=one.language, channels=one.channels) for one in plan.contacts),
        exits=(),
        vehicle=None,
        kit=None,
        smb=None,
        notes=None,
        medical=None,
    )


def _site(site: SitePlan) -> SitePlan:
    known = site.code is not None
    return SitePlan(
        name=site.name if known else ERASED,
        zone=site.zone,
        rescue_call=site.rescue_call,
        code=site.code,
        position=site.position if known else None,
    )


def _call(call: RescueCall) -> RescueCall:
    return RescueCall(call.at, _erased(call.by))


def _actor(by: Actor | None) -> Actor | None:
    return None if by is None else _erased(by)


def _erased(by: Actor) -> Actor:
    return Actor(by.role, ERASED, by.via, by.key)
