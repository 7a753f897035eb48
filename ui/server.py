"""The web server: Streamlit's pages behind the gate. Run by `ui/serve.py` with `streamlit run`."""

from __future__ import annotations

from pathlib import Path

from starlette.middleware import Middleware
from streamlit import config
from streamlit.starlette import App

from ingest.people import needs_people
from ingest.settings import home_folder, load_settings
from ui import sign_in
from ui.gate import Gate

# without an address Streamlit listens on all of them
_closed = needs_people(config.get_option("server.address") or "", load_settings(home_folder()).dashboard)
sign_in.open_to_all = not _closed

app = App(Path(__file__).parent / "app.py", middleware=[Middleware(Gate, home=home_folder(), closed=_closed)])
