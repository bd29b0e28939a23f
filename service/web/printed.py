"""Printed sheets as answers: which paper and language somebody chose, and the file."""

from __future__ import annotations

from typing import Final

from flask import Response, make_response, render_template, request
from flask.typing import ResponseReturnValue
from werkzeug.exceptions import abort

from service.documents import plan_card
from service.documents.paper import MEDIA_TYPE, Paper
from service.documents.plan_card import PlanCard
from service.domain.language import LANGUAGES

PAPER_NAMES: Final = {Paper.A4: "A4", Paper.LETTER: "US letter"}


def chosen() -> tuple[Paper, str]:
    """The paper and the language of the address; A4 and English where it has none. Others answer 404."""
    paper, language = request.args.get("paper", Paper.A4), request.args.get("language", LANGUAGES[0])
    if paper not in list(Paper) or language not in LANGUAGES:
        abort(404)
    return Paper(paper), language


def sheet(body: bytes, name: str) -> Response:
    """A file to print; its name has no name of a person."""
    response = make_response(body)
    response.headers["Content-Type"] = MEDIA_TYPE
    response.headers["Content-Disposition"] = f'attachment; filename="linetender-{name}.pdf"'
    return response


def printed_card(card: PlanCard) -> ResponseReturnValue:
    """The card of a plan in the paper and language that were chosen."""
    paper, language = chosen()
    try:
        body = plan_card.to_pdf(card, paper, language)
    except ValueError as error:
        return too_long(error)
    return sheet(body, f"plan-card-{card.reference or 'blank'}")


def too_long(error: ValueError) -> ResponseReturnValue:
    """Nothing is printed that lacks its end."""
    words = f"Nothing was printed, since it would lack its end: {error}. Shorten a name and try again."
    return render_template("error.html", title="That does not fit on one page", words=words), 422
