"""Dives that rescue is handed: one of which everything is known, and one of which nothing is."""

from __future__ import annotations

from dataclasses import replace

from service.domain.dive import Dive, evolve
from service.domain.dive import commands as do
from service.domain.gas import GasPlan
from service.domain.handover import Moment, Pack, pack
from service.domain.people import Via
from service.domain.place.conditions import Current, Wind
from service.domain.place.position import Position
from service.domain.plan import DivePlan
from service.domain.wording.timeline import what_happened, who_did
from tests.domain.builders import PLAN, Story, at, contact, diver, filed
from tests.domain.place.places import BARE, LANTERN

FIX = Position(47.12251, -20.54402)
FIX_MIN, CALLED_MIN, NOW_MIN = 38, 84, 92
INCIDENT = "SKB 0417"

FULL_PLAN = replace(
    PLAN,
    site=LANTERN,
    exits=("East beach", "Boat shed"),
    depth_m=18,
    gas=GasPlan(cylinder_l=12, fill_bar=200, reserve_bar=50, surface_rate_l_min=20),
    kit="black suits, yellow fins",
    smb="one orange, 1.2 m",
    vehicle="blue van at the gate",
    notes="photographs along the wall",
    water_c=11.5,
    medical="Bram Vik: insulin",
)


def overdue_with_everything(plan: DivePlan = FULL_PLAN, *, drill: bool = False) -> Story:
    """In at NOW, a fix by text at +38, alarm at +65, distress at +80, rescue called at +84; everything is known."""
    story = filed(plan, drill=drill)
    story.does(do.Start(diver("IN 2")), at())
    story.does(do.NoteHanded("start_notice", "contact-0"), at(seconds=2))
    story.runs_to(at(FIX_MIN))
    told = diver("AT 47.12251 -20.54402")
    story.does(do.ReportFix(by=told, position=FIX, accuracy_m=30), at(FIX_MIN))
    story.runs_to(at(66))
    story.does(do.Acknowledge(contact(0)), at(67))
    seen = contact(0, via=Via.PAGE)
    story.does(do.ReportConditions(by=seen, current=Current(250, 0.3), wind=Wind(200, 12)), at(70))
    story.does(do.ReportOnScene(by=contact(1)), at(75))
    story.runs_to(at(CALLED_MIN))
    story.does(do.ReportCalled(contact(0), INCIDENT), at(CALLED_MIN))
    return story


def overdue_with_nothing() -> Story:
    """Overdue at a place of which only the name is known, by a plan with nothing but what it must have."""
    bare = replace(PLAN, site=BARE, exits=(), vehicle=None, kit=None)
    story = filed(bare)
    story.does(do.Start(diver("IN")), at())
    story.runs_to(at(NOW_MIN))
    return story


def timeline_of(story: Story) -> tuple[Moment, ...]:
    """A line for each event."""
    return tuple(Moment(e.at, f"{who_did(e)}: {what_happened(story.dive, e)}") for e in story.events)


def dive_at(story: Story, minutes: float) -> Dive:
    """The dive as it stood so long after the start."""
    dive = None
    for event in story.events:
        if event.at <= at(minutes):
            dive = evolve(dive, event)
    assert dive is not None
    return dive


def pack_of(story: Story, minutes: float = NOW_MIN) -> Pack:
    """The pack so long after the start, with the timeline until then."""
    return pack(dive_at(story, minutes), at(minutes), timeline_of(story))
