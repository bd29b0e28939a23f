"""Answers that belong to no single dive, and the state of one told on request."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.domain.dive.commands import Refusal
from service.domain.dive.state import Dive, Phase
from service.domain.people import Actor, Role
from service.domain.wording.drafts import SEGMENTS, MessageKind, compose, worded
from service.domain.wording.phrases import heads, keep, may_go, name_of, number_of, out, time_of


def plain(club_name: str, words: str) -> str:
    """One segment from a club to anybody."""
    return worded(club_name, [keep(words)], 1)


def refused(dive: Dive, refusal: Refusal) -> str:
    """Why not, in one segment."""
    return compose(dive, MessageKind.REPLY, [keep(refusal.words)])


def status(dive: Dive, by: Actor, now: datetime) -> str:
    """Where a dive stands, for whoever asks with STATUS."""
    due, alarm = time_of(dive, dive.due_out_at, now), time_of(dive, dive.raise_by_at, now)
    diver = by.role is Role.DIVER
    # Due out may have moved since it was reached.
    state = "in, due out" if dive.due_out_at is not None and dive.due_out_at > now else "OVERDUE since"
    called = dive.called_at is not None
    to_call = "a real alarm would go to rescue" if dive.drill else "rescue is to be called"
    rescue = f"rescue was called {time_of(dive, dive.called_at, now)}" if called else to_call
    told = {
        Phase.FILED: "filed, the clock is not running." + (f" Going in? Text IN {dive.start_code}" if diver else ""),
        Phase.IN_WATER: f"{heads(dive.head_count)} in, due out {due}, alarm {alarm}.",
        Phase.UNCERTAINTY: f"{heads(dive.head_count)} {state} {due}, alarm {alarm}.",
        Phase.ALERT: f"ALARM is up since {time_of(dive, dive.alarm_at, now)}.",
        Phase.DISTRESS: f"ALARM is up since {time_of(dive, dive.alarm_at, now)}, {rescue}.",
        Phase.CLOSED: f"over since {time_of(dive, dive.closed_at, now)}.",
    }[dive.phase]
    armed = " NOT ARMED." if dive.phase is Phase.IN_WATER and dive.armed_at is None else ""
    finish = f" {out(dive)}." if dive.live and diver else ""
    parts = [
        keep(f"{time_of(dive, now, now)}: dive {dive.reference}"),
        may_go(1, dive.plan.site.name),
        keep(told + armed + finish),
    ]
    return compose(dive, MessageKind.REPLY, parts)


def which_dive(club_name: str, verb: str, references: Sequence[str]) -> str:
    """Several dives could be meant: the answer is the same text with a reference."""
    examples = " or ".join(f"{verb} {reference}" for reference in references[:4])
    return plain(club_name, f"which dive? Nothing changed. Text {examples}.")


def no_such_code(club_name: str) -> str:
    """A code that is no live dive's: mistyped, or over."""
    return plain(
        club_name,
        "that code is not one of ours now. Nothing changed, any clock goes on. Check the digits and text again.",
    )


def codes_locked(club_name: str) -> str:
    """Too many wrong codes from one phone."""
    return plain(
        club_name,
        "too many wrong codes, no more are tried for an hour. Any clock goes on. In trouble call rescue.",
    )


def no_dive(club_name: str) -> str:
    """A phone with no open dive."""
    return plain(
        club_name,
        "no open dive for this phone, no clock runs. Have a code? Text it. To file: PLAN, site, time, minutes, P2.",
    )


def how_it_works(club_name: str) -> str:
    """The text commands in one segment."""
    return plain(
        club_name,
        "overdue-diver alarm. Texts: IN, OUT, LATE 20, SOS, NOGO, STATUS. No rescue service; in danger call rescue.",
    )


def opted_in(club_name: str) -> str:
    """Texts may be sent again."""
    return plain(club_name, "you get our texts again.")


def plan_by_text(club_name: str) -> str:
    """How to file a plan by text."""
    return plain(
        club_name,
        "to file a plan text PLAN, site, time in, minutes, divers: PLAN LANTERN 1000 50 P2. Nothing is filed yet.",
    )


def plan_refused(club_name: str, words: str) -> str:
    """Why a plan by text was not filed; long reasons lose their tail at a word."""
    return worded(club_name, [keep("not filed."), name_of(words)], 1)


def service_fault(
    club_name: str, site: str, rescue_call: str, lead_name: str, lead_phone: str | None, *, drill: bool = False
) -> str:
    """The plainest alarm: the rules themselves failed on this dive, so its contacts act on what they hold."""
    rescue = f"In a real alarm you would now call {rescue_call}." if drill else f"Call rescue: {rescue_call}."
    parts = [
        keep("SERVICE FAULT, a dive may be overdue:"),
        name_of(lead_name),
        keep("at"),
        name_of(f"{site}."),
        *([keep(f"Call {number_of(lead_phone)}.")] if lead_phone else []),
        keep(f"No answer? {rescue} Act on the plan that you were sent."),
    ]
    return worded(club_name, parts, 3, drill=drill)


def service_fault_over(
    club_name: str, lead_name: str, site: str, by_name: str, reference: str, *, drill: bool = False
) -> str:
    """The stand-down after the plainest alarm."""
    parts = [
        name_of(f"{lead_name}, {site}:"),
        keep("the dive is over."),
        name_of(f"Said by {by_name}."),
        keep(f"Please stand down; tell anyone you called. Ref {reference}."),
    ]
    return worded(club_name, parts, SEGMENTS[MessageKind.STAND_DOWN], drill=drill)


def other_code(club_name: str, kind: str) -> str:
    """The start code with OUT, or the finish code with IN."""
    meant = "starts the clock: text IN with it" if kind == "start" else "stops the clock: text OUT with it"
    return plain(club_name, f"that code {meant}. Nothing changed.")


def sos_without_dive(club_name: str, rescue_call: str) -> str:
    """An SOS from a phone that belongs to no dive: we know no contacts, rescue is all there is."""
    return plain(club_name, f"no dive for this phone, so nobody was told. Call rescue now: {rescue_call}")


def plan_unknown_phone(club_name: str, public_url: str) -> str:
    """A plan by text needs a phone with usual contacts."""
    return plain(club_name, f"your phone is not known here yet. Nothing is filed. File the plan at {public_url}/plan")


def plan_without_contacts(club_name: str, public_url: str) -> str:
    """A plan by text needs usual contacts."""
    return plain(club_name, f"no usual contacts are kept for you. Nothing is filed. File the plan at {public_url}/plan")


def no_plan_there(club_name: str, site: str) -> str:
    """IN with a site for which this phone has filed no plan."""
    words = [
        keep("no plan of yours for"),
        name_of(site),
        keep("was found. Nothing changed, no clock was started. File one: PLAN"),
    ]
    return worded(club_name, words, 1)
