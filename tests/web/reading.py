"""Looking at pages as a browser would: their inputs, labels, links and buttons."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "link", "input", "br", "img", "hr"}


@dataclass
class Page(HTMLParser):
    """What a page holds, by kind of element."""

    text: str
    elements: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    open_tags: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()
        self.feed(self.text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note the element."""
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self.open_tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Every end belongs to the last beginning."""
        assert self.open_tags, f"</{tag}> ends nothing"
        assert self.open_tags.pop() == tag, f"</{tag}> ends another element"

    def all(self, *tags: str) -> list[dict[str, str]]:
        """The attributes of every element of these kinds."""
        return [attributes for tag, attributes in self.elements if tag in tags]

    @property
    def ids(self) -> list[str]:
        """Every id, in order."""
        return [attributes["id"] for _, attributes in self.elements if "id" in attributes]

    def unlabelled(self) -> list[str]:
        """Inputs for people that no label names."""
        labelled = {label.get("for") for label in self.all("label")}
        return [
            one.get("name", "?")
            for one in self.all("input", "select", "textarea")
            if one.get("type") != "hidden" and one.get("id") not in labelled
        ]

    def addresses(self) -> list[str]:
        """Every address that the page leads to, loads or posts to."""
        return [
            value
            for _, attributes in self.elements
            for name, value in attributes.items()
            if name in {"href", "src", "action", "formaction", "data"}
        ]
