"""A home's record as pages and commands read it: readings out of it, or from InfluxDB where the settings say so."""

from __future__ import annotations

from pathlib import Path

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import RECORD_FILE, load_settings
from tidetray.ingest.store.recording import Store, open_store


def open_to_read(home: Path) -> Store:
    """StoreError if there is no record; SettingsError or InfluxError if the server that is named cannot be used."""
    store = open_store(home / RECORD_FILE, read_only=True)
    settings = load_settings(home).influx
    if settings.read:
        from tidetray.ingest.influx.client import Influx
        from tidetray.ingest.influx.reader import InfluxReader

        try:
            store.elsewhere = InfluxReader(Influx(settings))
        except TidetrayError:
            store.close()
            raise
    return store
