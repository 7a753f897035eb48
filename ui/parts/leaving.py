"""Asks before a page is left on which something was typed and not saved: notes and settings.

A script in the page, since only the browser knows what stands in a field before its form is sent. What was sent counts
as saved once its field is empty again or its form says so; what was refused is asked about like what was never sent.
The browser's own back button between two pages of tidetray cannot be held.
"""

from __future__ import annotations

import json

import streamlit as st

ASKED = "What you typed here is not saved. Leave this page all the same?"

HELD = ("notebook", "settings")
"""Pages that hold: the mass on the page Weigh-in is kept by the browser anyway (`ui/parts/mass_field.py`)."""

_SCRIPT = """<script>
if (!window.tidetrayLeaving) {
  const form = "[data-testid=stForm]", press = "[data-testid=stFormSubmitButton] button";
  const typed = new Map();  // field -> what was typed into it
  const unsaved = () => [...typed].some(([field, text]) => field.isConnected && field.value === text && text !== "");
  const judge = sent => {  // once the page has answered
    let quiet = 0, tries = 200;
    const timer = setInterval(() => {
      const busy = document.querySelector("[data-testid=stApp][data-test-script-state=running]");
      quiet = busy ? 0 : quiet + 1;
      if (quiet < 3 && --tries) return;
      clearInterval(timer);
      for (const [field, text] of sent) {
        const around = field.closest("[data-testid=stExpander]") || field.closest(form);
        const saved = !field.isConnected || field.value !== text || around.querySelector(".tt-fine");
        if (saved && typed.get(field) === text) typed.delete(field);
      }
    }, 300); };
  const send = within => judge([...typed].filter(([field]) => within.contains(field)));
  document.addEventListener("input", event => {
    const held = %(held)s.includes(location.pathname.split("/").pop());
    if (held && event.isTrusted && event.target.closest(form)) typed.set(event.target, event.target.value);
  }, true);
  document.addEventListener("click", event => {
    if (event.target.closest(press)) return send(event.target.closest(form));
    const link = event.target.closest("[data-testid=stPageLink] a, [data-testid=stPageLink-NavLink]");
    if (!link || !unsaved() || event.ctrlKey || event.metaKey) return;
    if (window.confirm(%(asked)s)) typed.clear();
    else { event.preventDefault(); event.stopImmediatePropagation(); }
  }, true);
  document.addEventListener("keydown", event => {
    if (event.key === "Enter" && event.target.matches("input") && event.target.closest(form))
      send(event.target.closest(form));
  }, true);
  window.addEventListener("beforeunload", event => {
    if (unsaved()) { event.preventDefault(); event.returnValue = true; }
  });
  window.tidetrayLeaving = true;
}
</script>"""


def guard() -> None:
    """Have the browser ask whoever leaves one of HELD with something typed and not saved."""
    st.html(_SCRIPT % {"asked": json.dumps(ASKED), "held": json.dumps(HELD)}, unsafe_allow_javascript=True)
