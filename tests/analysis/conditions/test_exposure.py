import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidetray.analysis.conditions.exposure import EXPOSURE_COLUMNS, daily_exposure, exposure
from tidetray.analysis.conditions.light import LIT_PPFD, light_from_hours

CYCLE = ["tray", "flood_start", "flood_reached", "drain_start", "dry", "outcome"]
UTC_MS = "datetime64[ms, UTC]"


def at(text: str | None, day: str = "2026-06-01") -> pd.Timestamp:
    if text is None:
        return pd.NaT
    return pd.Timestamp(text if len(text) > 5 else f"{day} {text}", tz="UTC")


def utc(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    return frame.assign(**{name: pd.to_datetime(frame[name], utc=True).dt.as_unit("ms") for name in columns})


def cycles(*rows: tuple[str | None, str | None, str | None, str | None, str], tray: str = "tray-1") -> pd.DataFrame:
    frame = pd.DataFrame([(tray, *(at(time) for time in row[:4]), row[4]) for row in rows], columns=CYCLE)
    return utc(frame, *CYCLE[1:5])


def light(*rows: tuple[str, float], tray: str = "tray-1") -> pd.DataFrame:
    return pd.DataFrame([(tray, at(time), value) for time, value in rows], columns=["tray", "time", "ppfd"])


def interval(start: str, end: str, pot: str = "pot-1") -> pd.DataFrame:
    return pd.DataFrame({"pot": [pot], "start": [at(start)], "end": [at(end)]})


def place(*rows: tuple[str, str, str | None, str | None]) -> pd.DataFrame:
    frame = pd.DataFrame(
        [(pot, tray, at(start), at(end)) for pot, tray, start, end in rows], columns=["pot", "tray", "from", "to"]
    )
    return utc(frame, "from", "to")


HERE = place(("pot-1", "tray-1", "2026-01-01", None))
DAY = interval("2026-06-01", "2026-06-02")
FLOOD = ("06:00", "06:01", "06:10", "06:14", "complete")


def minutes(row: pd.Series, *columns: str) -> list[float]:
    return [round(float(row[column]) * 60, 6) for column in columns]


def wet_dry_unknown(cycles: pd.DataFrame, light: pd.DataFrame | None = None, intervals=DAY, pots=HERE) -> list[float]:
    return minutes(exposure(cycles, light, intervals, pots).iloc[0], "wet_h", "dry_h", "unknown_h")


# --- worked by hand


def test_one_flood_in_a_day_half_of_it_in_the_dark():
    out = exposure(cycles(FLOOD), light(("00:00", 0), ("06:05", 100), ("18:05", 0)), DAY, HERE)
    assert tuple(out.columns) == EXPOSURE_COLUMNS
    row = out.iloc[0]
    assert (row["pot"], row["tray"], row["start"], row["end"]) == (
        "pot-1",
        "tray-1",
        at("2026-06-01"),
        at("2026-06-02"),
    )
    assert minutes(row, "hours", "wet_h", "dry_h", "unknown_h", "light_known_h") == [1440, 14, 1426, 0, 1440]
    assert minutes(row, "wet_lit_h", "wet_dark_h", "dry_lit_h", "dry_dark_h") == [9, 5, 711, 715]
    assert row["floods"] == 1
    assert row["dli_mol_m2_d"] == pytest.approx(100 * 12 * 0.0036)
    assert [str(out[column].dtype) for column in ("start", "end")] == [UTC_MS, UTC_MS]


def test_a_gap_of_half_an_hour_is_unknown_and_wins_over_wet():
    two = cycles(FLOOD, ("06:05", None, None, "06:35", "unknown"))
    assert wet_dry_unknown(two) == [5, 1405, 30]


def test_the_edges_of_an_interval_cut_a_flood():
    before = interval("2026-06-01", "2026-06-01 06:05")
    after = interval("2026-06-01 06:05", "2026-06-02")
    parts = exposure(cycles(FLOOD), None, pd.concat([before, after], ignore_index=True), HERE)
    assert [minutes(row, "wet_h", "dry_h") for _, row in parts.iterrows()] == [[5, 360], [9, 1066]]
    assert parts["floods"].tolist() == [1, 0]


def test_a_flood_reached_at_the_instant_between_two_intervals_counts_once():
    both = pd.concat([interval("2026-06-01", "2026-06-01 06:01"), interval("2026-06-01 06:01", "2026-06-02")])
    assert exposure(cycles(FLOOD), None, both, HERE)["floods"].tolist() == [0, 1]


def test_a_pot_moved_to_another_tray():
    moved = place(("pot-1", "tray-1", "2026-05-01", "2026-06-01 06:04"), ("pot-1", "tray-2", "2026-06-01 06:04", None))
    other = cycles(
        ("06:00", "06:01", "06:20", "06:30", "complete"),
        ("09:00", "09:02", "09:08", "09:10", "complete"),
        tray="tray-2",
    )
    lights = pd.concat([light(("00:00", 50)), light(("00:00", 0), tray="tray-2")])
    row = exposure(pd.concat([cycles(FLOOD), other]), lights, DAY, moved).iloc[0]
    # 4 min in tray-1, then 26 and 10 min in tray-2
    assert minutes(row, "wet_h", "dry_h", "unknown_h", "wet_lit_h", "wet_dark_h") == [40, 1400, 0, 4, 36]
    assert row["floods"] == 2  # tray-1 at 06:01, tray-2 at 09:02; the pot was not yet in tray-2 at 06:01
    assert row["tray"] == "tray-2"
    assert row["dli_mol_m2_d"] == pytest.approx(50 * 364 * 60 / 1e6)


def test_a_pot_is_unknown_while_it_has_no_place():
    placed = place(("pot-1", "tray-1", "2026-06-01 06:07", "2026-06-01 12:00"))
    out = exposure(cycles(FLOOD), light(("00:00", 50)), DAY, placed).iloc[0]
    assert minutes(out, "wet_h", "dry_h", "unknown_h", "light_known_h") == [7, 346, 1087, 353]
    assert math.isnan(out["dli_mol_m2_d"])  # light known for less than half of the day


def test_a_pot_that_stood_nowhere_in_the_interval():
    gone = place(("pot-1", "tray-1", "2026-01-01", "2026-02-01"))
    row = exposure(cycles(FLOOD), light(("00:00", 50)), DAY, gone).iloc[0]
    assert minutes(row, "hours", "unknown_h", "wet_h", "light_known_h") == [1440, 1440, 0, 0]
    assert pd.isna(row["tray"])


def test_local_days_when_the_clocks_change():
    # Lisbon goes from UTC to UTC+1 at 2026-03-29 01:00Z and back at 2026-10-25 01:00Z
    spring = cycles(
        ("2026-03-28 23:50", "2026-03-28 23:51", "2026-03-29 00:10", "2026-03-29 00:20", "complete"),
        ("2026-03-29 22:50", "2026-03-29 22:51", "2026-03-29 23:10", "2026-03-29 23:20", "complete"),
    )
    days = daily_exposure(spring, None, ["tray-1"], at("2026-03-28"), at("2026-03-30 23:00"), zone="Europe/Lisbon")
    assert days["day"].dt.strftime("%d").tolist() == ["28", "29", "30"]
    assert days["hours"].tolist() == [24, 23, 24]
    assert [minutes(row, "wet_h") for _, row in days.iterrows()] == [[10], [30], [20]]
    assert days["floods"].tolist() == [1, 1, 0]
    autumn = daily_exposure(spring, None, ["tray-1"], at("2026-10-24 23:00"), at("2026-10-26"), zone="Europe/Lisbon")
    assert autumn["hours"].tolist() == [25]


def test_days_are_cut_at_start_and_end_and_dry_trays_are_listed():
    days = daily_exposure(
        cycles(FLOOD), None, ["tray-1", "tray-9"], at("2026-06-01 06:02"), at("2026-06-02 03:00"), zone="UTC"
    )
    assert days["tray"].tolist() == ["tray-1", "tray-1", "tray-9", "tray-9"]
    assert days["hours"].tolist() == pytest.approx([17 + 58 / 60, 3] * 2)
    assert [minutes(row, "wet_h") for _, row in days.iterrows()] == [[12], [0], [0], [0]]


# --- what each outcome and each unseen time means


@pytest.mark.parametrize(
    ("row", "wet"),
    [
        (("06:00", None, None, "06:03", "no flood"), 0),
        (("06:00", None, "06:02", "06:05", "flood mark not reached"), 5),
        (("06:00", "06:01", "06:10", "06:40", "drained slowly"), 40),
        (("06:00", "06:01", "06:10", "06:15", "overflow"), 15),
        ((None, "06:01", "06:10", "06:14", "complete"), 13),
        ((None, None, "06:10", "06:14", "complete"), 4),
        (("06:00", "06:01", "06:10", None, "complete"), 10),
        (("06:00", "06:01", "06:10", None, "did not drain"), 18 * 60),
        (("06:00", "06:01", "06:10", None, "under way"), 18 * 60),
        (("06:00", "06:01", None, None, "complete"), 18 * 60),
    ],
)
def test_wet_minutes_of_one_row(row, wet):
    assert wet_dry_unknown(cycles(row)) == [wet, 1440 - wet, 0]


def test_a_tray_that_did_not_drain_stays_wet_until_its_next_row():
    two = cycles(("06:00", "06:01", "06:10", None, "did not drain"), ("08:00", "08:01", "08:10", "08:14", "complete"))
    assert wet_dry_unknown(two) == [134, 1306, 0]


def test_only_rows_of_the_same_tray_are_neighbours():
    rows = pd.concat(
        [
            cycles(("06:00", "06:01", None, None, "under way")),
            cycles(("07:00", "07:01", None, "07:10", "complete"), tray="tray-2"),
        ]
    )
    assert wet_dry_unknown(rows) == [18 * 60, 6 * 60, 0]


def test_an_unknown_spell_with_open_ends_reaches_to_its_neighbours():
    before, after = (None, None, None, "03:00", "unknown"), ("22:00", None, None, None, "unknown")
    assert wet_dry_unknown(cycles(before, FLOOD, after)) == [14, 1440 - 14 - 300, 300]
    between = ("07:00", None, None, None, "unknown")
    later = ("09:00", "09:01", "09:10", "09:14", "complete")
    assert wet_dry_unknown(cycles(FLOOD, between, later)) == [28, 1440 - 28 - 120, 120]
    back = (None, None, None, "08:00", "unknown")
    assert wet_dry_unknown(cycles(FLOOD, back, later)) == [28, 1440 - 28 - 106, 106]


def test_a_flood_that_starts_where_the_unknown_ends():
    before = (None, None, None, "06:00", "unknown")
    assert wet_dry_unknown(cycles(FLOOD, before)) == [14, 1440 - 360 - 14, 360]


def test_a_flood_of_unseen_end_before_a_spell_of_unseen_start_is_unknown():
    rows = cycles(("06:00", "06:01", None, None, "under way"), (None, None, None, "08:00", "unknown"))
    assert wet_dry_unknown(rows) == [1, 1440 - 120, 119]


def test_a_tray_of_which_nothing_is_known():
    assert wet_dry_unknown(cycles((None, None, None, None, "unknown"))) == [0, 0, 1440]


def test_no_floods_are_counted_in_unknown_rows():
    row = exposure(cycles(("06:00", "06:01", None, "07:00", "unknown")), None, DAY, HERE).iloc[0]
    assert row["floods"] == 0


def test_a_tray_without_rows_is_dry():
    assert wet_dry_unknown(cycles()) == [0, 1440, 0]


def test_cycles_and_light_without_a_tray_hold_for_all():
    pots = pd.DataFrame({"pot": ["pot-1", "pot-2"], "tray": ["tray-1", "tray-2"]})
    both = pd.concat([DAY, DAY.assign(pot="pot-2")])
    shared = exposure(cycles(FLOOD).drop(columns="tray"), light(("00:00", 50)).drop(columns="tray"), both, pots)
    assert shared["wet_lit_h"].tolist() == pytest.approx([14 / 60] * 2)


# --- light


@pytest.mark.parametrize("nothing", [None, utc(light(), "time"), light(("00:00", math.nan))])
def test_without_light_there_is_no_lit_and_no_dark(nothing):
    row = exposure(cycles(FLOOD), nothing, DAY, HERE).iloc[0]
    assert row[["wet_lit_h", "wet_dark_h", "dry_lit_h", "dry_dark_h", "dli_mol_m2_d"]].isna().all()
    assert row["light_known_h"] == 0
    assert minutes(row, "wet_h") == [14]


def test_lit_and_dark_cover_the_time_of_known_light_only():
    row = exposure(cycles(FLOOD), light(("06:04", LIT_PPFD), ("06:08", math.nan)), DAY, HERE).iloc[0]
    assert minutes(row, "wet_lit_h", "wet_dark_h", "dry_lit_h", "light_known_h") == [4, 0, 0, 4]
    assert math.isnan(row["dli_mol_m2_d"])


def test_the_daily_light_is_a_mean_over_the_known_half():
    assert exposure(cycles(), light(("12:00", 100)), DAY, HERE)["dli_mol_m2_d"].tolist() == [pytest.approx(8.64)]
    assert exposure(cycles(), light(("12:01", 100)), DAY, HERE)["dli_mol_m2_d"].isna().all()


def test_hourly_summaries_feed_exposure():
    hours = pd.DataFrame(
        {
            "tray": "tray-1",
            "time": pd.date_range(at("2026-06-01"), periods=24, freq="h"),
            "ppfd": [0.0] * 6 + [50.0] + [100.0] * 11 + [0.0] * 6,
            "covered_s": 3600.0,
            "above_s": [0.0] * 6 + [1800.0] + [3600.0] * 11 + [0.0] * 6,
        }
    )
    row = exposure(cycles(("06:20", "06:21", "06:40", "06:50", "complete")), light_from_hours(hours), DAY, HERE).iloc[0]
    assert minutes(row, "wet_lit_h", "wet_dark_h", "dry_lit_h") == [20, 10, 670]
    assert row["dli_mol_m2_d"] == pytest.approx(100 * 11.5 * 0.0036)


# --- bad input


def test_unknown_pots_are_named():
    with pytest.raises(ValueError, match="no such pot: pot-7"):
        exposure(cycles(FLOOD), None, DAY.assign(pot="pot-7"), HERE)


def test_intervals_that_overlap_or_run_backwards_are_named():
    overlapping = pd.concat([DAY, interval("2026-06-01 23:00", "2026-06-03")])
    with pytest.raises(ValueError, match=r"intervals: pot pot-1: 2026-06-01T00:00.* overlaps 2026-06-01T23:00"):
        exposure(cycles(FLOOD), None, overlapping, HERE)
    with pytest.raises(ValueError, match=r"pot-1: the end .* must be after the start"):
        exposure(cycles(FLOOD), None, interval("2026-06-02", "2026-06-01"), HERE)
    with pytest.raises(ValueError, match=r"pot-1: the end \(open\)"):
        exposure(cycles(FLOOD), None, DAY.assign(end=pd.Series([pd.NaT], dtype=UTC_MS)), HERE)
    with pytest.raises(ValueError, match="pot-1: no start"):
        exposure(cycles(FLOOD), None, DAY.assign(start=pd.Series([pd.NaT], dtype=UTC_MS)), HERE)


def test_overlapping_placements_are_named():
    twice = place(("pot-1", "tray-1", "2026-01-01", None), ("pot-1", "tray-2", "2026-06-01", None))
    with pytest.raises(ValueError, match=r"placements: pot pot-1: .* to open overlaps"):
        exposure(cycles(FLOOD), None, DAY, twice)


def test_times_without_a_zone_are_refused():
    naive = DAY.assign(end=pd.Timestamp("2026-06-02"))
    with pytest.raises(ValueError, match="intervals: times need a zone"):
        exposure(cycles(FLOOD), None, naive, HERE)
    with pytest.raises(ValueError, match="need a zone"):
        daily_exposure(cycles(), None, ["tray-1"], pd.Timestamp("2026-06-01"), at("2026-06-02"), zone="UTC")


def test_daily_exposure_runs_forward():
    with pytest.raises(ValueError, match="is not after the start"):
        daily_exposure(cycles(), None, ["tray-1"], at("2026-06-02"), at("2026-06-02"), zone="UTC")


def test_missing_columns_are_named():
    with pytest.raises(ValueError, match="cycles: columns missing: dry, outcome"):
        exposure(cycles(FLOOD).drop(columns=["dry", "outcome"]), None, DAY, HERE)
    with pytest.raises(ValueError, match="light: columns missing: ppfd"):
        exposure(cycles(FLOOD), light(("00:00", 1)).drop(columns="ppfd"), DAY, HERE)


def test_cycles_that_run_backwards_or_have_no_time_are_refused():
    with pytest.raises(ValueError, match="ends before that"):
        exposure(cycles(("06:00", None, None, "05:00", "complete")), None, DAY, HERE)
    with pytest.raises(ValueError, match="no time at all"):
        exposure(cycles((None, None, None, None, "complete")), None, DAY, HERE)


def test_no_intervals_give_no_rows():
    out = exposure(cycles(FLOOD), None, DAY.iloc[:0], HERE)
    assert out.empty
    assert tuple(out.columns) == EXPOSURE_COLUMNS


# --- properties: against counting minute by minute

LENGTH = 240  # minutes
START = at("2026-06-01")
minute = st.integers(-30, LENGTH + 30)


def when(m: int) -> pd.Timestamp:
    return START + pd.Timedelta(minutes=m)


@st.composite
def histories(draw):
    """Spells (begin, end, outcome) and light (minute, ppfd) of two trays; one pot and its moves; interval edges."""
    spell = st.tuples(minute, st.integers(0, 60), st.sampled_from(["complete", "overflow", "no flood", "unknown"]))
    spells = {tray: draw(st.lists(spell, max_size=6)) for tray in ("tray-1", "tray-2")}
    level = st.sampled_from([0.0, 0.5, LIT_PPFD, 100.0, math.nan])
    lights = {tray: draw(st.dictionaries(minute, level, max_size=5)) for tray in ("tray-1", "tray-2")}
    moves = sorted(draw(st.sets(st.integers(0, LENGTH), min_size=1, max_size=3)))
    trays = draw(st.lists(st.sampled_from(["tray-1", "tray-2", None]), min_size=len(moves), max_size=len(moves)))
    edges = sorted(draw(st.sets(st.integers(0, LENGTH), min_size=2, max_size=5)))
    return spells, lights, list(zip(moves, [*moves[1:], None], trays, strict=True)), edges


def frames(history):
    spells, lights, moves, edges = history
    rows = [
        (tray, when(begin), when(begin), when(begin), when(begin + length), outcome)
        for tray, some in spells.items()
        for begin, length, outcome in some
    ]
    lit = [(tray, when(m), value) for tray, some in lights.items() for m, value in some.items()]
    placed = [("pot-1", tray, when(a), when(LENGTH + 1 if b is None else b)) for a, b, tray in moves if tray]
    return (
        utc(pd.DataFrame(rows, columns=CYCLE), *CYCLE[1:5]),
        utc(pd.DataFrame(lit, columns=["tray", "time", "ppfd"]), "time"),
        pd.DataFrame({"pot": "pot-1", "start": [when(m) for m in edges[:-1]], "end": [when(m) for m in edges[1:]]}),
        utc(
            pd.DataFrame(
                [*placed, ("pot-1", "tray-1", when(LENGTH + 1), pd.NaT)], columns=["pot", "tray", "from", "to"]
            ),
            "from",
            "to",
        ),
    )


def counted(history, start: int, end: int) -> dict[str, float]:
    spells, lights, moves, _ = history
    out = dict.fromkeys(
        [
            "wet_h",
            "dry_h",
            "unknown_h",
            "wet_lit_h",
            "wet_dark_h",
            "dry_lit_h",
            "dry_dark_h",
            "floods",
            "light_known_h",
            "light",
        ],
        0.0,
    )
    for m in range(start, end):
        tray = next((tray for a, b, tray in moves if a <= m and (b is None or m < b)), None)
        if tray is None:
            out["unknown_h"] += 1
            continue
        now = {outcome for begin, length, outcome in spells[tray] if begin <= m < begin + length} - {"no flood"}
        out["floods"] += sum(begin == m and outcome != "unknown" for begin, _, outcome in spells[tray])
        state = "unknown" if "unknown" in now else "wet" if now else "dry"
        out[f"{state}_h"] += 1
        level = (
            lights[tray][max(t for t in lights[tray] if t <= m)] if min(lights[tray], default=m + 1) <= m else math.nan
        )
        if not math.isnan(level):
            out["light_known_h"] += 1
            out["light"] += level * 60
            if state != "unknown":
                out[f"{state}_{'lit' if level >= LIT_PPFD else 'dark'}_h"] += 1
    return out


@settings(max_examples=100, deadline=None)
@given(histories())
def test_exposure_equals_counting_minutes(history):
    out = exposure(*frames(history))
    for (_, row), start, end in zip(out.iterrows(), history[3][:-1], history[3][1:], strict=True):
        expected = counted(history, start, end)
        known, light = expected["light_known_h"], expected.pop("light")
        for name, value in expected.items():
            if "lit" in name or "dark" in name:
                assert known == 0 or row[name] * 60 == pytest.approx(value)
                assert known > 0 or math.isnan(row[name])
            else:
                assert row[name] * (1 if name == "floods" else 60) == pytest.approx(value)
        assert row["wet_h"] + row["dry_h"] + row["unknown_h"] == pytest.approx(row["hours"], rel=1e-15)
        if known and 2 * known >= end - start:
            assert row["dli_mol_m2_d"] == pytest.approx(light / 1e6 / (known / 1440))
        else:
            assert math.isnan(row["dli_mol_m2_d"])


@settings(max_examples=25, deadline=None)
@given(histories(), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(history, random):
    given_frames = frames(history)
    mixed = []
    for frame in given_frames:
        order = list(range(len(frame)))
        random.shuffle(order)
        mixed.append(frame.iloc[order])
    again = exposure(*mixed).sort_values("start", ignore_index=True)
    pd.testing.assert_frame_equal(again, exposure(*given_frames))


@settings(max_examples=25, deadline=None)
@given(histories())
def test_the_parts_of_an_interval_add_up_to_it(history):
    cycle_rows, light_rows, intervals, pots = frames(history)
    whole = pd.DataFrame({"pot": ["pot-1"], "start": [intervals["start"].iloc[0]], "end": [intervals["end"].iloc[-1]]})
    parts = exposure(cycle_rows, light_rows, intervals, pots)
    total = exposure(cycle_rows, light_rows, whole, pots).iloc[0]
    for name in ("hours", "wet_h", "dry_h", "unknown_h", "light_known_h", "floods"):
        assert np.sum(parts[name]) == pytest.approx(total[name])
