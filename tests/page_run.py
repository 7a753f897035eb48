"""A page of the dashboard as Streamlit runs it, opened by its own address: no other page is drawn before it."""

from __future__ import annotations

from pathlib import Path

from streamlit.testing.v1 import AppTest

APP = str(Path(__file__).parents[1] / "ui" / "app.py")
FIRST = "views/trays.py"


def run_page(page: str = FIRST, **query: str) -> AppTest:
    """`page` with what stands in its address. Streamlit finds a page that it has not run yet by its file's name."""
    app = AppTest.from_file(APP, default_timeout=280)
    if page != FIRST:
        app.switch_page(page)
    for name, value in query.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception, app.exception
    return app
