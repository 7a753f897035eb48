"""compose.yaml as Compose would read it, and the commands and files that ingest/running.md shows."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).parent.parent
COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "compose.yaml").read_text())
RUNNING = (ROOT / "ingest" / "running.md").read_text()


def told(marker: str) -> str:
    """The code block of ingest/running.md behind a marker."""
    return RUNNING.split(f"<!-- {marker} -->", 1)[1].split("```", 2)[1].partition("\n")[2]


def content(name: str) -> str:
    """A configuration as Compose would write it: variables at their defaults, `$$` as `$`."""
    text = COMPOSE["configs"][name]["content"]
    return re.sub(r"\$\{\w+:-([^}]*)\}", r"\1", text).replace("$$", "$")


def secret_file(name: str) -> str:
    """The file that a secret of compose.yaml is read from."""
    return Path(COMPOSE["secrets"][name]["file"]).name


def make_secrets(folder: Path) -> Path:
    """The secrets, made as ingest/running.md types it; the folder that holds them."""
    subprocess.run(["bash", "-euo", "pipefail", "-c", told("secrets")], cwd=folder, check=True, capture_output=True)
    return folder / "secrets"
