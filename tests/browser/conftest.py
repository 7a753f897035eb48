"""Fixtures of all tests in a browser."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Error, expect, sync_playwright

from tests.browser.opened import PHONE, WIDE, launch

expect.set_options(timeout=30_000)  # also on a busy machine


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """`walked`: the size of the screen on which a walk of many steps is made. A phone; in the long form wide, too."""
    if "walked" in metafunc.fixturenames:
        sizes = {"390": PHONE, "1280": WIDE} if metafunc.config.getoption("--long") else {"390": PHONE}
        metafunc.parametrize("walked", sizes.values(), ids=sizes.keys())


@pytest.fixture(scope="package")
def browser(long_form: bool) -> Iterator[Browser]:
    """One for the files of this folder that follow one another."""
    with sync_playwright() as playwright:
        opened = launch(playwright, windowless=not long_form)
        yield opened
        opened.close()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """With a failure: what stood on each open page, and what the pages' server of the test logged."""
    report = yield
    opened: Any = item.funcargs.get("browser") if isinstance(item, pytest.Function) else None
    if report.failed and opened is not None:
        for page in [page for context in opened.contexts for page in context.pages]:
            try:
                report.sections.append((f"page {page.url}", page.inner_text("body", timeout=2000)[:3000]))
            except Error as error:
                report.sections.append((f"page {page.url}", f"does not answer: {error}"))
        folder = item.funcargs.get("tmp_path")
        for log in sorted(folder.rglob("dashboard.log")) if folder is not None else ():
            report.sections.append((log.name, log.read_text(encoding="utf-8", errors="replace")[-3000:]))
    return report
