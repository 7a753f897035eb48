"""Labels and maps: a code that a camera reads as the pot's own address, plain text beside it, nothing from
elsewhere."""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
import segno
import zxingcpp
from PIL import Image

from tests.ingest.notebook.test_notebook import PLAN
from tidetray.ingest.core.refusals import EntryError
from tidetray.ui.prints.labels import label_page, map_page, weigh_in_address

POTS = pd.DataFrame(
    [("a-1", "tray-1", 1, 1, "floods"), ("a-2", "tray-1", 1, 2, "floods"), ("b-1", "tray-2", 1, 1, "emersed")],
    columns=["pot", "tray", "row", "column", "treatment"],
).assign(tare_g=30.0)
URL = "http://192.168.1.20:8501"


def test_a_reader_finds_the_pots_address_in_the_code() -> None:
    """Read back by zxing-cpp 3.1, an independent reader of ISO/IEC 18004, also with a tenth of the code
    smeared over."""
    address = weigh_in_address(URL, "a-1")
    assert address == "http://192.168.1.20:8501/weigh?pot=a-1"
    picture = io.BytesIO()
    segno.make(address, error="m", micro=False).save(picture, kind="png", scale=6, border=2)
    pixels = np.array(Image.open(picture).convert("L"))
    assert [found.text for found in zxingcpp.read_barcodes(pixels)] == [address]
    smeared = pixels.copy()
    side = pixels.shape[0]
    smeared[side * 5 // 10 : side * 6 // 10, side * 5 // 10 : side * 8 // 10] = 0
    assert [found.text for found in zxingcpp.read_barcodes(smeared)] == [address]


def test_labels_are_whole_in_themselves() -> None:
    page = label_page("bench", POTS, URL)
    assert page.count("<svg") == 3
    assert re.findall(r"<b>(.*?)</b>", page) == ["a-1", "a-2", "b-1"]
    assert "row 1, column 2" in page
    assert not re.search(r"src=|href=|@import|<script", page)


def test_names_are_shown_as_text() -> None:
    odd = POTS.assign(tray="<i>x</i>")
    assert "<i>" not in label_page("<i>bench</i>", odd, URL)


@pytest.mark.parametrize("url", ["", "nursery", "ftp://x", "http://", "http://x?y=1", "javascript:alert(1)"])
def test_addresses_that_no_phone_opens(url: str) -> None:
    with pytest.raises(EntryError, match="is no address of the pages"):
        weigh_in_address(url, "a-1")


def test_a_map_shows_treatments_and_pots() -> None:
    placed = POTS.assign(**{"from": datetime(2026, 6, 1, tzinfo=UTC), "to": pd.NaT})
    page = map_page(PLAN, placed, {"tray-1": "floods", "tray-2": "emersed"})
    assert '<h2>tray-1: <span class="treatment">floods</span></h2>' in page
    assert "<td>a-1</td><td>a-2</td>" in page
