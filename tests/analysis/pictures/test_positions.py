"""The maps of many trays on one pair of scales: every pot once, in its tray, as on the tray's own map."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tidetray.analysis.pictures.base import Spec
from tidetray.analysis.pictures.positions import tray_maps, whole_maps

PAGE = 1.28


def made(trays: int, rows: int, columns: int, *, inlet: bool = True) -> tuple[pd.DataFrame, pd.DataFrame]:
    rng = np.random.default_rng(trays)
    names = [f"tray-{n}" for n in range(1, trays + 1)]
    places = [(tray, row, column) for tray in names for row in range(1, rows + 1) for column in range(1, columns + 1)]
    pots = pd.DataFrame(places, columns=["tray", "row", "column"])
    pots["pot"] = [f"{tray}-{row}{column}" for tray, row, column in places]
    pots["residual"], pots["rgr_per_day"] = rng.normal(0, 0.002, len(pots)), 0.03
    pots["light_factor"] = np.where(np.arange(len(pots)) % 3 == 0, np.nan, 0.8)
    at = {"inlet_row": 1.0, "inlet_column": 0.4} if inlet else {"inlet_row": np.nan, "inlet_column": np.nan}
    frame = pd.DataFrame({"tray": names, "treatment": "floods", "wet_h_d": 6.0, "unknown_share": 0.1, **at})
    return pots, frame.assign(light_mol_m2_d=8.0)


def rows_of(spec: Spec, **kind: Any) -> list[dict[str, Any]]:
    """The data of the layers with a mark of this kind."""
    return [row for layer in spec["layer"] if kind.items() <= layer["mark"].items() for row in layer["data"]["values"]]


@pytest.mark.parametrize("inlet", [True, False])
@pytest.mark.parametrize(
    ("trays", "rows", "columns"), [(1, 1, 1), (3, 2, 4), (4, 2, 4), (9, 2, 4), (40, 2, 4), (7, 5, 3), (5, 3, 8)]
)
def test_every_pot_is_drawn_once_in_its_tray(trays: int, rows: int, columns: int, inlet: bool) -> None:
    pots, frame = made(trays, rows, columns, inlet=inlet)
    pictures = whole_maps(pots, frame, page=PAGE)
    alone = {row["pot"]: row for _, _, spec in tray_maps(pots, frame) for row in rows_of(spec, type="point")}
    drawn = [row for spec in pictures for row in rows_of(spec, type="point")]
    assert sorted(row["pot"] for row in drawn) == sorted(alone) == sorted(pots["pot"])
    for row in drawn:
        assert {name: row[name] for name in ("kind", "said", "light")} == {
            name: alone[row["pot"]][name] for name in ("kind", "said", "light")
        }
    for spec in pictures:
        rims = rows_of(spec, type="rect", cornerRadius=12)
        for a, b in combinations(rims, 2):
            assert a["right"] < b["left"] or b["right"] < a["left"] or a["bottom"] < b["top"] or b["bottom"] < a["top"]
        for row in rows_of(spec, type="point"):
            around = [
                rim
                for rim in rims
                if rim["left"] < row["left"] < row["right"] < rim["right"]
                and rim["top"] < row["top"] < row["bottom"] < rim["bottom"]
            ]
            assert len(around) == 1
            own = row["pot"].rpartition("-")[0]
            said = [each for each in rows_of(spec, type="text", fontWeight="bold") if each["said"] == f"{own}, floods"]
            assert len(said) == 1
            assert said[0]["y"] < around[0]["top"]
        assert len(rows_of(spec, type="text", color="#1f78b4")) == (len(rims) if inlet else 0)


@pytest.mark.parametrize(("trays", "pictures"), [(1, 1), (4, 1), (9, 1), (12, 1), (13, 2), (40, 4)])
def test_trays_are_spread_over_as_many_sheets_as_they_need(trays: int, pictures: int) -> None:
    pots, frame = made(trays, 2, 4)
    drawn = whole_maps(pots, frame, page=PAGE)
    assert len(drawn) == pictures
    for spec in drawn:
        assert spec["height"] + 46 <= PAGE * spec["width"] + 1
    assert [len(rows_of(spec, type="point")) for spec in whole_maps(pots, frame)] == [8 * trays]


def test_a_long_sentence_on_water_has_a_second_line() -> None:
    pots, frame = made(9, 2, 4)
    frame.loc[0, "unknown_share"] = 0.97
    (spec,) = whole_maps(pots, frame)
    said = [row["said"] for row in rows_of(spec, type="text", fontSize=11) if "said" in row]
    assert [line for line in said if line.startswith("water: 97 %")] != []
    assert "water: 97 % of the time unknown, too much to tell hours a day" in " ".join(said)
    assert max(map(len, said)) <= 54
