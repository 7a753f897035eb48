"""A sealed file that is missing, empty, half there or changed at the very moment at which it begins to count.

Rows leave the table only as they are read from the file: nothing is gone, other months are sealed, recording goes on.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.ingest.store.test_raw_readings import DAY, MARCH, give, levels, seal_all, table
from tidetray.ingest.store import sealing
from tidetray.ingest.store.raw_readings import SealedError
from tidetray.ingest.store.recording import Store
from tidetray.ingest.store.sealing import Sealed


def _half(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _changed(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 0x10
    path.write_bytes(content)


DAMAGES: dict[str, Callable[[Path], object]] = {
    "missing": Path.unlink,
    "empty": lambda path: path.write_bytes(b""),
    "half": _half,
    "changed": _changed,
}


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("when", ["before it counts", "after it counts"])
def test_nothing_is_lost_and_other_months_go_on(
    bench_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, damage: str, when: str
) -> None:
    rows = [(MARCH + at * DAY, at / 100) for at in range(90)]
    for row in rows:
        give(bench_store, [row])
    let_count, saved = sealing._Sealing._let_count, tmp_path / "saved.parquet"
    damaged: list[Path] = []

    def spoil(month: sealing.Month) -> None:
        if month.month == "2026-04":
            (path,) = Path(bench_store.path).with_name("tidetray.sealed").glob("*.2026-04.parquet")
            shutil.copyfile(path, saved)
            DAMAGES[damage](path)
            damaged.append(path)

    def counting(self: sealing._Sealing, number: int, month: sealing.Month, written: object) -> None:
        if when == "before it counts":
            spoil(month)
        let_count(self, number, month, written)  # type: ignore[arg-type]
        if when == "after it counts":
            spoil(month)

    monkeypatch.setattr(sealing._Sealing, "_let_count", counting)
    done = seal_all(bench_store)
    assert len(damaged) == 1
    assert [each.month for each in done if isinstance(each, Sealed)] == ["2026-03", "2026-05"]
    assert [type(each) for each in done if not isinstance(each, Sealed)] == [SealedError]
    assert table(bench_store) == 30  # all of April
    assert give(bench_store, [(MARCH + 90 * DAY, 0.9)]).readings == 1
    bench_store.fold()
    assert table(bench_store) == 31
    again = seal_all(bench_store, before_ms=MARCH + 90 * DAY)
    assert again
    assert all(isinstance(each, SealedError) and damaged[0].name in str(each) for each in again)
    shutil.copyfile(saved, damaged[0])
    assert all(isinstance(each, Sealed) for each in seal_all(bench_store, before_ms=MARCH + 90 * DAY))
    assert levels(bench_store) == [*rows, (MARCH + 90 * DAY, 0.9)]
    assert table(bench_store) == 1
    assert bench_store.quarantine.messages() == []
