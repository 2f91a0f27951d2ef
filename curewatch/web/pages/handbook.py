"""The handbook as pages: each topic's Markdown made into HTML, whatever HTML stood in it escaped."""

from __future__ import annotations

import re
from functools import cache

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
    listed = [(topic, handbook.title(topic), about) for topic, about in handbook.TOPICS.items()]
    return page(request, "handbook.html", site.clock.now(), topics=listed, text=None)


@router.get("/help/{topic}")
def topic(request: Request, site: Here, topic: str) -> HTMLResponse:
    """One topic, which the page's alarms and milestones link into."""
    if topic not in handbook.TOPICS:
        raise HTTPException(404)
    made = as_html(handbook.read(topic), f"{site.settings.prefix}/help")
    every = list(handbook.TOPICS)
    then = next(iter(every[every.index(topic) + 1 :]), None)
    following = (then, handbook.title(then)) if then else None
    return page(request, "handbook.html", site.clock.now(), topics=(), text=made, following=following)


@cache
def as_html(markdown: str, base: str) -> str:
    """Headings can be linked to, links to other topics lead below `base`, and what is wide scrolls by keyboard too."""
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = reader.parse(markdown)
    for at, token in enumerate(tokens):
        if token.type == "heading_open":
            token.attrSet("id", slug(tokens[at + 1].content))
        elif token.type == "fence":
            token.type, token.content = "html_block", _code(reader, token)
        for inner in token.children or ():
            if inner.type == "link_open":
                inner.attrSet("href", re.sub(r"^(\w+)\.md", rf"{base}/\1", str(inner.attrGet("href"))))
    return str(reader.renderer.render(tokens, reader.options, {}))


def _code(reader: MarkdownIt, token: Token) -> str:
    """A block of code, which people without a pointer can scroll sideways."""
    opening = '<pre tabindex="0" role="region" aria-label="Commands and what they print">'
    return str(reader.renderer.render([token], reader.options, {})).replace("<pre>", opening, 1)


def slug(heading: str) -> str:
    """A heading as the end of a link: `No fresh data` is `no-fresh-data`."""
    return "-".join(re.findall(r"\w+", heading.lower()))
