"""Report: the trial as one page and one PDF to share, made when asked for, beside the server."""

from __future__ import annotations

import streamlit as st

from tidetray.ui.cache.worker import MadeReport
from tidetray.ui.parts import look
from tidetray.ui.parts.asking import ask
from tidetray.ui.parts.head import head

BUSY = "Making the report, some 10 to 30 seconds. Other pages work meanwhile."


def page(trial: str) -> None:
    look.answer(
        "As one page for the screen and one PDF for paper.",
        (
            "The first two pages answer: what was asked, what was found, what may mislead, what to do next. The rest "
            "is an appendix for whoever wants to check. The same data give the same files again.",
        ),
    )
    if st.button("Make the report", type="primary"):
        st.session_state["report_of"] = trial
    if st.session_state.get("report_of") != trial:
        return
    with look.clear_words():
        made: MadeReport = ask("report", trial, busy=BUSY)
    look.answer(made.short, made.more)
    with st.container(horizontal=True, gap="small"):
        for label, content, suffix, mime in (
            ("Report as a page", made.page, "html", "text/html"),
            ("Report as PDF", made.paper, "pdf", "application/pdf"),
        ):
            st.download_button(
                label,
                content,
                file_name=f"{made.name}.{suffix}",
                mime=mime,
                on_click="ignore",
                key=f"report.{suffix}",
            )
    look.small(
        f"Data up to {made.data_up_to}. Fingerprint of the data: {made.fingerprint}. 'tidetray report' makes the same "
        "files."
    )


page(head("report").trial)
