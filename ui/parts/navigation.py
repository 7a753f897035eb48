"""The way from page to page: three tabs (at the thumb on a phone), and below them the pages of the one that is open."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st
from streamlit.navigation.page import StreamlitPage

from tidetray.ui.words import GROUPS


def links(pages: Mapping[str, StreamlitPage], current: StreamlitPage) -> None:
    """Draw both rows.

    Parameters
    ----------
    pages : mapping
        The name of a page's file -> the page, all of `GROUPS`.
    current : StreamlitPage
        The one that is shown.
    """
    name = next(name for name, page in pages.items() if page == current)
    open_ = next(group for group, names in GROUPS.items() if name in names)
    with st.container(horizontal=True, gap="small", key="tabs"):
        for group, names in GROUPS.items():
            with st.container(key=f"tab-{'open' if group == open_ else 'other'}-{group.lower()}", width="content"):
                st.page_link(pages[names[0]], label=group, width="stretch")
    with st.container(horizontal=True, gap="small", key="menu"):
        for each in GROUPS[open_]:
            with st.container(key=f"menu-{'open' if each == name else 'other'}-{each}", width="content"):
                st.page_link(pages[each], width="content")
