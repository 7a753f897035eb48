"""A picture on a page with its files: PNG, SVG, and the numbers behind it as CSV. Made when asked for, not before."""

from __future__ import annotations

from functools import partial

import pandas as pd
import streamlit as st

from tidetray.analysis.pictures.base import Spec, at_night
from tidetray.ui.charts.files import png, svg
from tidetray.ui.columns import as_csv


def draw(spec: Spec) -> None:
    """Draw a picture in the colours of the page, by day or by night. Files keep those of the day: they are printed."""
    st.vega_lite_chart(spec=at_night(spec) if st.context.theme.type == "dark" else spec, theme=None)


def picture(spec: Spec, name: str, table: pd.DataFrame) -> None:
    """Draw a picture and offer its files, named after it; `table` holds the numbers that were drawn."""
    draw(spec)
    files(spec, name, table)


def files(spec: Spec, name: str, table: pd.DataFrame) -> None:
    """Offer the files of a picture that is drawn in another way, or in parts."""
    with st.popover("Download", key=f"download-{name}"):
        for label, suffix, mime, make in (
            ("Picture, PNG", "png", "image/png", partial(png, spec)),
            ("Picture, SVG", "svg", "image/svg+xml", partial(svg, spec)),
            ("Numbers, CSV", "csv", "text/csv", partial(as_csv, table)),
        ):
            st.download_button(
                label,
                make,
                file_name=f"{name}.{suffix}",
                mime=mime,
                on_click="ignore",
                key=f"{name}.{suffix}",
                help=f"This picture{'s numbers' if suffix == 'csv' else ''} as a file",
                width="content",
            )
