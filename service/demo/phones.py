"""The practice phones and one dive, as the tour sees them over HTTP; prints what is new at each look."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import httpx

HTTP_WITHIN_S: Final = 10.0
# Entries that only repeat what the conversations show.
SAID_BY_OTHERS: Final = frozenset({"messages", "text_read"})
CAME_THROUGH: Final = frozenset({"handed", "delivered"})

Json = dict[str, Any]


@dataclass
class Phones:
    """What every phone has sent and got, and the log of the dive. One look asks the web process for both."""

    url: str
    token: str
    zone: ZoneInfo
    say: Callable[[str], None]
    dive_id: str = ""
    dive: Json = field(default_factory=dict)
    phones: list[Json] = field(default_factory=list)
    _seen: set[str] = field(default_factory=set)
    _entries: int = 0

    def __post_init__(self) -> None:
        # No proxy of the environment: it all stays on this machine.
        self._client = httpx.Client(base_url=self.url, timeout=HTTP_WITHIN_S, trust_env=False)

    def close(self) -> None:
        """Give the connections back."""
        self._client.close()

    def file(self, plan: Json) -> Json:
        """File a plan through the API; gives the answer."""
        answer = self._client.post("/api/v1/plans", json=plan, headers=self._bearer()).raise_for_status()
        filed: Json = answer.json()
        self.dive_id = filed["id"]
        return filed

    def text(self, phone: str, body: str) -> None:
        """Type a text on a practice phone."""
        self._client.post(
            "/practice/text", data={"phone": phone, "body": body}, headers={"Accept": "application/json"}
        ).raise_for_status()

    def answer_call(self, phone: str, key: str) -> None:
        """Take the call that rings on a practice phone, and press a key."""
        self._client.post(
            "/practice/call", data={"phone": phone, "do": "key", "key": key}, headers={"Accept": "application/json"}
        ).raise_for_status()

    def press(self, page: str, fields: dict[str, str]) -> None:
        """Press a button of a page, or send it what its script would."""
        self._client.post(page, data=fields).raise_for_status()

    def page(self, url: str) -> str:
        """A page as it comes."""
        return self._client.get(url).raise_for_status().text

    def file_at(self, url: str) -> bytes:
        """A file as it comes."""
        return self._client.get(url).raise_for_status().content

    def look(self) -> None:
        """See what is new on the phones and in the log, and print it in the order of time."""
        self.phones = self._client.get("/practice/state.json").raise_for_status().json()["phones"]
        news = [line for phone in self.phones for line in self._new_on(phone)]
        if self.dive_id:
            answer = self._client.get(f"/api/v1/dives/{self.dive_id}", headers=self._bearer()).raise_for_status()
            self.dive = answer.json()
            news += self._new_entries()
        for _, line in sorted(news, key=lambda new: new[0]):
            self.say(line)

    def heard(self, phone: str, words: str) -> bool:
        """Whether a phone has got a text that contains these words."""
        return any(words in text["body"] for text in self.got(phone))

    def got(self, phone: str) -> list[Json]:
        """All texts that a phone has got, first to last."""
        found = [one["messages"] for one in self.phones if one["phone"] == phone]
        return [text for texts in found for text in texts if text["direction"] == "to_phone"]

    def calls(self, phone: str) -> list[Json]:
        """All calls to a phone, first to last; `ringing` says of each whether it still does, `ended` how it ended."""
        found = [one["calls"] for one in self.phones if one["phone"] == phone]
        return [call for calls in found for call in calls]

    def was_sent(self, phone: str, kind: str) -> bool:
        """Whether a message of that kind about this dive came through to a phone, by the service's own account."""
        return any(
            message["phone"] == phone and message["kind"].lower() == kind and message["state"] in CAME_THROUGH
            for message in self.dive.get("messages", [])
        )

    def told(self) -> list[tuple[str, str]]:
        """Phone and name of everybody to whom any message about this dive came through."""
        return sorted(
            {
                (message["phone"], message["name"])
                for message in self.dive.get("messages", [])
                if message["state"] in CAME_THROUGH
            }
        )

    def mails(self, phone: str) -> list[Json]:
        """All e-mails to the owner of a phone, first to last."""
        return [mail for one in self.phones if one["phone"] == phone for mail in one["mails"]]

    def _new_on(self, phone: Json) -> list[tuple[datetime, str]]:
        return [*self._new_texts(phone), *self._new_calls(phone), *self._new_mails(phone)]

    def _new_mails(self, phone: Json) -> list[tuple[datetime, str]]:
        new = [mail for mail in phone["mails"] if mail["sid"] not in self._seen]
        self._seen |= {mail["sid"] for mail in new}
        told = [(datetime.fromisoformat(mail["at"]), mail["subject"]) for mail in new]
        return [(at, f"{self._time(at)}  Linetender -> {phone['name']} (e-mail): {subject}") for at, subject in told]

    def _new_calls(self, phone: Json) -> list[tuple[datetime, str]]:
        news = []
        for call in phone["calls"]:
            # A call is new twice: when it comes, and when it has ended.
            seen = f"{call['sid']} {call['ended']}"
            if seen in self._seen:
                continue
            self._seen.add(seen)
            at = datetime.fromisoformat(call["at"])
            how = "calls" if call["ended"] is None else call["ended"]
            news.append((at, f"{self._time(at)}  Linetender -> {phone['name']} ({how}): {call['body']}"))
        return news

    def _new_texts(self, phone: Json) -> list[tuple[datetime, str]]:
        news = []
        for text in phone["messages"]:
            if text["sid"] in self._seen:
                continue
            self._seen.add(text["sid"])
            ends = ("Linetender", phone["name"]) if text["direction"] == "to_phone" else (phone["name"], "Linetender")
            at = datetime.fromisoformat(text["at"])
            news.append((at, f"{self._time(at)}  {ends[0]} -> {ends[1]}: {text['body']}"))
        return news

    def _new_entries(self) -> list[tuple[datetime, str]]:
        news = []
        for entry in self.dive["events"][self._entries :]:
            if entry["kind"] in SAID_BY_OTHERS:
                continue
            at = datetime.fromisoformat(entry["at"])
            who = (entry["actor"] or {}).get("name", "")
            detail = entry["detail"] or {}
            facts = " ".join(f"{name}={detail[name]}" for name in ("step", "person", "carried_by") if detail.get(name))
            news.append((at, f"{self._time(at)}      log {entry['seq']:>3} {entry['kind']} by {who} {facts}".rstrip()))
        self._entries = len(self.dive["events"])
        return news

    def _time(self, at: datetime) -> str:
        return f"{at.astimezone(self.zone):%H:%M:%S}"

    def _bearer(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.token}"}
