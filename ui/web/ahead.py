"""Loads what the pages need while nobody waits for them: a first page else takes seconds longer.

In: nothing. Out: modules in memory. Run by `ui/web/server.py` beside the server; whoever opens a page meanwhile shares
what is loaded already.
"""

from __future__ import annotations

import importlib
import logging
import pkgutil
import threading

log = logging.getLogger("tidetray.pages")

PACKAGES = ("tidetray.analysis.questions", "tidetray.analysis.pictures", "tidetray.ui.changes", "tidetray.ui.prints")
"""Of the pages' own parts none: they remember answers, and want Streamlit's runtime for it."""


def load_ahead() -> threading.Thread:
    """Begin to load.

    Returns
    -------
    Thread
        Which ends when all is loaded.
    """
    thread = threading.Thread(target=_load, name="tidetray-ahead", daemon=True)
    thread.start()
    return thread


def _load() -> None:
    for package in PACKAGES:
        for module in pkgutil.iter_modules(importlib.import_module(package).__path__, f"{package}."):
            try:
                importlib.import_module(module.name)
            except Exception:  # the page that needs it says what is wrong with it
                log.exception("%s cannot be loaded ahead", module.name)
