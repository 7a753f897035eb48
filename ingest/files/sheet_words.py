"""The words of a grower's sheet: headings in seven languages, masses with their units and marks, dates and 'day 7'.

In: the text of one cell. Out: what it may be, with nothing decided that the cell alone cannot decide (which mark is
the decimal one, whether the day comes first): `ingest/files/sheet_guess.py` decides that for a whole file. Month names
agree with Unicode's CLDR as Babel 2.19.0 carries it: all 192 wide and abbreviated names of the seven languages and of
Austrian German were compared. Words of headings are common usage, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache

from tidetray.ingest.files.sheet_grids import Value
from tidetray.ingest.files.written_values import OUNCE_G

SEEN = 20_000
"""Cells of a sheet come again and again: so many readings of them are kept."""

MEANINGS = {
    "pot": "pot",
    "treatment": "treatment",
    "tray": "tray",
    "row": "row on the tray",
    "column": "column on the tray",
    "date": "date or day",
    "clock": "time of day",
    "mass": "mass",
    "gross": "mass with the pot",
    "net": "mass without the pot",
    "tare": "mass of the empty pot",
    "note": "note",
    "who": "who weighed",
    "stock": "stock",
    "ignore": "not used",
}
"""What a column may be -> how people call it."""

_WORDS = {
    "ignore": "growth increase gain difference diff change rate rgr percent mean average avg median total sum sd stdev"
    " zuwachs wachstum differenz mittel mittelwert summe veränderung durchschnitt croissance moyenne somme groei"
    " gemiddelde crescita media promedio crecimiento suma crescimento soma",
    "tare": "tare tara empty leer leergewicht leeg vide vacío vacio vazio vuoto taragewicht",
    "gross": "gross brutto brut bruto lordo",
    "net": "net netto neto",
    "mass": "mass masse weight weights weighing gewicht gewichte poids peso pesos massa massen wt grams gramm grammes g"
    " frischmasse frischgewicht biomass",
    "treatment": "treatment treatments treat trt group variant variante variants behandlung gruppe traitement"
    " tratamiento trattamento behandeling tratamento groupe grupo gruppo regime regimen method methode kultur culture"
    " verfahren way setting modalité",
    "tray": "tray trays schale wanne bac bandeja bak vassoio tablett tabuleiro table tisch becken",
    "row": "row reihe zeile rang fila rij riga linha",
    "column": "column col spalte colonne columna kolom colonna coluna",
    "clock": "clock time uhrzeit heure hora tijd ora uhr",
    "date": "date day days datum tag tage jour jours fecha dia día dag dagen data giorno week weeks woche wochen"
    " semaine semana settimana when weighed gewogen pesée wiegetag",
    "note": "note notes remark remarks bemerkung bemerkungen comment comments kommentar anmerkung anmerkungen notiz"
    " remarque remarques observaciones nota notas opmerking opmerkingen osservazioni observações",
    "who": "who by wer person weigher operator qui quien wie chi",
    "stock": "stock mother clone klon source herkunft batch charge origin lot lotto lote",
    "pot": "pot pots plant plants plug plugs id nr no number nummer name sample topf töpfe pflanze pflanzen vaso maceta"
    " macetas plante plantes planta plantas pianta potje label cup becher étiquette etikett code pflanznummer topfnr"
    " potnr topfnummer vasetto",
}
"""Meaning -> its words in English, German, French, Spanish, Dutch, Italian, Portuguese. The first that fits counts."""

_MEANING_OF = {word: meaning for meaning, words in reversed(_WORDS.items()) for word in words.split()}

_UNITS = {"mg": 0.001, "g": 1.0, "gr": 1.0, "gram": 1.0, "grams": 1.0, "gramm": 1.0, "kg": 1000.0, "oz": OUNCE_G}
_UNIT_IN_HEADING = re.compile(r"(?:[\[(/]\s*|\bin\s+|\s)(mg|kg|oz|g|gr|grams|gramm)\s*[\])]?\s*$", re.IGNORECASE)

_NUMBER = re.compile(
    r"(?P<about>[~≈])?\s*(?P<number>[-+−]?[0-9][0-9.,'’ ]*|[-+−]?[.,][0-9]+)\s*"
    r"(?P<unit>mg|kg|grams|gramm|gram|gr|g|oz)?\.?\s*(?P<doubt>[?*!]*)",
    re.IGNORECASE,
)
_FIGURE = re.compile(
    r"-?[0-9]*(?:[.,][0-9]+)?|-?[0-9]{1,3}(?:\.[0-9]{3})+(?:,[0-9]+)?|-?[0-9]{1,3}(?:,[0-9]{3})+(?:\.[0-9]+)?"
)
"""One mark, or marks between thousands: '22.03.2026 mg' is no number."""

_NOTHING = re.compile(
    r"[-–—./x×]*|n\.?/?a\.?|none|nan|null|dead|died|lost|gone|missing|tot|weg|verloren|fehlt|mort|perdu|muerta?|perdida?|"
    r"dood|kwijt|morto|perso|broken|kaputt|\?+",
    re.IGNORECASE,
)
_SUMMARY = re.compile(
    r"(mean|average|avg|sum|total|median|min|max|sd|s\.d\.|stdev|n|count|mittel\w*|summe|gesamt|durchschnitt|ø|moyenne|"
    r"somme|media|promedio|gemiddelde|totale?|soma)\b.*",
    re.IGNORECASE,
)

_MONTH_STARTS = (
    "jan jän ene gen",
    "feb fév fev",
    "mar mär mrz mrt maa",
    "apr avr abr",
    "may mai mei mag",
    "jun juin giu",
    "jul juil lug",
    "aug aoû aou ago",
    "sep set",
    "oct okt ott out",
    "nov",
    "dec dez déc dic",
)
_MONTHS = {start: month for month, starts in enumerate(_MONTH_STARTS, start=1) for start in starts.split()}
_TIME_OF_DAY = (
    r"(?:[ ,T]+(?P<hour>[0-9]{1,2})[:h.](?P<minute>[0-9]{2})(?::[0-9]{2})?(?:\.[0-9]+)?\s*(?P<half>[ap]m)?"
    r"(?: ?(?:uhr|h))?)?"
)
_ISO = re.compile(
    rf"(?P<year>[0-9]{{4}})(?P<mark>[-/.])(?P<month>[0-9]{{1,2}})(?P=mark)(?P<day>[0-9]{{1,2}}){_TIME_OF_DAY}",
    re.IGNORECASE,
)
_FIGURES = re.compile(
    r"(?P<one>[0-9]{1,2})(?P<mark>[./-])(?P<other>[0-9]{1,2})(?P<more>(?P=mark)(?P<year>[0-9]{4}|[0-9]{2})?)?"
    + _TIME_OF_DAY,
    re.IGNORECASE,
)
_NAMED = re.compile(
    r"(?:[^\W\d_]{2,10}\.?,? )?"
    r"(?:(?P<day>[0-9]{1,2})(?![0-9])(?:st|nd|rd|th)?\.?[ -]*(?:de )?(?P<month>[^\W\d_]{3,10})\.?"
    r"|(?P<month2>[^\W\d_]{3,10})\.?[ -]*(?P<day2>[0-9]{1,2})(?![0-9])(?:st|nd|rd|th)?)"
    r"(?:[ ,-]*(?:de )?(?P<year>[0-9]{4}|['’]?[0-9]{2}))?" + _TIME_OF_DAY,
    re.IGNORECASE,
)
_DAY = re.compile(
    r"(?:day|tag|jour|día|dia|dag|giorno)[ .:_-]*(?P<day>[0-9]{1,3})"
    r"|(?P<day2>[0-9]{1,3})\.? ?(?:days?|tage?|jours?|días|dagen|d)",
    re.IGNORECASE,
)
_WEEK = re.compile(
    r"(?:week|woche|wk|semaine|semana|settimana)[ .:_-]*(?P<week>[0-9]{1,2})"
    r"|(?P<week2>[0-9]{1,2})\.? ?(?:weeks?|wochen?|wk)",
    re.IGNORECASE,
)
_SHORT = re.compile(r"([dtw]) ?([0-9]{1,3})", re.IGNORECASE)
_SERIALS = (36_526, 73_051)
"""Day numbers of a spreadsheet from 1 January 2000 to 31 December 2099."""

_START = re.compile(r"start|begin|beginning|anfang|beginn|début|inicio|inizio|initial", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Number:
    """A number as written: digits and marks, the factor of its unit (None: none written), whether somebody doubted
    it."""

    text: str
    factor: float | None = None
    doubted: bool = False
    native: float | None = None
    """The number itself, where a workbook holds it as one."""

    def ambiguous(self) -> bool:
        """Whether its one mark may part thousands or be the decimal one."""
        return self.native is None and re.fullmatch(r"[1-9][0-9]{0,2}[.,][0-9]{3}", self.text) is not None

    def decimal_mark(self) -> str:
        """The mark that must be the decimal one; empty if nothing shows it."""
        if self.native is not None or self.ambiguous():
            return ""
        marks = [c for c in self.text if c in ".,"]
        if not marks:
            return ""
        if len(set(marks)) == 2:
            return marks[-1]
        return marks[0] if len(marks) == 1 else {".": ",", ",": "."}[marks[0]]

    def value(self, decimal: str) -> float | None:
        """The number, if `decimal` is the decimal mark; None if it cannot be read so."""
        if self.native is not None:
            return self.native
        other = "." if decimal == "," else ","
        whole, _, part = self.text.partition(decimal)
        if decimal in part or other in part:
            return None
        if other in whole and not re.fullmatch(rf"[0-9]{{1,3}}(?:{re.escape(other)}[0-9]{{3}})+", whole):
            return None
        return float(f"{whole.replace(other, '') or '0'}.{part or '0'}")


@dataclass(frozen=True, slots=True)
class When:
    """A day as written. `choices`: the dates it may be, the day first before the month first; `day`: days since the
    start; `clock`: whether a time of day was written; `year_missing`: the choices are of the year 1904 then;
    `serial`: it was written as the day number of a spreadsheet."""

    choices: tuple[datetime, ...] = ()
    day: float | None = None
    clock: bool = False
    year_missing: bool = False
    serial: bool = False


@lru_cache(SEEN)
def number_of(value: Value) -> Number | None:
    """The number that a cell holds; None if it holds none."""
    if isinstance(value, float):
        return Number(f"{value:.10g}", native=value)
    if not isinstance(value, str):
        return None
    match = _NUMBER.fullmatch(value.strip())
    if match is None:
        return None
    digits = re.sub(r"(?<=[0-9])['’ ](?=[0-9]{3}(?![0-9]))", "", match["number"].strip()).replace("−", "-").lstrip("+")
    if not _FIGURE.fullmatch(digits) or not any(c.isdigit() for c in digits):
        return None
    unit = match["unit"]
    return Number(digits, _UNITS[unit.casefold()] if unit else None, bool(match["about"] or match["doubt"]))


def says_nothing(value: Value) -> bool:
    """Whether a cell says that there was nothing to weigh: empty, a dash, 'n/a', 'dead'."""
    return value is None or (isinstance(value, str) and _NOTHING.fullmatch(value.strip()) is not None)


def is_summary(value: Value) -> bool:
    """Whether a row that begins so sums up others."""
    return isinstance(value, str) and _SUMMARY.fullmatch(value.strip()) is not None


@lru_cache(SEEN)
def meaning_of(value: Value) -> str:
    """What a heading means; empty if no word of it is known."""
    if not isinstance(value, str) or len(value) > 60:
        return ""
    text = re.sub(r"[\[(].*?[\])]", " ", value.casefold())
    words = re.findall(r"[^\W\d_]+", text)
    if "%" in value:
        return "ignore"
    if not words and _UNIT_IN_HEADING.search(value):
        return "mass"
    return _meaning_of_words(words, numbered=any(c.isdigit() for c in text)) if len(words) <= 5 else ""


def _meaning_of_words(words: list[str], *, numbered: bool) -> str:
    known = [_MEANING_OF[word] for word in words if word in _MEANING_OF]
    best = min(known, key=list(_WORDS).index, default="")
    if best == "clock" and "date" in known:
        best = "date"
    if best in {"mass", "date"} and "pot" in known and words[-1] in {"nr", "no", "number", "nummer"}:
        best = "pot"
    # 'pot 7' is a pot, not the heading of pots
    return "" if best == "pot" and numbered else best


def factor_in_heading(value: Value) -> float | None:
    """Grams in one of the unit that a heading names; None if it names none."""
    match = _UNIT_IN_HEADING.search(value) if isinstance(value, str) else None
    return _UNITS.get(match[1].casefold()) if match else None


@lru_cache(SEEN)
def when_of(value: Value, *, inside: bool = False) -> When | None:
    """The day that a cell names; `inside`: anywhere in its text."""
    if isinstance(value, datetime):
        return When((value,), clock=(value.hour, value.minute) != (0, 0))
    if not isinstance(value, str):
        return None
    text = value.strip().rstrip(":,;")
    if not inside:
        return _when(text)
    bare = re.sub(r"[\[(].*?[\])]", " ", text).strip()
    found = _when(bare)
    if found is not None:
        return found
    for pattern in (_ISO, _FIGURES, _NAMED, _DAY, _WEEK):
        for match in _everywhere(rf"(?<![\w.,/-])(?:{pattern.pattern})(?![\w])", text):
            found = _when(match[0].strip())
            if found is not None and not (pattern is _FIGURES and found.year_missing and match["mark"] == "/"):
                return found
    return None


def _everywhere(pattern: str, text: str) -> Iterator[re.Match[str]]:
    """Matches that may overlap: 'Sunday 22' is none, and must not hide '22 March 2026'."""
    search, at = re.compile(pattern, re.IGNORECASE).search, 0
    while (match := search(text, at)) is not None:
        yield match
        at = match.start() + 1


def serial_date(value: Value) -> datetime | None:
    """The date that a spreadsheet's day number stands for, where a cell lost the format of a date.

    Days since 30 December 1899, the time of day as their fraction (ECMA-376-1 18.17.4.1, the 1900 system, from memory;
    openpyxl.utils.datetime.from_excel agrees). Only numbers of this century: 46103 is 22 March 2026.
    """
    number = number_of(value)
    if number is None or number.factor is not None or number.doubted:
        return None
    days = number.value(number.decimal_mark() or ".")
    if days is None or not _SERIALS[0] <= days < _SERIALS[1]:
        return None
    return datetime(1899, 12, 30) + timedelta(seconds=round(days * 86_400))  # noqa: DTZ001, local: its zone is asked


def short_day(value: Value) -> float | None:
    """The day of 'D7', 'T7' or 'W1', which may as well be the name of a pot."""
    match = _SHORT.fullmatch(value.strip()) if isinstance(value, str) else None
    return None if match is None else float(match[2]) * (7 if match[1] in "wW" else 1)


def _when(text: str) -> When | None:
    match = _ISO.fullmatch(text)
    if match:
        return _dated([(int(match["year"]), int(match["month"]), int(match["day"]))], match)
    match = _FIGURES.fullmatch(text)
    # '22.03.' is a date and '22.03' a number; '3-4' may be anything
    if match and (match["year"] or match["mark"] == "/" or (match["mark"] == "." and match["more"])):
        year, missing = _year(match["year"])
        one, other = int(match["one"]), int(match["other"])
        pairs = [(year, other, one)] if match["mark"] == "." else [(year, other, one), (year, one, other)]
        return _dated(pairs, match, missing=missing)
    match = _NAMED.fullmatch(text)
    if match:
        name = (match["month"] or match["month2"]).casefold()
        month = _MONTHS.get(name[:4], _MONTHS.get(name[:3]))
        if month:
            year, missing = _year(match["year"])
            return _dated([(year, month, int(match["day"] or match["day2"]))], match, missing=missing)
    match = _DAY.fullmatch(text)
    if match:
        return When(day=float(match["day"] or match["day2"]))
    match = _WEEK.fullmatch(text)
    if match:
        return When(day=7.0 * int(match["week"] or match["week2"]))
    return When(day=0.0) if _START.fullmatch(text) else None


def _year(text: str | None) -> tuple[int, bool]:
    """1904, which has a 29 February, stands for a year that nobody wrote."""
    if text is None:
        return 1904, True
    year = int(text.lstrip("'’"))
    return (year if year > 99 else 2000 + year), False


def _dated(days: list[tuple[int, int, int]], match: re.Match[str], *, missing: bool = False) -> When | None:
    hour, minute = int(match["hour"] or 0), int(match["minute"] or 0)
    if match["half"]:
        hour = hour % 12 + (12 if match["half"].casefold() == "pm" else 0)
    choices = []
    for year, month, day in days:
        try:
            choices.append(datetime(year, month, day, hour, minute))  # noqa: DTZ001, local: its zone is asked
        except ValueError:
            continue
    if not choices or not (missing or all(2000 <= choice.year < 2100 for choice in choices)):
        return None
    return When(tuple(dict.fromkeys(choices)), clock=match["hour"] is not None, year_missing=missing)
