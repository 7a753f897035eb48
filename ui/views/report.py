"""Report: the trial as one page and one PDF to share, made when asked for."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.settings.model import home_folder, load_settings
from tidetray.ui.parts import look
from tidetray.ui.parts.head import head
from tidetray.ui.report.make import as_files, make_report
from tidetray.ui.report.parts import Report


def page(trial: str) -> None:
    look.small(
        "One page and one PDF of the whole trial: question, map, what the trays went through, growth, "
        "comparison, cautions, causes, places, the next schedule, methods. Each is whole in itself: to "
        "print, to send, to keep. The same data give the same files again."
    )
    if st.button("Make the report", type="primary"):
        st.session_state["report_of"] = trial
    if st.session_state.get("report_of") != trial:
        return
    with look.clear_words():
        report, on_screen, on_paper = made(str(home_folder()), trial)
    look.say("note", f"In short: {report.short.text}", report.short.more)
    with st.container(horizontal=True, gap="small"):
        for label, content, suffix, mime in (
            ("Report as a page", on_screen, "html", "text/html"),
            ("Report as PDF", on_paper, "pdf", "application/pdf"),
        ):
            st.download_button(
                label,
                content,
                file_name=f"{report.name}.{suffix}",
                mime=mime,
                on_click="ignore",
                key=f"report.{suffix}",
            )
    look.small(
        f"Data up to {report.facts['Data up to']}. Fingerprint of the data: {report.fingerprint}. The same "
        "files by 'tidetray report'."
    )


@st.cache_data(ttl=60, max_entries=2, show_spinner="Making the report …")
def made(home: str, trial: str) -> tuple[Report, bytes, bytes]:
    with open_record(Path(home)) as store:
        report = make_report(store, load_settings(Path(home)), trial)
    return report, *as_files(report)


page(head("report").trial)
