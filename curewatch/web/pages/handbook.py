"""The handbook as pages: each topic's Markdown made into HTML, whatever HTML stood in it escaped."""

from __future__ import annotations

import re
from functools import cache
from html import escape
from itertools import pairwise

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse
from markdown_it import MarkdownIt
from markdown_it.token import Token

from curewatch import handbook
from curewatch.web.site import Here, page

router = APIRouter(include_in_schema=False)


@router.get("/help")
def topics(request: Request, site: Here) -> HTMLResponse:
    """What there is to read."""
    reader = site.reader(request)
    listed = [
        (name, handbook.title(name, reader.language), reader.read(about)) for name, about in handbook.TOPICS.items()
    ]
    return page(request, "handbook.html", site.clock.now(), topics=listed, text=None)


@router.get("/help/{topic}")
def topic(request: Request, site: Here, topic: str) -> HTMLResponse:
    """One topic, which the page's alarms and milestones link into."""
    if topic not in handbook.TOPICS:
        raise HTTPException(404)
    reader = site.reader(request)
    language, label = handbook.told_in(topic, reader.language), reader.phrase("Commands and what they print")
    made = as_html(handbook.read(topic, language), f"{site.settings.prefix}/help", handbook.read(topic), label)
    every = list(handbook.TOPICS)
    then = next(iter(every[every.index(topic) + 1 :]), None)
    following = (then, handbook.title(then, reader.language)) if then else None
    now = site.clock.now()
    return page(request, "handbook.html", now, topics=(), text=made, language=language, following=following)


@cache
def as_html(markdown: str, base: str, original: str, label: str) -> str:
    """Headings can be linked to, links to other topics lead below `base`, and what is wide scrolls by keyboard too.

    Links end in the headings of `original`, the topic in the first language, whichever it is read in.
    """
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens, ids = reader.parse(markdown), iter(_slugs(reader.parse(original)))
    for token in tokens:
        if token.type == "heading_open" and (name := next(ids, None)):
            token.attrSet("id", name)
        elif token.type == "fence":
            token.type, token.content = "html_block", _code(reader, token, label)
        for inner in token.children or ():
            if inner.type == "link_open":
                inner.attrSet("href", re.sub(r"^(\w+)\.md", rf"{base}/\1", str(inner.attrGet("href"))))
    return str(reader.renderer.render(tokens, reader.options, {}))


def _code(reader: MarkdownIt, token: Token, label: str) -> str:
    """A block of code, which people without a pointer can scroll sideways. What commands printed is English."""
    opening = f'<pre tabindex="0" role="region" aria-label="{escape(label)}">'
    code = '<code lang="en">' if token.content.startswith("$ ") else "<code>"
    made = str(reader.renderer.render([token], reader.options, {}))
    return made.replace("<pre>", opening, 1).replace("<code>", code, 1)


def _slugs(tokens: list[Token]) -> list[str]:
    return [slug(then.content) for token, then in pairwise(tokens) if token.type == "heading_open"]


def slug(heading: str) -> str:
    """A heading as the end of a link: `No fresh data` is `no-fresh-data`."""
    return "-".join(re.findall(r"\w+", heading.lower()))
