"""Grace periods, which an admin sets, and the ladder of timed steps that they make.

The defaults are ours. That a fixed raise-by time is agreed with somebody ashore is common practice of the trade,
no published source; the phases uncertainty, alert and distress are those of the IAMSAR manual.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum


class Step(StrEnum):
    """The rungs of the ladder, in the order in which they come due."""

    ASK_STARTED = "ask_started"
    HEADS_UP = "heads_up"
    DUE_OUT = "due_out"
    SECOND_CALL = "second_call"
    ALERT = "alert"
    NEXT_CONTACT = "next_contact"
    DISTRESS = "distress"
    DISTRESS_AGAIN = "distress_again"
    HAND_UP = "hand_up"
    ASK_OUT = "ask_out"  # no rung: what the party of a restored dive is asked


PARTY_STEPS = (Step.HEADS_UP, Step.DUE_OUT, Step.SECOND_CALL)


class NeverStarted(StrEnum):
    """What becomes of a plan with a time in and no start."""

    START = "start"
    LAPSE = "lapse"


class FinishNeeds(StrEnum):
    """What a finish must carry, since sender numbers can be forged."""

    PHONE = "phone"
    CODE = "code"
    HEADCOUNT = "headcount"


def _minutes(count: float) -> timedelta:
    return timedelta(minutes=count)


@dataclass(frozen=True, slots=True)
class GracePeriods:
    """How long after which moment who is told. `*_after` counts from due out unless its name says otherwise."""

    heads_up_before: timedelta = _minutes(10)
    second_call_after: timedelta = _minutes(5)
    grace: timedelta = _minutes(15)
    next_contact_every: timedelta = _minutes(5)
    distress_after: timedelta = _minutes(30)
    distress_every: timedelta = _minutes(10)
    hand_up_after: timedelta = _minutes(60)
    ask_started_after: timedelta = _minutes(15)  # after the planned time in
    assume_started_after: timedelta = _minutes(20)  # after the planned time in
    extension_cap: timedelta = _minutes(60)
    receipt_within: timedelta = _minutes(2)  # after a gateway took an alert
    arming_within: timedelta = timedelta(seconds=30)  # after the start, or after a late text
    never_started: NeverStarted = NeverStarted.START
    finish_needs: FinishNeeds = FinishNeeds.PHONE

    def problems(self) -> tuple[str, ...]:
        """What contradicts what, in words for an admin; empty when all is well."""
        found = [
            (self.grace < _minutes(5), "The grace period must be at least 5 minutes."),
            (self.grace > _minutes(120), "The grace period must be at most 120 minutes."),
            (
                self.second_call_after >= self.grace,
                "The second call must come before the grace period is over.",
            ),
            (self.second_call_after <= timedelta(0), "The second call must come after due out."),
            (self.heads_up_before < timedelta(0), "The heads-up cannot come after due out."),
            (self.distress_after <= self.grace, "Distress must come after the alert."),
            (self.hand_up_after <= self.distress_after, "The hand-up must come after distress."),
            (self.next_contact_every < _minutes(1), "Contacts must be at least 1 minute apart."),
            (self.distress_every < _minutes(2), "Distress may be repeated every 2 minutes at most."),
            (
                self.assume_started_after < self.ask_started_after,
                "A start is assumed only after it was asked about.",
            ),
            (self.ask_started_after < timedelta(0), "The start cannot be asked about before the planned time in."),
            (self.extension_cap < timedelta(0), "The cap on extensions cannot be negative."),
            (self.receipt_within < timedelta(seconds=30), "A receipt needs at least 30 seconds."),
            (self.arming_within < timedelta(seconds=30), "A start notice needs at least 30 seconds."),
            (
                self.arming_within >= self.grace,
                "The diver must hear that nobody was told before the alarm is due.",
            ),
        ]
        return tuple(words for wrong, words in found if wrong)

    def shortened(self, grace: timedelta) -> GracePeriods:
        """These periods with a shorter grace: what comes after the alert keeps its distance, what comes before fits.

        Raises ValueError when `grace` is longer than the club's, or shorter than 5 minutes.
        """
        if grace > self.grace:
            raise ValueError("A plan may only shorten the grace period of its club.")
        if grace < _minutes(5):
            raise ValueError("A grace period has at least 5 minutes.")
        sooner = self.grace - grace
        second = self.second_call_after if self.second_call_after < grace else grace / 2
        return replace(
            self,
            grace=grace,
            second_call_after=second,
            arming_within=min(self.arming_within, grace / 2),
            distress_after=self.distress_after - sooner,
            hand_up_after=self.hand_up_after - sooner,
        )

    def party_steps(self, due_out_at: datetime) -> tuple[tuple[Step, datetime], ...]:
        """When the party's own phones are reminded."""
        return (
            (Step.HEADS_UP, due_out_at - self.heads_up_before),
            (Step.DUE_OUT, due_out_at),
            (Step.SECOND_CALL, due_out_at + self.second_call_after),
        )

    @property
    def distress_after_alert(self) -> timedelta:
        """From the alert to distress, for an alarm that was raised before its time too."""
        return self.distress_after - self.grace

    @property
    def hand_up_after_alert(self) -> timedelta:
        """From the alert to the hand-up."""
        return self.hand_up_after - self.grace
