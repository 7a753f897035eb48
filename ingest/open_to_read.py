"""A home's record as pages and commands read it: readings out of it, or from InfluxDB where the settings say so."""

from __future__ import annotations

from pathlib import Path

from ingest.readings import TidetrayError
from ingest.settings import RECORD_FILE, load_settings
from ingest.store import Store, open_store


def open_to_read(home: Path) -> Store:
    """StoreError if there is no record; SettingsError or InfluxError if the server that is named cannot be used."""
    store = open_store(home / RECORD_FILE, read_only=True)
    settings = load_settings(home).influx
    if settings.read:
        from ingest.influx import Influx
        from ingest.influx_reader import InfluxReader

        try:
            store.elsewhere = InfluxReader(Influx(settings))
        except TidetrayError:
            store.close()
            raise
    return store
