"""What printed sheets say, as phrases: few and short, since they are read by people in a hurry."""

from __future__ import annotations

from typing import Final

from service.domain.language import Phrase, say
from service.domain.texts import examples

GOING_IN: Final = say("Going in")
COMING_OUT: Final = say("When all are back")
MORE_TIME: Final = say("More time")
IN_DANGER: Final = say("In danger")
TEXT_TO: Final = say("Text to")
SCAN: Final = say("Scan, check the text, send.")
RESCUE: Final = say("Rescue")
PLACE: Final = say("This place")
NOT_ARMED: Final = say("No answer with ARMED: nobody watches. Phone somebody ashore before you go in.")
CAUTION: Final = say("This is no rescue service and calls none. Texts can fail. Have a person ashore who watches.")

EXERCISE: Final = say("EXERCISE.")
IN_THE_WATER: Final = say("Divers in the water")
CALL_AT: Final = say("Nobody back at this time? Call rescue.")
SAY_THIS: Final = say("Say: divers overdue, how many, the site, this reference.")
FOLD: Final = say("Fold here. Only the upper half is for the window.")
INSIDE: Final = say("For rescue, inside")
SITE: Final = say("Site")
DIVERS: Final = say("Divers")
REFERENCE: Final = say("Reference")
CLUB: Final = say("Club")
TIME_IN: Final = say("Time in")
DUE_OUT: Final = say("Due out")
RAISE_BY: Final = say("Raise-by time")
CONTACTS: Final = say("Shore contacts")
NOTES: Final = say("Notes")

CONTACT: Final = say("You are a shore contact")
FOR: Final = say("For")
PHONE: Final = say("Phone")
ONE: Final = say("They go in: you get a text with the plan and the raise-by time. Keep it.")
TWO: Final = say("Nothing heard by the raise-by time? Call them, then rescue. Also if no text of ours comes.")
THREE: Final = say("A text says that they are overdue? Call them, then rescue, and answer it:")
I_ACT: Final = say("you act")
I_CALLED: Final = say("you have called rescue")
TEXTS_FROM: Final = say("Our texts come from")
REAL: Final = say("A text that begins with EXERCISE is a drill.")


def start_means(minutes: int, count: int) -> Phrase:
    """What stands in the text of a start."""
    return say(
        "{minutes}: minutes until you are out. {people}: how many go in.",
        minutes=minutes,
        people=examples.people(count),
    )


def safe_means(count: int) -> Phrase:
    """What a contact says with a count."""
    return say("all {count} are safe", count=count)


def reference_means() -> Phrase:
    """What stands for the reference in the examples."""
    return say("{ref} stands for the reference in the text.", ref=examples.REFERENCE)
