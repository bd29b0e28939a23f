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


def _said(length: timedelta) -> str:
    """A length as a person says it: minutes, or seconds where it is not whole minutes."""
    minutes, seconds = divmod(length.total_seconds(), 60)
    if seconds:
        return f"{length.total_seconds():g} seconds"
    return "1 minute" if minutes == 1 else f"{minutes:g} minutes"


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A setting that does not fit the others: its name, what is wrong, and what would be right."""

    setting: str
    words: str
    right: str


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

    def contradictions(self) -> tuple[Contradiction, ...]:
        """What cannot hold together, each with what would be right; empty when all is well."""
        least, most = _minutes(5), _minutes(120)
        found = [
            (self.grace < least, "grace", "The grace period must be at least 5 minutes.", "5 minutes or more."),
            (self.grace > most, "grace", "The grace period must be at most 120 minutes.", "120 minutes or less."),
            (
                self.second_call_after >= self.grace,
                "second_call_after",
                "The second call must come before the grace period is over.",
                f"Less than {_said(self.grace)}, which is the grace period, or a longer grace period.",
            ),
            (
                self.second_call_after <= timedelta(0),
                "second_call_after",
                "The second call must come after due out.",
                "More than 0.",
            ),
            (
                self.heads_up_before < timedelta(0),
                "heads_up_before",
                "The heads-up cannot come after due out.",
                "0 or more.",
            ),
            (
                self.distress_after <= self.grace,
                "distress_after",
                "Distress must come after the alert.",
                f"More than {_said(self.grace)}, when the first contact is alerted.",
            ),
            (
                self.hand_up_after <= self.distress_after,
                "hand_up_after",
                "The hand-up must come after distress.",
                f"More than {_said(self.distress_after)}, when all contacts are told to call rescue.",
            ),
            (
                self.next_contact_every < _minutes(1),
                "next_contact_every",
                "Contacts must be at least 1 minute apart.",
                "1 minute or more.",
            ),
            (
                self.distress_every < _minutes(2),
                "distress_every",
                "Distress may be repeated every 2 minutes at most.",
                "2 minutes or more.",
            ),
            *self._of_start_and_waiting(),
            *self._too_long(),
        ]
        return tuple(Contradiction(setting, words, right) for wrong, setting, words, right in found if wrong)

    def _of_start_and_waiting(self) -> tuple[tuple[bool, str, str, str], ...]:
        """What can be wrong with the question about the start, with extensions and with how long is waited."""
        least = timedelta(seconds=30)
        return (
            (
                self.assume_started_after < self.ask_started_after,
                "assume_started_after",
                "A start is assumed only after it was asked about.",
                f"{_said(self.ask_started_after)} or more.",
            ),
            (
                self.ask_started_after < timedelta(0),
                "ask_started_after",
                "The start cannot be asked about before the planned time in.",
                "0 or more.",
            ),
            (
                self.extension_cap < timedelta(0),
                "extension_cap",
                "The cap on extensions cannot be negative.",
                "0 or more; 0 allows none.",
            ),
            (
                self.receipt_within < least,
                "receipt_within",
                "A receipt needs at least 30 seconds.",
                "30 seconds or more.",
            ),
            (
                self.arming_within < least,
                "arming_within",
                "A start notice needs at least 30 seconds.",
                "30 seconds or more.",
            ),
            (
                self.arming_within >= self.grace,
                "arming_within",
                "The diver must hear that nobody was told before the alarm is due.",
                f"Less than {_said(self.grace)}, which is the grace period.",
            ),
        )

    def _too_long(self) -> tuple[tuple[bool, str, str, str], ...]:
        """What nobody means: a slip of the finger, 200 for 20, must not keep an alarm from anybody for hours.

        A dive that was filed with longer ones keeps them. The bounds are ours.
        """
        bounds = (
            (timedelta(0), _minutes(60), "heads_up_before", "The heads-up must come within {} of due out."),
            (timedelta(0), _minutes(30), "next_contact_every", "Contacts must be at most {} apart."),
            (self.grace, _minutes(60), "distress_after", "Distress must come within {} of the alert."),
            (timedelta(0), _minutes(30), "distress_every", "Distress must be repeated within {}."),
            (self.distress_after, _minutes(120), "hand_up_after", "The hand-up must come within {} of distress."),
            (
                timedelta(0),
                _minutes(60),
                "ask_started_after",
                "The start must be asked about within {} of the planned time in.",
            ),
            (
                timedelta(0),
                _minutes(120),
                "assume_started_after",
                "What becomes of a plan that nobody starts must be decided within {} of its time in.",
            ),
            (timedelta(0), _minutes(180), "extension_cap", "Extensions must be at most {} in all."),
            (timedelta(0), _minutes(10), "receipt_within", "A receipt must be waited for {} at most."),
            (timedelta(0), _minutes(5), "arming_within", "The diver must hear within {} that nobody was told."),
        )
        return tuple(
            (getattr(self, name) > begins + most, name, words.format(_said(most)), f"{_said(begins + most)} or less.")
            for begins, most, name, words in bounds
        )

    def problems(self) -> tuple[str, ...]:
        """What contradicts what, in words for an admin; empty when all is well."""
        return tuple(one.words for one in self.contradictions())

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
