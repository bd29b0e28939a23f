"""No file names the machine it was written on, a place to fetch from, or how it was made."""

from __future__ import annotations

import re

import pytest

from tests.rules.source import texts

# In pieces, so that this file keeps its own rule.
PLACES = [
    *(("/", "work/"), ("/tm", "p/lt"), ("/", "root/"), ("/opt/", "pypi"), ("/opt/", "wheels")),
    *(("/etc/", "xdg"), (r"\.", "pyenv"), (r"(?<![\w/.])", "share", "d/")),
]
HOSTS = [
    *(("pypi", r"\.org"), ("python", "hosted"), ("npm", r"js\.(com|org)"), ("deb", r"\.debian\.")),
    *(("proxy", r"\.golang"), ("crates", r"\.io")),
]
MAKERS = [
    *(
        (r"\b", r"c[l]aude\b"),
        ("anth", "ropic"),
        (r"\b", r"l[l]ms?\b"),
        (r"\b", r"(chat)?g[p]t\b"),
        ("copi", "lot"),
    ),
    *(
        ("language ", "model"),
        ("seed ", "document"),
        ("issue ", "tracker"),
        ("issues ", "show"),
        ("sub", "agent"),
    ),
    *(("this ", "workplace"), (r"\b", r"issue #?\d")),
]
CASED = [(r"\b", r"A[I]\b"), (r"\b", r"C[E]O\b")]

FORBIDDEN = [
    *(re.compile("".join(pieces), re.IGNORECASE) for pieces in PLACES + HOSTS + MAKERS),
    *(re.compile("".join(pieces)) for pieces in CASED),
]


def breaches(text: str) -> list[str]:
    """Every forbidden word in a text, with the number of its line."""
    return [
        f"{number}: {found[0]}"
        for number, line in enumerate(text.splitlines(), start=1)
        for pattern in FORBIDDEN
        for found in [pattern.search(line)]
        if found
    ]


def test_no_file_says_what_is_not_the_projects_to_say() -> None:
    """No file holds a path of one machine, the host of a package registry, or words of how it was made."""
    assert [f"{path}:{breach}" for path, text in texts() for breach in breaches(text)] == []


@pytest.mark.parametrize(
    "line",
    [
        *(
            "see /" + "work/x",
            "https://pypi" + ".org/simple",
            "from the seed " + "document",
            "A" + "I wrote this",
        ),
        *("as in shared" + "/design.md", "closes issue" + " #2", "/" + "root/.cache"),
    ],
)
def test_a_forbidden_word_is_seen(line: str) -> None:
    """The rule sees each kind of word that it forbids."""
    assert len(breaches(line)) == 1


@pytest.mark.parametrize(
    "line",
    ["he said so again", "a shared plan", "workers/app.py", "a certain issue"],
)
def test_an_ordinary_word_is_let_through(line: str) -> None:
    """The rule leaves ordinary words alone."""
    assert breaches(line) == []
