"""A form about one person: what was typed, and what is wrong with it field by field."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from service.domain.plan import CONTACTS_MAX
from service.operations.people import Person, PersonTyped
from service.operations.plan_reading import NamedPhone

CONTACTS = range(1, CONTACTS_MAX + 1)
_OWN = ("name", "phone", "language", "notes")
_OF_CONTACT = ("name", "phone", "email", "language")
FIELDS = (*_OWN, *(f"contact_{n}_{part}" for n in CONTACTS for part in _OF_CONTACT))
_TYPED_MAX = 2_000


@dataclass(frozen=True, slots=True)
class PersonForm:
    """As the page shows it again. `ways` are those of contacts that were set elsewhere: the form keeps them."""

    values: Mapping[str, str]
    errors: Mapping[str, str] = field(default_factory=dict)
    readings: Mapping[str, str] = field(default_factory=dict)
    ways: Sequence[tuple[str, tuple[str, ...]]] = ()

    def typed(self) -> PersonTyped:
        """The person that was typed."""
        ways = dict(self.ways)
        contacts = tuple(
            NamedPhone(
                self.values[f"contact_{n}_name"],
                self.values[f"contact_{n}_phone"],
                self.values[f"contact_{n}_email"],
                self.values[f"contact_{n}_language"],
                ways.get(self.values[f"contact_{n}_phone"], ()),
            )
            for n in CONTACTS
        )
        own = self.values
        return PersonTyped(own["name"], own["phone"], own["language"], own["notes"], contacts)

    def with_errors(self, wrong: Mapping[str, str]) -> PersonForm:
        """The same with what is to be mended, each beside the input that it belongs to."""
        return PersonForm(self.values, {_input_of(name): words for name, words in wrong.items()}, {}, self.ways)

    def in_order(self) -> Iterator[tuple[str, str]]:
        """The errors in the order of the inputs."""
        yield from ((name, self.errors[name]) for name in (*FIELDS, "consent") if name in self.errors)

    def shown(self) -> int:
        """How many contacts the form has open: those typed and one more, three at least."""
        last = max((n for n in CONTACTS if any(self.values[f"contact_{n}_{part}"] for part in _OF_CONTACT)), default=0)
        return min(max(3, last + 1), CONTACTS_MAX)


def _input_of(name: str) -> str:
    return f"{name}_phone" if name.startswith("contact_") else name


def empty_form() -> PersonForm:
    """Nothing typed yet."""
    return PersonForm(dict.fromkeys(FIELDS, ""))


def posted_form(given: Mapping[str, str], ways: Sequence[tuple[str, tuple[str, ...]]] = ()) -> PersonForm:
    """What was posted, cut to a length that a page can show again."""
    return PersonForm({name: given.get(name, "")[:_TYPED_MAX] for name in FIELDS}, ways=ways)


def form_of(person: Person) -> PersonForm:
    """The form of somebody as they are kept."""
    values = dict.fromkeys(FIELDS, "")
    values |= {"name": person.name, "phone": person.phone}
    values |= {"language": person.language or "", "notes": person.notes or ""}
    for n, contact in zip(CONTACTS, person.contacts, strict=False):
        values |= {
            f"contact_{n}_name": contact.name,
            f"contact_{n}_phone": contact.phone,
            f"contact_{n}_email": contact.email or "",
            f"contact_{n}_language": contact.language or "",
        }
    return PersonForm(values, ways=ways_of(person))


def ways_of(person: Person) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """The ways to each contact of somebody, by phone."""
    return tuple((contact.phone, contact.ways) for contact in person.contacts if contact.ways)


def differences(form: PersonForm, person: Person) -> tuple[tuple[str, str, str], ...]:
    """What stands now otherwise than it was typed: what it is called, how it stands, what was typed."""
    stands = form_of(person).values
    found = [name for name in FIELDS if stands[name] != form.values[name]]
    return tuple((_label(name), stands[name], form.values[name]) for name in found)


def _label(name: str) -> str:
    return name.replace("_", " ").capitalize()
