"""Pages to print: pot labels with a code that opens the pot's weigh-in, and maps of the trays.

In: pots with their places, and where phones reach the pages. Out: one HTML page each, whole in itself: no
script, no font and no picture from elsewhere. QR codes are drawn by segno (ISO/IEC 18004), error level M,
so that a splash of mud does not stop a camera; the pot's name stands beside the code in plain text.
"""

from __future__ import annotations

from urllib.parse import quote, urlsplit

import pandas as pd
import segno

from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ui.columns import each_row
from tidetray.ui.tag import Markup, joined, tag

_STYLE = """<style>
@page { size: A4; margin: 10mm; }
body { font: 11pt/1.25 sans-serif; color: #000; margin: 0; }
h1 { font-size: 15pt; margin: 0 0 4mm; } h2 { font-size: 13pt; margin: 5mm 0 2mm; }
.labels { display: grid; grid-template-columns: repeat(3, 1fr); gap: 3mm; }
.label { border: 1px dashed #999; padding: 2.5mm; display: flex; gap: 3mm; align-items: center; break-inside: avoid; }
.label svg { width: 26mm; height: 26mm; flex: none; }
.label b { font-size: 16pt; display: block; overflow-wrap: anywhere; }
.tray { break-inside: avoid; margin-bottom: 6mm; }
table { border-collapse: collapse; }
td, th { border: 1px solid #000; padding: 2mm 3mm; text-align: center; min-width: 16mm; }
th { border: 0; font-weight: 400; color: #444; } .treatment { font-weight: 700; }
.bench { display: grid; gap: 3mm; } .bench div { border: 2px solid #000; padding: 3mm; text-align: center; }
small { color: #444; }
</style>"""


def weigh_in_address(url: str, pot: str) -> str:
    """The address a label opens. EntryError if `url` is none that a phone could open."""
    parts = urlsplit(url)
    if parts.scheme not in {"http", "https"} or not parts.hostname or parts.query or parts.fragment:
        raise EntryError(f"{url[:60]!r} is no address of the pages", mend="Write it as http://192.168.1.20:8501")
    return f"{url.rstrip('/')}/weigh?pot={quote(pot)}"


def label_page(trial: str, pots: pd.DataFrame, url: str) -> str:
    """Labels of all `pots` (`pot, tray, row, column, treatment`) in the order in which they stand."""
    labels = []
    for row in each_row(pots.sort_values(["tray", "row", "column"])):
        code = segno.make(weigh_in_address(url, str(row.pot)), error="m", micro=False)
        drawn = Markup(code.svg_inline(border=2, omitsize=True))
        place = "" if pd.isna(row.row) else f"row {row.row}, column {row.column}"
        labels.append(tag("div", drawn, tag("div", tag("b", row.pot), row.tray, tag("br"), place), css="label"))
    foot = f"Trial {trial}. The code opens the weigh-in of that pot at {url}; its name can be typed there too."
    return _page(f"Labels of {trial}", tag("div", *labels, css="labels") + tag("p", tag("small", foot)))


def map_page(plan: TrialPlan, pots: pd.DataFrame, treatments: dict[str, str]) -> str:
    """Which tray gets what, where trays stand on the benches if that is known, and which pot stands where."""
    seed = plan.trial.layout_seed
    drawn = f"Layout drawn at random, draw number {seed}. Leave trays and pots in place." if seed is not None else ""
    parts = [tag("p", f"{plan.trial.question} {drawn}")]
    for bench in dict.fromkeys(t.bench for t in plan.trays if t.bench_row and t.bench_column):
        cells = (
            tag(
                "div",
                t.name,
                tag("br"),
                tag("span", treatments[t.name], css="treatment"),
                style=f"grid-row: {t.bench_row}; grid-column: {t.bench_column}",
            )
            for t in plan.trays
            if t.bench == bench and t.bench_row and t.bench_column
        )
        parts += [tag("h2", f"Bench {bench}"), tag("div", *cells, css="bench")]
    for tray in (each for each in plan.trays if each.noted):
        mine = pots[pots["tray"] == tray.name].dropna(subset=["row", "column"])
        names = {(r.row, r.column): str(r.pot) for r in each_row(mine)}
        rows = range(1, max((r for r, _ in names), default=0) + 1)
        columns = range(1, max((c for _, c in names), default=0) + 1)
        head = tag("tr", tag("th"), *(tag("th", c) for c in columns))
        lines = (tag("tr", tag("th", r), *(tag("td", names.get((r, c), "")) for c in columns)) for r in rows)
        block = f", block {tray.block}" if tray.block else ""
        title = tag("h2", f"{tray.name}: ", tag("span", treatments[tray.name], css="treatment"), block)
        parts.append(tag("div", title, tag("table", head, *lines), css="tray"))
    return _page(f"Map of {plan.trial.name}", joined(parts))


def _page(title: str, body: Markup) -> str:
    head = tag("head", tag("meta", charset="utf-8"), tag("title", title), Markup(_STYLE))
    html = tag("html", head, tag("body", tag("h1", title), body), lang="en")
    return f"<!doctype html>{html}\n"
