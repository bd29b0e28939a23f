"""Whether somebody will be a shore contact: what it means at length, and the two buttons.

Opening it changes nothing. A button counts only with the two characters that are printed in the text, as on an alarm
page and for the same reason: what opens links to look at them may press buttons too. One that agreed would be a proof
that nobody gave, one that declined would take a contact from a dive.
"""

from __future__ import annotations

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue

from service.domain.wording import LinkKind
from service.operations.consenting import say_on_page
from service.operations.pages import LinkView, receiving_number
from service.operations.proof_of_reach import standings
from service.web.access import Who, open_to
from service.web.context import web
from service.web.links import opened
from service.web.typed import reference_typed

pages = Blueprint("contact", __name__)

WRONG_REFERENCE = (
    "That is not the reference in your text, so nothing changed. It is two characters, a digit and a letter, after"
    " \N{LEFT DOUBLE QUOTATION MARK}Reply AGREE\N{RIGHT DOUBLE QUOTATION MARK}."
)
NO_BUTTON = "Use one of the two buttons. Nothing changed."
NOTED = {
    "agree": "Noted that you will be a shore contact. You get the plan when they go in. Thank you.",
    "decline": "Noted that you will be no shore contact. No plan or alarm goes to you, and who named you is told."
    " You may change your mind here or by text.",
}


@pages.get("/contact/<token>")
@open_to(Who.LINK_HOLDER)
def show(token: str) -> ResponseReturnValue:
    """What a shore contact does, and what this one has said."""
    return _page(opened(token, LinkKind.CONTACT))


@pages.post("/contact/<token>")
@open_to(Who.LINK_HOLDER)
def decide(token: str) -> ResponseReturnValue:
    """One of the two buttons."""
    view = opened(token, LinkKind.CONTACT)
    pressed = request.form.get("do", "")
    if pressed not in NOTED:
        return _page(view, errors={"": NO_BUTTON}, status=422)
    if reference_typed() != view.dive.reference:
        return _page(view, errors={"reference": WRONG_REFERENCE}, status=422)
    say_on_page(web().service, view, agrees=pressed == "agree")
    return _page(opened(token, LinkKind.CONTACT), told_words=NOTED[pressed])


def _page(
    view: LinkView, *, told_words: str | None = None, errors: dict[str, str] | None = None, status: int = 200
) -> ResponseReturnValue:
    service = web().service
    page = render_template(
        "contact.html",
        dive=view.dive,
        person=view.person,
        known=next(one for one in standings(service, view.dive) if one.key == view.person.key),
        number=receiving_number(service, view.dive.club_id),
        told_words=told_words,
        errors=errors or {},
        typed=request.form.to_dict() if request.method == "POST" else {},
    )
    return page, status
