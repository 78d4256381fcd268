"""What a browser may do with a page of ours: apply the one style sheet in it, show pictures that lie in it. Pure.

Source: Content Security Policy Level 3 (W3C): 6.1 fetch directives, 2.3.1 hash sources; 3.3 the `meta` element.
"""

from __future__ import annotations

import base64
import hashlib
import re

_START = re.compile(r"<head>\n?|\s*<!doctype[^>]*>", re.IGNORECASE)


def guarded(page: str, css: str) -> str:
    """Return the page with a policy before anything that it governs: first in the head, as the standard asks.

    No script runs, nothing is fetched, no form is sent, and of styles only `css` applies, which is known by its hash:
    a text that came through unescaped could neither act nor disguise anything. Where a template of the shop's own has
    no `<head>`, the policy stands behind the document type, and a browser begins the head with it.
    """
    meta = f'<meta http-equiv="Content-Security-Policy" content="{_policy(css)}">\n'
    at = page.find("<head>") if "<head>" in page else 0
    found = _START.match(page, at)
    end = 0 if found is None else found.end()
    return page[:end] + meta + page[end:]


def _policy(css: str) -> str:
    # A template may put line ends around the style sheet; the hash is one of every character between the tags.
    sheets = " ".join(_hash(text) for text in (css, f"\n{css}\n"))
    return f"default-src 'none'; style-src {sheets}; img-src data:; base-uri 'none'; form-action 'none'"


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
