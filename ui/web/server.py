"""The web server: Streamlit's pages behind the gate. Run by `ui/web/serve.py` with `streamlit run`."""

from __future__ import annotations

from pathlib import Path

from starlette.middleware import Middleware
from streamlit import config
from streamlit.starlette import App

from tidetray.ingest.home.accounts import needs_people
from tidetray.ingest.settings.model import home_folder, load_settings
from tidetray.ui.web import sign_in
from tidetray.ui.web.gate import Gate

# without an address Streamlit listens on all of them
_closed = needs_people(config.get_option("server.address") or "", load_settings(home_folder()).dashboard)
sign_in.open_to_all = not _closed

app = App(Path(__file__).parents[1] / "app.py", middleware=[Middleware(Gate, home=home_folder(), closed=_closed)])
