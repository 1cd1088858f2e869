"""Headless Chromium from the system. Without one the tests fail with the line that installs it."""

from __future__ import annotations

import os
import shutil

import pytest

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")
INSTALL = "apt-get update && apt-get install -y --no-install-recommends chromium fonts-dejavu-core"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def browser():
    from playwright.sync_api import sync_playwright

    if CHROMIUM is None:
        pytest.fail(f"no Chromium found; install it with: {INSTALL}", pytrace=False)
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield found
        found.close()


@pytest.fixture
def page(browser):
    """A fresh page without a network."""
    context = browser.new_context(offline=True, viewport={"width": 1440, "height": 1000})
    yield context.new_page()
    context.close()
