"""How people put it: bare, twice, with counts, in the wrong words, too early, or about a dive that is not theirs."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

from tests.simulation.cases import Case
from tests.simulation.habits import ALARMED, STRANGE

# Behind a "no", a comma or what was found: cries all the same.
CRIES = (
    *("No. Help", "no, lost Bram", "bad vis, lost Bram", "found SMB, missing diver", "he doesnt breathe", "SOSSOS"),
    *("no longer breathing", "wont wake up", "ok but she is missing"),
)
DENIALS = ("no help needed", "nobody is missing", "lost my mask", "signal lost")
THANKS = ("OK", "ok thanks", "OK {ref}", "Ok!")
_CODES = re.compile(r" ?\{(?:start|finish|ref)\}")


class Bare(Case):
    """No code and no reference, until they are asked which."""

    name = "bare"

    def filed(self) -> None:
        """From now on."""
        self.occurs()

    def puts(self, phone: str, words: str, *, again: bool) -> str:
        """Their own dive is the only one that they know of."""
        if not self.of_party(phone):
            return words
        if again:
            return words if "{" in words.replace("{n}", "") else f"{words} {{ref}}"
        return _CODES.sub("", words) or ("IN" if words == "{start}" else "OUT")


class Repeats(Case):
    """Whatever is texted is texted twice: the phone does it, or the thumb."""

    name = "repeats"

    def texts(self, phone: str, said: str, means: set[str]) -> str:
        """And again after some seconds."""
        if self.of_party(phone):
            self.occurs()
            after_s = self.chance.choice((0.5, 3.0, 12.0, 40.0)) * self.chance.uniform(0.5, 1.5)
            self.world.loop.after(after_s, lambda: self.world.text(phone, said, means, self.party.receiver))
        return super().texts(phone, said, means)


class Counts(Case):
    """Counts that say how many the party is, right and wrong, and some who go in beside it."""

    name = "counts"
    more = ("grows",)

    def in_water(self, ends: datetime) -> None:
        """One more goes in, or some come out first, or a count is of no party of theirs."""
        party, more = self.party, self.chance.random() < 0.6
        self.occurs()
        if more:
            party.at(self.world.loop.now + timedelta(minutes=self.chance.uniform(0.5, 4)), self.one_more)
        wrong = (f"OUT {party.count} of {party.count + 2}", "1 of {n} out", "SAFE 1/{n}")
        for words in self.chance.sample(wrong if party.count > 1 else wrong[:1], min(party.count, 2)):
            phone = party.contacts[0].phone if words.startswith("SAFE") else party.lead
            self.says_at(self.before(ends, 2, 12), phone, words, means_it="{n}" in words)

    def one_more(self) -> None:
        """The count that they have grows once we have it."""
        party, most = self.party, self.party.count + 1
        self.occurs("grows")

        def grown() -> bool:
            assert party.dive is not None
            found = self.world.database.row("SELECT head_count FROM dives WHERE id = ?", party.dive.id)
            if found is not None and found[0] == most:
                party.count = most
            return party.count == most or party.phase() == "closed"

        party.insist(party.lead, f"IN P{most}", grown)

    def puts(self, phone: str, words: str, *, again: bool) -> str:
        """An end has its count and that of the party."""
        ends = {"OUT {n}": "OUT {n} of {n}", "OUT": "{n}/{n} out", "all out": "{n} of {n} out"}
        return words if again or phone == STRANGE else ends.get(words, words)


class Cries(Case):
    """Words of trouble behind others that deny something else, and such that deny the trouble itself."""

    name = "cries"
    more = ("denies",)

    def in_water(self, ends: datetime) -> None:
        """Most cry; the others have lost no more than a mask."""
        party, cries = self.party, self.chance.random() < 0.7
        words = self.chance.choice(CRIES if cries else DENIALS)
        self.occurs("cries" if cries else "denies")
        at = self.before(ends, 1, party.minutes * 0.8)
        if cries:
            party.at(at, lambda: party.insist(party.lead, words, lambda: party.phase() in (*ALARMED, "closed")))
        else:
            party.at(at, lambda: party.says(party.lead, words, means_it=False))

    def texts(self, phone: str, said: str, means: set[str]) -> str:
        """Which they are, only they know."""
        name = super().texts(phone, said, means)
        if said in CRIES:
            self.world.truth.cried(name, said)
        elif said in DENIALS:
            self.world.truth.is_calm(phone, said)
        return name


class Thanks(Case):
    """A contact says OK to the plan, or about when the alarm is on its way, and then has to say it again."""

    name = "thanks"
    more = ("thanks_late",)

    def prepare(self) -> None:
        """They are late, so that there is an alarm, and somebody acts on it."""
        self.party.fate = self.chance.choice(("overdue", "missing", self.party.fate))
        self.party.contacts[0].character = "acts"

    def hears(self, phone: str, kind: str) -> None:
        """Whoever has read the plan thanks for it."""
        if kind == "start_notice" and phone == self.party.contacts[0].phone:
            self.occurs()
            self.party.contacts[0].say(self.chance.choice(THANKS), self.chance.uniform(0.3, 5))

    def in_water(self, ends: datetime) -> None:
        """And once more when it gets late."""
        if self.chance.random() < 0.6:
            self.occurs("thanks_late")
            contact, party = self.party.contacts[0], self.party
            at = ends + timedelta(minutes=self.chance.uniform(13, 17))
            party.at(at, lambda: party.says(contact.phone, "OK"))


class Others(Case):
    """Words of a diver from a contact, of a contact from a diver, and either from somebody on the beach."""

    name = "others"

    def in_water(self, ends: datetime) -> None:
        """Two of these, sometime before they are due out."""
        party = self.party
        leads = {one.lead for one in self.world.planned}  # whose OUT is of their own dive
        ashore = next((one.phone for one in reversed(party.contacts) if one.phone not in leads), STRANGE)
        choice = (
            *((ashore, "SAFE {n}"), (ashore, "OUT {n}"), (ashore, "NOGO"), (ashore, "IN"), (ashore, "SOS")),
            *((party.lead, "SAFE {n}"), (party.lead, "OK"), (party.lead, "CALLED"), (party.lead, "DECLINE")),
            *((STRANGE, words) for words in ("OUT", "SOS", "SAFE {n}", "OUT {ref}", "NOGO {ref}")),
            *((self.world.planned[0].lead, words) for words in ("OUT {ref}", "SAFE {n} {ref}")),
        )
        for phone, words in self.chance.sample(choice, 2):
            self.occurs()
            at = self.before(ends, -20, party.minutes * 0.9)
            self.says_at(at, phone, words, means_it=self.of_party(phone))


class Stops(Case):
    """STOP in mid-dive, and back again, from the lead or from a contact."""

    name = "stops"

    def in_water(self, ends: datetime) -> None:
        """Before they are due out; back before the alarm or during it."""
        party = self.party
        phone = self.chance.choice((party.lead, party.contacts[0].phone))
        at = self.before(ends, 1, party.minutes * 0.9)
        party.at(at, lambda: (self.occurs(), party.says(phone, "STOP")))
        party.at(at + timedelta(minutes=self.chance.uniform(0.2, 40)), lambda: party.says(phone, "START"))


class Found(Case):
    """Rescue is called, and then they come out by themselves while others still report."""

    name = "found"

    def prepare(self) -> None:
        """They are late, and who has the alarm does not wait for them."""
        self.party.fate = "overdue"
        self.party.contacts[0].character = "acts"
        self.called = False

    def hears(self, phone: str, kind: str) -> None:
        """One calls, and they are out a while later; what both report may cross."""
        party, chance = self.party, self.chance
        if kind not in ("alert", "distress") or self.called or phone != party.contacts[0].phone:
            return
        self.called = True
        self.occurs()
        after = chance.uniform(1, 5)
        party.contacts[0].say(chance.choice(("CALLED", "CALLED 4711")), after)
        out_after = max(after + chance.uniform(-0.5, 25), 0.1)
        party.after(out_after, party.finish)
        party.contacts[-1].say("CALLED {ref}", out_after + chance.uniform(-1, 1))
        party.contacts[0].say("SAFE {n}", out_after + chance.uniform(-0.5, 3))


OF_WORDS = (Bare, Repeats, Counts, Cries, Thanks, Others, Stops, Found)
