"""The web server: Streamlit's pages behind the gate. Run by `ui/web/serve.py` with `streamlit run`."""

from __future__ import annotations

from pathlib import Path

from starlette.middleware import Middleware
from streamlit import config
from streamlit.starlette import App
from uvicorn.protocols.http.h11_impl import H11Protocol

from tidetray.ingest.home.accounts import People, needs_people
from tidetray.ingest.settings.model import home_folder, load_settings
from tidetray.ui.web import idle, own_log, sign_in
from tidetray.ui.web.gate import Gate

# without an address Streamlit listens on all of them
_settings = load_settings(home_folder()).dashboard
_closed = needs_people(config.get_option("server.address") or "", _settings)
sign_in.open_to_all = not _closed
if People(home_folder()):
    People(home_folder()).remember()  # of a home whose accounts are older than its record

idle.limit(H11Protocol)
own_log.keep_bounded()

app = App(
    Path(__file__).parents[1] / "app.py",
    middleware=[Middleware(Gate, home=home_folder(), closed=_closed, proxied=_settings.signed_in_by_proxy)],
)
