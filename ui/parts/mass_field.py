"""The field for a mass on a phone: number keypad, net mass and change as it is typed, and nothing typed is lost.

A script beside the field, since it must work while the connection is slow or gone: what is typed is
kept in the browser's own storage under the pot's name until the weigh-in is on disk.
"""

from __future__ import annotations

import json

import streamlit as st

from tidetray.ui.parts import look
from tidetray.ui.tag import tag

# Streamlit has no setting for the number keypad of a phone that leaves the field text. The field comes later than this.
_SCRIPT = """<script>/* %(form)s */
{ const [label, key, tare, last, days, comma] = %(values)s;
  let tries = 80;
  const shown = () => document.getElementById("tt-live");
  const grams = text => {
    const t = text.trim().replace(/ *g$/, "");
    return (comma ? /^([0-9]+(,[0-9]+)?|,[0-9]+)$/ : /^([0-9]+([.][0-9]+)?|[.][0-9]+)$/).test(t)
    ? Number(t.replace(",", ".")) : NaN;
  };
  const tell = field => {
    const net = grams(field.value) - tare, line = shown();
    if (!line) return;
    if (!(net >= 0)) { line.textContent = last === null ? "" : `last ${last.toFixed(2)} g net, ${days}`; return; }
    let text = `${net.toFixed(2)} g net`;
    if (last !== null) {
      const change = net - last;
      text += `; ${change < 0 ? "−" : "+"}${Math.abs(change).toFixed(2)} g`;
      if (last > 0) text += ` (${change < 0 ? "−" : "+"}${Math.abs(100 * change / last).toFixed(1)} %%)`;
      text += ` since ${last.toFixed(2)} g, ${days}`;
    }
    line.textContent = text;
  };
  const keep = field => {
    try {
      field.value ? localStorage.setItem(key, `${Date.now()} ${field.value}`) : localStorage.removeItem(key);
    } catch {} };
  const kept = () => {
    try {  // what was typed half a day ago is no mass of now
      const [at, ...text] = (localStorage.getItem(key) || "").split(" ");
      if (Date.now() - Number(at) < 12 * 3600e3) return text.join(" ");
      localStorage.removeItem(key);
    } catch {}
    return null; };
  const timer = setInterval(() => {
    const field = document.querySelector(`input[aria-label="${label}"]`);
    if (!field && --tries) return;
    clearInterval(timer);
    if (!field) return;
    field.setAttribute("inputmode", "decimal"); field.setAttribute("autocomplete", "off");
    if (!field.value && kept()) {
      Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value").set.call(field, kept());
      field.dispatchEvent(new Event("input", {bubbles: true}));
    }
    field.addEventListener("input", () => { keep(field); tell(field); });
    tell(field);
    if (!field.value) field.focus({preventScroll: true});
  }, 60); }
</script>"""

_FORGET = """<script>/* %s */ { try { localStorage.removeItem(%s); } catch {} }</script>"""


def _key(trial: str, pot: str) -> str:
    return f"tidetray typed {trial} {pot}"


def watch(
    form: str, label: str, trial: str, pot: str, *, tare_g: float, last_g: float | None, span: str, decimal_comma: bool
) -> None:
    """Wake the field of that label; `span` is how long ago `last_g` was weighed, in words."""
    look.draw(tag("div", css="tt-change", id="tt-live", role="status", aria_live="polite"))
    values = [label, _key(trial, pot), tare_g, last_g, span, decimal_comma]
    st.html(_SCRIPT % {"form": form, "values": _js(values)}, unsafe_allow_javascript=True)


def forget(form: str, trial: str, pot: str) -> None:
    """What was typed for a pot is on disk: the browser need not keep it."""
    st.html(_FORGET % (form, _js(_key(trial, pot))), unsafe_allow_javascript=True)


def _js(value: object) -> str:
    """As JavaScript that cannot end the script it stands in."""
    return json.dumps(value).replace("<", "\\u003c")
