"""Pages of a browser that tests use one after the other: a new one costs half a second of processor time each time."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Any


@contextlib.contextmanager
def kept_page(
    browser: Any,
    width: int = 1280,
    height: int = 720,
    *,
    media: str = "null",
    number: int = 0,
    **heard: Callable[[Any], None],
) -> Iterator[Any]:
    """Yield the browser's page of that number, in that size, for that medium ("null": as the browser chooses).

    Args:
        heard: What is called meanwhile, by the page's event.
    """
    page = browser.contexts[number].pages[0] if len(browser.contexts) > number else browser.new_page()
    page.set_viewport_size({"width": width, "height": height})
    page.emulate_media(media=media)
    for event, listener in heard.items():
        page.on(event, listener)
    try:
        yield page
    finally:
        for event, listener in heard.items():
            page.remove_listener(event, listener)
