"""A real browser for the tests of pages: Debian's Chromium, driven by Playwright."""

import contextlib
import os
from pathlib import Path

import pytest
from needed import lacking, program

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="package")
def browser():
    """The browser. It ends with this folder's tests, since Playwright keeps an event loop running in this thread."""
    from playwright.sync_api import sync_playwright

    chromium = program("chromium")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def pages(tmp_path_factory, worker_id):
    """The pages, of which all processes of a test run share one copy."""
    from browser.pages import Pages

    own = tmp_path_factory.getbasetemp()
    return Pages((own if worker_id == "master" else own.parent) / "pages")


@pytest.fixture
def opened(browser, pages):
    """Open a page by its name."""
    from browser.opened import OpenedPage

    with contextlib.ExitStack() as stack:
        yield lambda name, **options: stack.enter_context(OpenedPage(browser, pages[name], **options))


@pytest.fixture(scope="session")
def axe_source():
    """The accessibility rules of axe-core, as a script to run in a page."""
    named = os.environ.get("LINECHECK_AXE_CORE")
    if not named:
        lacking(
            "set LINECHECK_AXE_CORE to axe-core's axe.min.js: npm ci --ignore-scripts in a copy of tests/browser's"
            " package.json and package-lock.json puts it into node_modules/axe-core"
        )
    return Path(named).read_text(encoding="utf-8")
