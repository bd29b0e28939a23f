"""What this is, for whoever comes by."""

from __future__ import annotations

from flask import Blueprint, render_template

from service.web.access import Who, open_to

pages = Blueprint("home", __name__)


@pages.get("/")
@open_to(Who.ANYONE)
def home() -> str:
    """What Linetender does and what it cannot do."""
    return render_template("home.html")


@pages.get("/robots.txt")
@open_to(Who.ANYONE)
def robots() -> tuple[str, dict[str, str]]:
    """Nothing here is for an index."""
    return "User-agent: *\nDisallow: /\n", {"Content-Type": "text/plain; charset=utf-8"}
