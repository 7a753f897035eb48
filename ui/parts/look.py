"""The look of the pages: one style sheet, a few blocks of HTML, and clear words in place of tracebacks.

Whatever comes from outside (a node's message, a link's pot) is shown as text (`ui/tag.py`): HTML or Markdown in it
could otherwise make a browser fetch things.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from tidetray.analysis.base.words import is_technical
from tidetray.analysis.pictures import palette as p
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ui.tag import Markup, joined, tag

_SENTENCE_ENDS = re.compile(r"(?<=[a-z0-9%)][.!?]) (?=[A-Z])")

SHOWN = 3
"""As many cautions stand open."""

MARKS = {"wrong": "▲", "note": "◆", "fine": "✓"}

# An icon by name would be fetched from its maker's server.
ICON = (
    f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16"><rect width="16" height="16" rx="3" fill="{p.DEEP}"/>'
    '<path d="M2 6h12M3.5 6v6h9V6M2 9q3-2 6 0t6 0" fill="none" stroke="#fff" stroke-width="1.5"/></svg>'
)

_COLOURS = (
    "INK",
    "QUIET",
    "PAPER",
    "LINE",
    "DEEP",
    "WET",
    "DRY",
    "UNKNOWN",
    "HATCH",
    "LIT",
    "WRONG",
    "WRONG_GROUND",
    "FINE",
    "FINE_GROUND",
    "NOTE",
    "NOTE_GROUND",
)

_VARIABLES = (
    ":root { "
    + " ".join(
        f"--{name.lower().replace('_', '-')}: light-dark({getattr(p, name)}, {p.AT_NIGHT[getattr(p, name)]});"
        for name in _COLOURS
    )
    + f" --link: light-dark({p.DEEP}, {p.LINK_AT_NIGHT}); }}"
)

# By the scheme that Streamlit sets on the page, so that a choice of the device and one of the page hold alike.
_STYLE = (
    "<style>"
    + _VARIABLES
    + """
.stAppHeader { display: none; }
/* what only runs takes no room above the page */
.stElementContainer:has(> .stHtml > script) { display: none; }
.st-key-tabs a { min-height: 46px; padding: .4rem 1.1rem; justify-content: center; border-radius: 6px; }
.st-key-tabs a p { font-weight: 700; font-size: 1.05rem; }
[class*=st-key-tab-open] a { background: var(--deep); } [class*=st-key-tab-open] a p { color: #fff; }
.st-key-tabs a:hover { box-shadow: inset 0 -3px var(--deep); }
.st-key-menu { gap: .3rem; border-bottom: 1px solid var(--line); padding-bottom: .4rem; }
.st-key-menu > * { min-height: 44px; }
.st-key-menu a { min-height: 44px; padding: .3rem .7rem; border: 1px solid var(--line); background: var(--paper);
  border-radius: 6px; }
[class*=st-key-menu-open] a { border-color: var(--deep); box-shadow: inset 0 -4px var(--deep); }
[class*=st-key-menu-open] a p { font-weight: 700; }
@media (max-width: 640px) {
  .st-key-tabs { position: fixed; z-index: 999; left: 0; right: 0; bottom: 0; gap: 0; flex-wrap: nowrap;
    background: var(--paper); border-top: 2px solid var(--line);
    padding: 4px 6px calc(4px + env(safe-area-inset-bottom)); }
  .st-key-tabs > * { flex: 1 1 0; } .st-key-tabs a { min-height: 52px; padding: .3rem; }
  .stMainBlockContainer { padding-bottom: 6.5rem !important; }
  .st-key-menu { flex-wrap: nowrap; overflow-x: auto; scrollbar-width: none; padding-top: 5px; }
  .st-key-menu > * { flex: none; }
  .st-key-maps-wide [class*=st-key-map-later] { display: none; }
}
@media (max-width: 900px) { .st-key-beside [data-testid=stColumn] { min-width: 100%; } }
@media (min-width: 641px) { .st-key-maps-ask-phone { display: none; } }
.tt-question { color: var(--quiet); font-size: 1.05rem; margin: -.5rem 0 .1rem; }
.tt-answer { border-left: 6px solid var(--deep); background: var(--paper); color: var(--ink); border-radius: 4px;
  padding: .6rem .9rem; line-height: 1.4; overflow-wrap: anywhere; }
.tt-answer b { font-size: 1.3rem; font-weight: 700; display: block; }
.tt-answer p { margin: .3rem 0 0; font-size: 1.05rem; }
/* what is being worked out again stays readable: a pale page fails whoever looks in the sun */
[data-stale=true] { opacity: 1 !important; transition: none !important; }
.stMainBlockContainer { padding-top: 1rem; padding-bottom: 3rem; max-width: 1180px; }
.stMainBlockContainer h1 { font-size: 1.7rem; padding: .2rem 0 .3rem; }
.stMainBlockContainer h3, .stMainBlockContainer h2 { font-size: 1.25rem; padding: .8rem 0 .2rem; }
.stButton button, .stFormSubmitButton button, .stDownloadButton button { min-height: 3rem; border-width: 2px;
  font-weight: 600; }
.stButton button[kind=primary], .stFormSubmitButton button[kind^=primary] { min-height: 3.6rem; }
.stButton button[kind=primary] p, .stFormSubmitButton button[kind^=primary] p { font-size: 1.2rem; font-weight: 700; }
.stTextInput input, .stSelectbox [role=group] { min-height: 3rem; font-size: 1.1rem; }
.stSelectbox input, .stNumberInput input { font-size: 1.1rem; }
.stButtonGroup button { min-height: 3rem; min-width: 4.2rem; }
.stButtonGroup button p { color: var(--ink); } .stButtonGroup button[aria-checked=true] p { font-weight: 800; }
.stCheckbox label { min-height: 2.9rem; align-items: center; }
.stTextInput input::placeholder { color: var(--quiet); opacity: 1; }
[data-testid=InputInstructions] { display: none; }
/* its file would hold cells that a spreadsheet takes for formulas; "Download as CSV" below a table is harmless */
[data-testid=stElementToolbar] button[aria-label^=Download] { display: none; }
:focus-visible { outline: 3px solid var(--deep) !important; outline-offset: 2px; }
.tt-say { border-left: 6px solid var(--note); background: var(--note-ground); color: var(--ink); border-radius: 4px;
  padding: .6rem .8rem; line-height: 1.4; overflow-wrap: anywhere; }
.tt-say b:first-child { margin-right: .35rem; }
.stHtml .tt-say a, .stHtml .tt-card a, .stHtml .tt-line a { color: inherit;
  text-decoration: underline; text-underline-offset: 3px; }
.tt-wrong { border-color: var(--wrong); background: var(--wrong-ground); }
.tt-fine { border-color: var(--fine); background: var(--fine-ground); }
.tt-loud { border: 3px solid var(--wrong); border-left-width: 12px; font-size: 1.15rem; font-weight: 600; }
.tt-say ul { margin: .3rem 0 0; padding-left: 1.2rem; } .tt-say li { margin: .15rem 0; font-size: inherit; }
.tt-small { color: var(--quiet); font-size: .9rem; line-height: 1.4; overflow-wrap: anywhere; }
.tt-cards { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 330px), 1fr)); gap: .7rem; }
.tt-card { background: var(--paper); color: var(--ink); border: 1px solid var(--line);
  border-top: 6px solid var(--unknown); border-radius: 6px;
  padding: .6rem .8rem; }
.tt-card.wet { border-top-color: var(--wet); } .tt-card.dry { border-top-color: var(--dry); }
.tt-card.unknown { border-style: dashed; border-width: 2px; border-top: 6px dashed var(--unknown); }
.tt-card.fine { border-top-color: var(--fine); }
.tt-card.failed { border: 3px solid var(--wrong); border-top-width: 6px; }
.tt-card .head { display: flex; justify-content: space-between; gap: .5rem; font-weight: 700; font-size: 1.1rem; }
.tt-card .head a { padding: .5rem 1rem .5rem 0; margin: -.5rem 0; }
.tt-card .head span { font-weight: 400; font-size: .9rem; color: var(--quiet); text-align: right; }
.tt-card .state { font-size: 1.35rem; font-weight: 700; margin: .15rem 0; }
.tt-lines { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 340px), 1fr)); gap: .4rem .7rem; }
.tt-line { background: var(--paper); color: var(--ink); border: 1px solid var(--line); border-radius: 5px;
  border-left: 6px solid var(--unknown); padding: .25rem .6rem; }
.tt-line.wet { border-left-color: var(--wet); } .tt-line.dry { border-left-color: var(--dry); }
.tt-line.unknown { border-style: dashed; border-left-style: dashed; }
.tt-line.failed { border: 2px solid var(--wrong); border-left-width: 6px; }
.tt-line .head { display: flex; flex-wrap: wrap; align-items: baseline; gap: 0 .5rem; font-weight: 700; }
.tt-line .head a { padding: .45rem .3rem .45rem 0; }
.tt-line .of { font-weight: 400; font-size: .9rem; color: var(--quiet); }
.tt-line .now { margin-left: auto; font-weight: 600; text-align: right; }
.tt-line.wet .mark { color: var(--wet); } .tt-line.dry .mark { color: var(--dry); }
.tt-line .failure { color: var(--ink); font-weight: 600; font-size: .95rem; }
.tt-line .tt-strip { height: 18px; margin: .1rem 0 .15rem; } .tt-line .tt-strip .hour { display: none; }
.tt-line .tt-strip .wet { height: 13px; } .tt-line .tt-strip .unknown { height: 18px; }
.tt-line .next { font-size: .85rem; color: var(--quiet); }
.tt-bench { font-weight: 700; margin-top: .3rem; }
.tt-pot-links { line-height: 2.2; }
.tt-card.wet .mark { color: var(--wet); } .tt-card.dry .mark { color: var(--dry); }
.tt-card .failure { border: 2px solid var(--wrong); background: var(--wrong-ground); font-weight: 700;
  padding: .2rem .5rem; border-radius: 3px;
  margin: .2rem 0; }
dl.tt-facts { display: grid; grid-template-columns: 6.2rem 1fr; gap: .1rem .5rem; margin: .2rem 0 0; padding: 0;
  font-size: .95rem; }
dl.tt-facts dt { color: var(--quiet); font-weight: 400; margin: 0; padding: 0; } dl.tt-facts dd { margin: 0;
  padding: 0; overflow-wrap: anywhere; }
.tt-strip { position: relative; height: 34px; margin: .35rem 0 1.15rem; background: var(--paper);
  border: 1px solid var(--line); }
.tt-strip i { position: absolute; display: block; bottom: 0; box-sizing: border-box; min-width: 1px; }
.tt-strip .lit { top: 0; background: var(--lit); }
.tt-strip .dry { height: 5px; background: var(--dry); }
.tt-strip .wet { height: 24px; background: var(--wet); min-width: 2px; }
.tt-strip .unknown { height: 34px; border: 1px dashed var(--unknown);
  background: repeating-linear-gradient(135deg, var(--hatch) 0 5px, var(--paper) 5px 9px); }
.tt-strip .at { top: -2px; bottom: auto; transform: translateX(-50%); color: var(--wrong);
  font: 700 15px/1 sans-serif; }
.tt-strip .tick { top: 0; border-left: 1px dotted var(--quiet); }
.tt-strip .hour { bottom: -1.2rem; font: .75rem/1.2 sans-serif; color: var(--quiet); transform: translateX(-50%);
  white-space: nowrap; }
.tt-strip .hour:last-child { transform: translateX(-100%); }
.tt-key { display: flex; flex-wrap: wrap; gap: .2rem 1rem; align-items: center; }
.tt-key .tt-strip { display: inline-block; width: 2.2rem; height: 22px; margin: 0 .4rem 0 0; vertical-align: middle; }
.tt-key .tt-strip i { left: 0; width: 100%; }  .tt-key .tt-strip .wet { height: 16px; }
  .tt-key .tt-strip .unknown { height: 20px; }
.stHtml ul.tt-pots, .stHtml ul.tt-asked { list-style: none; padding: 0; margin: 0; }
.tt-pots li, .tt-asked li { padding: .55rem 0; border-bottom: 1px solid var(--line); font-size: 1rem; }
.tt-pots li, .tt-asked li { margin: 0; }
.stHtml a { color: var(--link); text-decoration: underline; text-underline-offset: 3px; }
.tt-pots a { display: inline-block; min-width: 4.5rem; font-weight: 700; }
.tt-pot { font-size: 2.4rem; font-weight: 800; line-height: 1.1; }
.tt-mass { font-size: 2.4rem; font-weight: 800; line-height: 1.15; }
.tt-change { font-size: 1.2rem; }
.st-key-onwards a { min-height: 3.6rem; justify-content: center; background: var(--deep); border-radius: .5rem; }
.st-key-onwards a p { color: #fff; font-size: 1.2rem; font-weight: 700; }
.tt-signed { text-align: right; } .stHtml .tt-signed a { display: inline-block; padding: .5rem 0 .5rem .2rem; }
table.tt-settings { width: 100%; border-collapse: collapse; font-size: .95rem; line-height: 1.35; }
.tt-settings th, .tt-settings td { text-align: left; vertical-align: top; padding: .35rem .5rem .35rem 0;
  border-bottom: 1px solid var(--line);
  overflow-wrap: anywhere; font-weight: 400; }
.tt-settings tbody th { font-weight: 600; max-width: 45%; } .tt-settings .word { overflow-wrap: normal;
  white-space: nowrap; }
table.tt-sheet th, table.tt-sheet td { overflow-wrap: normal; word-break: normal; padding-right: .75rem; }
.tt-settings .quiet * { color: var(--quiet); font-weight: 400; }
</style>"""
)


# The web framework speaks of itself, and of the internet, where the connection is gone: said here in our words.
# It runs in the page that is open, since nothing can be sent to it then.
_OWN_WORDS = """<script>
if (!window.tidetrayWords) {
  const said = "The pages are not answering. Check that tidetray runs on its machine, and that this device is in its " +
    "network. This page goes on by itself once they answer. What you typed here stays.";
  const reword = () => {
    for (const box of document.querySelectorAll("[role=dialog]")) {
      if (!/streamlit/i.test(box.textContent)) continue;
      const seen = document.createTreeWalker(box, NodeFilter.SHOW_TEXT);
      let first = true;
      while (seen.nextNode()) {
        const node = seen.currentNode;
        if (/connection error/i.test(node.data)) node.data = "No connection";
        else if (/streamlit/i.test(node.data)) { node.data = first ? said : ""; first = false; }
      }
      for (const code of box.querySelectorAll("pre, [data-testid=stCode], a")) code.style.display = "none";
    }
  };
  window.tidetrayWords = new MutationObserver(reword);
  window.tidetrayWords.observe(document.body, {childList: true, subtree: true, characterData: true});
}
</script>"""

# The row of pages is wider than a phone: the page that is open is brought into sight, once for each page, so that a
# row that somebody moved stays where it is. A screen reader is told which page is open.
_PAGE_IN_SIGHT = """<script>
if (!window.tidetrayMenu) {
  let shown = null;
  const bring = () => {
    const menu = document.querySelector(".st-key-menu");
    const open = menu && menu.querySelector("[class*=st-key-menu-open] a");
    if (!open) return;
    for (const link of menu.querySelectorAll("a")) {
      if (link === open) link.setAttribute("aria-current", "page"); else link.removeAttribute("aria-current");
    }
    if (open.href === shown || menu.scrollWidth <= menu.clientWidth) return;
    shown = open.href;
    const row = menu.getBoundingClientRect(), own = open.getBoundingClientRect();
    menu.scrollLeft += own.left - row.left - (row.width - own.width) / 2;
  };
  window.tidetrayMenu = new MutationObserver(bring);
  window.tidetrayMenu.observe(document.body, {childList: true, subtree: true, attributes: true,
    attributeFilter: ["class"]});
  bring();
}
</script>"""


def style() -> None:
    st.html(_STYLE)
    st.html(_OWN_WORDS, unsafe_allow_javascript=True)
    st.html(_PAGE_IN_SIGHT, unsafe_allow_javascript=True)


def draw(html: Markup) -> None:
    """Show HTML made by `tag`."""
    if not isinstance(html, Markup):
        raise TypeError("only Markup is drawn, which tag() makes")
    st.html(html)


def say(kind: str, text: str, more: tuple[str, ...] = (), *, loud: bool = False) -> None:
    """A block that stands out by mark, edge and word. `kind`: wrong, note or fine; `more` become lines of a list."""
    listed = tag("ul", *(tag("li", line) for line in more)) if more else ""
    role = "alert" if kind == "wrong" else "status"
    loudly = " tt-loud" if loud else ""
    draw(tag("div", tag("b", MARKS[kind]), text, listed, css=f"tt-say tt-{kind}{loudly}", role=role))


def answer(text: str, more: Sequence[str] = ()) -> None:
    """The answer to a page's question, as one would say it aloud: a finding, so in neither red nor green. Its first
    sentence stands out; what follows is read by whoever wants to know more."""
    first, *rest = _SENTENCE_ENDS.split(text, maxsplit=1)
    lines = (*rest, *more)
    draw(tag("div", tag("b", first), *(tag("p", line) for line in lines), css="tt-answer", role="status"))


def may_mislead(cautions: Sequence[str]) -> None:
    """What may mislead: three lines, and the rest folded. What only statisticians understand is left to `technical`."""
    plain = [line for line in cautions if not is_technical(line)]
    if not plain:
        return
    say("note", "What may mislead:", tuple(plain[:SHOWN]))
    if len(plain) > SHOWN:
        with st.expander(f"{len(plain) - SHOWN} more to keep in mind"):
            paragraphs(plain[SHOWN:])


def technical(cautions: Sequence[str]) -> None:
    """The cautions that `may_mislead` leaves out, for the expander of statisticians."""
    paragraphs([line for line in cautions if is_technical(line)])


def paragraphs(lines: Sequence[str]) -> None:
    """A quiet paragraph each."""
    if lines:
        draw(joined(tag("p", line, css="tt-small") for line in lines))


def statisticians() -> DeltaGenerator:
    """Where tables, tests and methods go."""
    return st.expander("For statisticians")


def small(text: str) -> None:
    draw(tag("div", text, css="tt-small"))


def paragraph(text: str) -> None:
    draw(tag("p", text))


def facts(rows: dict[str, str], css: str = "tt-facts") -> Markup:
    """Names and values as HTML."""
    return tag("dl", *(joined((tag("dt", name), tag("dd", value))) for name, value in rows.items()), css=css)


def cards(each: Iterable[Markup]) -> None:
    """Cards side by side, as many as the screen is wide."""
    draw(tag("div", *each, css="tt-cards"))


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
            (
                f"The record cannot be read just now ({error}). Check the disk and its rights, then reload this "
                "page; 'tidetray check' shows more."
            ),
        )
        st.stop()
