"""The look of the pages: one style sheet, a few blocks of HTML, and clear words in place of tracebacks.

Whatever comes from outside (a node's message, a link's pot) is escaped here and shown as text:
Markdown in it could otherwise make a browser fetch things.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from html import escape

import streamlit as st

from ingest.readings import TidetrayError
from ui import palette as p

MARKS = {"wrong": "▲", "note": "◆", "fine": "✓"}

# An icon by name would be fetched from its maker's server.
ICON = (
    f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16"><rect width="16" height="16" rx="3" fill="{p.DEEP}"/>'
    '<path d="M2 6h12M3.5 6v6h9V6M2 9q3-2 6 0t6 0" fill="none" stroke="#fff" stroke-width="1.5"/></svg>'
)

_STYLE = f"""<style>
.stAppHeader {{ display: none; }}
.st-key-menu a {{ min-height: 46px; padding: .5rem .8rem; border: 1px solid {p.LINE}; background: {p.PAPER}; }}
@media (max-width: 640px) {{ .st-key-menu > :nth-child(n+5) {{ display: none; }} }}
@media (min-width: 641px) {{ .st-key-menu > :nth-child(4) {{ display: none; }} }}
.st-key-menu [data-testid=stPopover] button, [data-testid=stPopoverBody] a {{ min-height: 46px; }}
.stMainBlockContainer {{ padding-top: 1rem; padding-bottom: 3rem; max-width: 1180px; }}
.stMainBlockContainer h1 {{ font-size: 1.7rem; padding: 0 0 .3rem; }}
.stMainBlockContainer h3 {{ font-size: 1.25rem; padding: .8rem 0 .2rem; }}
.stButton button, .stFormSubmitButton button, .stDownloadButton button {{ min-height: 3rem; border-width: 2px; font-weight: 600; }}
.stButton button[kind=primary], .stFormSubmitButton button[kind^=primary] {{ min-height: 3.6rem; }}
.stButton button[kind=primary] p, .stFormSubmitButton button[kind^=primary] p {{ font-size: 1.2rem; font-weight: 700; }}
.stTextInput input, .stSelectbox [data-baseweb=select] > div, .stSelectbox [role=group] {{ min-height: 3rem; font-size: 1.1rem; }}
.stButtonGroup button {{ min-height: 3rem; min-width: 4.2rem; }}
.stCheckbox label {{ min-height: 2.9rem; align-items: center; }}
.stTextInput input::placeholder {{ color: {p.QUIET}; opacity: 1; }}
[data-testid=InputInstructions] {{ display: none; }}
.tt-say {{ border-left: 6px solid {p.QUIET}; background: {p.NOTE_GROUND}; color: {p.INK}; border-radius: 4px;
  padding: .6rem .8rem; line-height: 1.4; overflow-wrap: anywhere; }}
.tt-say b:first-child {{ margin-right: .35rem; }}
.tt-wrong {{ border-color: {p.WRONG}; background: {p.WRONG_GROUND}; }}
.tt-fine {{ border-color: {p.FINE}; background: {p.FINE_GROUND}; }}
.tt-loud {{ border: 3px solid {p.WRONG}; border-left-width: 12px; background: {p.WRONG_GROUND}; font-size: 1.15rem; font-weight: 600; }}
.tt-say ul {{ margin: .3rem 0 0; padding-left: 1.2rem; }} .tt-say li {{ margin: .15rem 0; font-size: inherit; }}
.tt-small {{ color: {p.QUIET}; font-size: .9rem; line-height: 1.4; overflow-wrap: anywhere; }}
.st-key-onwards a {{ min-height: 3.6rem; justify-content: center; background: {p.DEEP}; border-radius: .5rem; }}
.st-key-onwards a p {{ color: #fff; font-size: 1.2rem; font-weight: 700; }}
.tt-signed {{ text-align: right; }} .tt-signed a {{ display: inline-block; padding: .5rem 0 .5rem .2rem; color: {p.DEEP}; }}
table.tt-settings {{ width: 100%; border-collapse: collapse; font-size: .95rem; line-height: 1.35; }}
.tt-settings th, .tt-settings td {{ text-align: left; vertical-align: top; padding: .35rem .5rem .35rem 0; border-bottom: 1px solid {p.LINE};
  overflow-wrap: anywhere; font-weight: 400; }}
.tt-settings tbody th {{ font-weight: 600; max-width: 45%; }} .tt-settings .word {{ overflow-wrap: normal; white-space: nowrap; }} .tt-settings .quiet * {{ color: {p.QUIET}; font-weight: 400; }}
.tt-cards {{ display: grid; grid-template-columns: repeat(auto-fill, minmax(250px, 1fr)); gap: .7rem; }}
.tt-card {{ background: {p.PAPER}; border: 1px solid {p.LINE}; border-top: 6px solid {p.UNKNOWN}; border-radius: 6px; padding: .6rem .8rem; }}
.tt-card.wet {{ border-top-color: {p.WET}; }} .tt-card.dry {{ border-top-color: {p.DRY}; }}
.tt-card.unknown {{ border-style: dashed; border-width: 2px; border-top: 6px dashed {p.UNKNOWN}; }}
.tt-card.failed {{ border: 3px solid {p.WRONG}; border-top-width: 6px; }}
.tt-card .head {{ display: flex; justify-content: space-between; gap: .5rem; font-weight: 700; font-size: 1.1rem; }}
.tt-card .head span {{ font-weight: 400; font-size: .9rem; color: {p.QUIET}; text-align: right; }}
.tt-card .state {{ font-size: 1.35rem; font-weight: 700; margin: .15rem 0; }}
.tt-card.wet .mark {{ color: {p.WET}; }} .tt-card.dry .mark {{ color: {p.DRY}; }}
.tt-card .failure {{ background: {p.WRONG}; color: #fff; font-weight: 700; padding: .25rem .5rem; border-radius: 3px; margin: .2rem 0; }}
dl.tt-facts {{ display: grid; grid-template-columns: 6.2rem 1fr; gap: .1rem .5rem; margin: .2rem 0 0; padding: 0; font-size: .95rem; }}
dl.tt-facts dt {{ color: {p.QUIET}; font-weight: 400; margin: 0; padding: 0; }} dl.tt-facts dd {{ margin: 0; padding: 0; overflow-wrap: anywhere; }}
.tt-pot {{ font-size: 2.4rem; font-weight: 800; line-height: 1.1; }}
.tt-mass {{ font-size: 2.4rem; font-weight: 800; line-height: 1.15; }}
.tt-change {{ font-size: 1.2rem; }}
</style>"""


def style() -> None:
    st.html(_STYLE)


def say(kind: str, text: str, more: tuple[str, ...] = (), *, loud: bool = False) -> None:
    """A block that stands out by mark, edge and word. `kind`: wrong, note or fine; `more` become lines of a list."""
    lines = "".join(f"<li>{escape(line)}</li>" for line in more)
    listed = f"<ul>{lines}</ul>" if lines else ""
    role = "alert" if kind == "wrong" else "status"
    loudly = " tt-loud" if loud else ""
    st.html(f'<div class="tt-say tt-{kind}{loudly}" role="{role}"><b>{MARKS[kind]}</b>{escape(text)}{listed}</div>')


def small(text: str) -> None:
    st.html(f'<div class="tt-small">{escape(text)}</div>')


def facts(rows: dict[str, str], css: str = "tt-facts") -> str:
    """Names and values as HTML."""
    return (
        f'<dl class="{css}">' + "".join(f"<dt>{escape(k)}</dt><dd>{escape(v)}</dd>" for k, v in rows.items()) + "</dl>"
    )


@contextmanager
def clear_words() -> Iterator[None]:
    """What a person can mend becomes one sentence, and the page ends there."""
    try:
        yield
    except TidetrayError as error:
        say("wrong", str(error).replace("`", "'"))
        st.stop()
    except sqlite3.Error as error:
        say(
            "wrong",
            f"The record cannot be read just now ({error}). Check the disk and its rights, then reload this page; 'tidetray check' says more.",
        )
        st.stop()
