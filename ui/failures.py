"""A fault of tidetray itself, in plain words for people and whole for the log."""

from __future__ import annotations

import logging

LOG = logging.getLogger("tidetray.failed")


def said(what: str, error: BaseException) -> str:
    """One sentence that says what failed and what to do; the traceback is logged.

    Parameters
    ----------
    what : str
        What was being done: "the page 'Growth'".
    error : BaseException
        What ended it.
    """
    LOG.error("%s failed", what, exc_info=error)
    about = f": {error}" if str(error).strip() else ""
    return (
        f"tidetray failed on {what} ({type(error).__name__}{about[:300]}). This is a fault of tidetray, not of your "
        "entries; nothing in the record was changed by it. Please report it with this sentence and the log"
    )
