"""Starts the web server that shows the pages: as a child process, or in place of this one."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

from tidetray.analysis.pictures.palette import THEME_FLAGS
from tidetray.ui.web.own_log import OWN_LOG
from tidetray.ui.web.uploads import MOST_UPLOADED_BYTES


def serve(home: Path, *, host: str, port: int) -> None:
    """Become the web server. Does not return."""
    os.environ["TIDETRAY_HOME"] = str(home)
    os.execv(sys.executable, command(host, port))


def start(home: Path, *, host: str, port: int, log: Path) -> subprocess.Popen[bytes]:
    """Start the web server beside this process; what it prints goes to `log`, of which it keeps the end."""
    log.unlink(missing_ok=True)
    with log.open("ab") as out:  # appended to, so that the server may cut it off
        return subprocess.Popen(
            command(host, port),
            stdout=out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            env={**os.environ, "TIDETRAY_HOME": str(home), OWN_LOG: str(log.absolute())},
        )


def free_port(host: str, wanted: int) -> int:
    """`wanted` if it is free, else one that is."""
    for port in (wanted, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise OSError(f"no free port on {host}")


def command(host: str, port: int) -> list[str]:
    """The words that run the web server."""
    return [
        sys.executable,
        "-m",
        "streamlit",
        "run",
        str(Path(__file__).parent / "server.py"),
        f"--server.address={host}",
        f"--server.port={port}",
        "--server.headless=true",
        "--browser.gatherUsageStats=false",
        "--server.fileWatcherType=none",
        f"--server.maxUploadSize={MOST_UPLOADED_BYTES // 1_000_000}",
        "--client.toolbarMode=minimal",
        "--client.showErrorDetails=none",
        "--client.showErrorLinks=false",
        "--runner.magicEnabled=false",
        "--runner.postScriptGC=false",  # a search through all of memory after each drawing, while nobody is served
        *THEME_FLAGS,
    ]
