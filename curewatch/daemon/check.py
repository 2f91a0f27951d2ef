"""Whether the page answers where people open it."""

from __future__ import annotations

import requests

from curewatch.settings import SettingsError, WebSettings

WITHIN_S = 3.0
MARK = "content-security-policy"
"""A header that every answer of ours carries: another program on that port is told apart by it."""


def page_trouble(settings: WebSettings) -> str | None:
    """What keeps the page from being opened, for people; None where it answers.

    Asked for is a file that is handed out without a password, at the address that the daemon serves on.
    """
    try:
        settings.password_hash()
    except SettingsError as error:
        return str(error)
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(settings.host, settings.host)
    url = f"http://{f'[{host}]' if ':' in host else host}:{settings.port}/static/page.css"
    try:
        with requests.Session() as session:
            session.trust_env = False  # a proxy of the machine has nothing to do with its own page
            answer = session.get(url, timeout=WITHIN_S, allow_redirects=False)
    except requests.RequestException as error:
        return f"nothing answers at {url.removesuffix('/static/page.css')} ({_why(error)})"
    if answer.status_code != 200 or MARK not in answer.headers:
        return f"something else answers on port {settings.port}: web.port in the settings names another"
    return None


def _why(error: requests.RequestException) -> str:
    if isinstance(error, requests.Timeout):
        return f"not within {WITHIN_S:g} s"
    return "the connection was refused or broken off"
