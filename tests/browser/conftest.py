"""A Chromium without network, and the pages it opens from disk.

A missing browser is an error, never a skip: ``-m "not browser"`` leaves these tests out on purpose.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import report_samples as samples
from once_a_run import made_once

from frametime.pipeline.tuning_record import write_tuning_report

CHROMIUM = os.environ.get("FRAMETIME_TEST_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The report of the small and of the hostile review, and that of a tuning record."""
    found = {}
    for name, result in (("small", samples.small()), ("hostile", samples.hostile())):
        folder = made_once(tmp_path_factory, name, partial(samples.example.write_report, result))
        found[name] = folder / "report.html"
    tuning = made_once(
        tmp_path_factory, "tuning", lambda folder: write_tuning_report(samples.tuned(), folder / "tuning.html")
    )
    return {**found, "tuning": tuning / "tuning.html"}


@dataclass
class Opened:
    """A page, and what the browser had to say about it."""

    page: Any
    messages: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@pytest.fixture
def opened(browser: Any, pages: dict[str, Path]) -> Iterator[Callable[..., Opened]]:
    contexts = []

    def open_page(name: str = "small", *, width: int = 1280, **options: Any) -> Opened:
        context = browser.new_context(offline=True, viewport={"width": width, "height": 900}, **options)
        contexts.append(context)
        result = Opened(page=context.new_page())
        result.page.on("console", lambda message: result.messages.append(f"{message.type}: {message.text}"))
        result.page.on("pageerror", lambda error: result.messages.append(f"error: {error}"))
        result.page.on("dialog", lambda dialog: (result.messages.append("dialog"), dialog.dismiss()))
        result.page.on("request", lambda request: result.requests.append(request.url))
        result.page.goto(pages[name].as_uri())
        return result

    yield open_page
    for context in contexts:
        context.close()
