"""Asks before a page is left on which something was typed and not saved: notes, settings, a new trial.

A script in the page, since only the browser knows what stands in a field before its form is sent. What was sent counts
as saved once its field is empty again or its form says so, and a new trial once it has begun; what was refused is asked
about like what was never sent.
The browser's own back button between two pages of tidetray cannot be held.
"""

from __future__ import annotations

import json

import streamlit as st

ASKED = "What you typed here is not saved. Leave this page all the same?"

_FORM = "[data-testid=stForm]"
HELD = {"notebook": _FORM, "settings": _FORM, "set_up": ".st-key-new_trial_typed"}
"""Pages that hold, and the parts of them that do (`ui/views/set_up.py` names its own). The mass on the page
Weigh-in is kept by the browser anyway (`ui/parts/mass_field.py`)."""

_SCRIPT = """<script>
if (!window.tidetrayLeaving) {
  const form = %(form)s, press = "[data-testid=stFormSubmitButton] button, .st-key-summary button";
  const typed = new Map();  // field -> what was typed into it
  const unsaved = () => [...typed].some(([field, text]) => field.isConnected && field.value === text && text !== "");
  const judge = sent => {  // once the page has answered
    let quiet = 0, tries = 200;
    const timer = setInterval(() => {
      const busy = document.querySelector("[data-testid=stApp][data-test-script-state=running]");
      quiet = busy ? 0 : quiet + 1;
      if (quiet < 3 && --tries) return;
      clearInterval(timer);
      const begun = document.querySelector(".st-key-begun .tt-fine");
      for (const [field, text] of sent) {
        const around = field.closest("[data-testid=stExpander]") || field.closest(form);
        const said = around && around.querySelector(".tt-fine");  // a field may stand outside of every form
        const saved = begun || said || !field.isConnected || field.value !== text;
        if (saved && typed.get(field) === text) typed.delete(field);
      }
      window.tidetrayJudged = (window.tidetrayJudged || 0) + 1;  // for the tests
    }, 300); };
  const send = within => judge([...typed].filter(([field]) => within.contains(field)));
  document.addEventListener("input", event => {
    const held = %(held)s[location.pathname.split("/").pop()];
    if (held && event.isTrusted && event.target.closest(held)) typed.set(event.target, event.target.value);
  }, true);
  document.addEventListener("click", event => {
    const pressed = event.target.closest(press);
    if (pressed) return send(pressed.closest(form) || document);
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
    words = {"asked": ASKED, "held": HELD, "form": _FORM}
    st.html(_SCRIPT % {name: json.dumps(value) for name, value in words.items()}, unsafe_allow_javascript=True)
