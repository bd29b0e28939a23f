"""All parts of the desk, to be put into the web process."""

from __future__ import annotations

from flask import Flask

from service.web.desk import (
    accounts,
    board,
    club,
    dives,
    drills,
    erasing,
    figures,
    gateways,
    grace,
    held,
    invitation,
    log,
    log_dive,
    log_keeping,
    messages,
    own_account,
    paper,
    people,
    people_files,
    people_merging,
    screens,
    sending,
    sign_in,
    site_editor,
    site_files,
    sites,
)
from service.web.desk.places import places_for
from service.web.desk.sitting import form_token, sitter

BLUEPRINTS = (
    sign_in.pages,
    board.pages,
    dives.pages,
    drills.pages,
    held.pages,
    sites.pages,
    site_editor.pages,
    site_files.pages,
    sending.pages,
    people.pages,
    people_files.pages,
    people_merging.pages,
    erasing.pages,
    messages.pages,
    gateways.pages,
    grace.pages,
    figures.pages,
    club.pages,
    paper.pages,
    screens.pages,
    accounts.pages,
    invitation.pages,
    own_account.pages,
    log.pages,
    log_dive.pages,
    log_keeping.pages,
)


def set_up_desk(app: Flask) -> None:
    """Serve the desk. Its templates have `desk`, `places` and `form_token` without being handed them."""
    for blueprint in BLUEPRINTS:
        app.register_blueprint(blueprint)
    app.jinja_env.globals["form_token"] = form_token
    app.context_processor(_at_hand)


def _at_hand() -> dict[str, object]:
    found = sitter()
    return {} if found is None else {"desk": found, "places": places_for(found.admin.role)}
