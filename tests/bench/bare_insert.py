"""The least that anybody could do with a text that comes in: one insert, one commit, no signature, no log."""

from __future__ import annotations

import os

from flask import Flask, Response, request
from sqlalchemy import create_engine, text

app = Flask("bare_insert")
engine = create_engine(os.environ["BENCH_DATABASE_URL"])
INSERT = text("INSERT INTO bare_texts (sid, sender, receiver, body) VALUES (:MessageSid, :From, :To, :Body)")


@app.post("/inbound/shore/text")
def take() -> Response:
    """Keep it and say so."""
    with engine.begin() as connection:
        connection.execute(INSERT, request.form.to_dict())
    return Response("<Response/>", content_type="text/xml")
