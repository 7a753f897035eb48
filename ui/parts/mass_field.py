"""The field for a mass on a phone: number keypad, net mass and change as it is typed, and nothing typed is lost.

A script beside the field, since it must work while the connection is slow or gone: what is typed is
kept in the browser's own storage under the pot's name until the weigh-in is on disk. What was typed on another day is
offered with its date, and never stands in the field by itself.
"""

from __future__ import annotations

import json

import streamlit as st

from tidetray.ingest.notebook.facts import WeighIn
from tidetray.ui.parts import look
from tidetray.ui.tag import tag

# Streamlit has no setting for the number keypad of a phone that leaves the field text. The field comes later than this.
_SCRIPT = """<script>/* %(form)s */
{ const [label, key, tare, last, lastGross, days, comma] = %(values)s;
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
    if (!(net >= 0)) {
      line.textContent = last === null ? "" : `last ${lastGross.toFixed(2)} g gross, ${last.toFixed(2)} g net, ${days}`;
      return; }
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
    try {
      const [at, ...text] = (localStorage.getItem(key) || "").split(" ");
      return text.length ? {text: text.join(" "), at: new Date(Number(at))} : null;
    } catch {} return null; };
  const put = (field, text) => {
    Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value").set.call(field, text);
    field.dispatchEvent(new Event("input", {bubbles: true})); };
  const offer = (field, typed) => {  // of another day: no mass of now, but not lost either
    const place = document.getElementById("tt-offer");
    if (!place) return;
    const day = typed.at.toLocaleDateString("en-GB", {day: "numeric", month: "long"});
    place.textContent = `${typed.text} was typed on ${day} and not saved. `;
    for (const [name, act] of [["Use it", () => put(field, typed.text)], ["Drop it", () => {
      try { localStorage.removeItem(key); } catch {} }]]) {
      const button = document.createElement("button");
      button.type = "button"; button.textContent = name;
      button.addEventListener("click", () => { act(); place.textContent = ""; });
      place.append(button);
    } };
  const timer = setInterval(() => {
    const field = document.querySelector(`input[aria-label="${label}"]`);
    if (!field && --tries) return;
    clearInterval(timer);
    if (!field) return;
    field.setAttribute("inputmode", "decimal"); field.setAttribute("autocomplete", "off");
    const typed = kept();
    if (!field.value && typed) {
      if (typed.at.toDateString() === new Date().toDateString()) put(field, typed.text); else offer(field, typed);
    }
    field.addEventListener("input", () => { keep(field); tell(field); });
    tell(field);
    if (!field.value) field.focus({preventScroll: true});
  }, 60); }
</script>"""

_FORGET = """<script>/* %s */ { try { localStorage.removeItem(%s); } catch {} }</script>"""


def _key(trial: str, pot: str, kind: str) -> str:
    return f"tidetray typed {kind} {trial} {pot}"


def watch(
    form: str,
    label: str,
    trial: str,
    pot: str,
    *,
    kind: str,
    tare_g: float,
    last: WeighIn | None,
    span: str,
    decimal_comma: bool,
) -> None:
    """Wake the field of that label.

    Parameters
    ----------
    form, label : str
        The form's key, and the label of the field.
    trial, pot : str
        What is weighed.
    kind : str
        'weigh-in' or 'correction': what is typed into one never appears in the other.
    tare_g : float
        Of the empty pot [g].
    last : WeighIn or None
        The one before, and in `span` how long ago it was, in words.
    decimal_comma : bool
        Whether 48,3 is a number.
    """
    look.draw(
        tag("div", css="tt-small", id="tt-offer", role="status")
        + tag("div", css="tt-change", id="tt-live", role="status", aria_live="polite")
    )
    masses = (None, None) if last is None else (last.net_g, last.gross_g)
    values = [label, _key(trial, pot, kind), tare_g, *masses, span, decimal_comma]
    st.html(_SCRIPT % {"form": form, "values": _js(values)}, unsafe_allow_javascript=True)


def forget(form: str, trial: str, pot: str, kind: str) -> None:
    """What was typed for a pot is on disk, or not wanted: the browser need not keep it."""
    st.html(_FORGET % (form, _js(_key(trial, pot, kind))), unsafe_allow_javascript=True)


def _js(value: object) -> str:
    """As JavaScript that cannot end the script it stands in."""
    return json.dumps(value).replace("<", "\\u003c")
