"""What is installed: the wheel and the editable install, each in a fresh environment.

Both are made of a copy of the tracked files, so that nothing left in the folder helps. The dependencies are those of
the running interpreter.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
VERSION = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
FOLDERS = {"ui/tidetray": "tidetray"} | {
    folder: f"tidetray/{folder}" for folder in ("ingest", "analysis", "ui", "firmware_notes")
}
"""Where the files of a folder are installed; the first that fits counts."""


def _tracked() -> list[str]:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return [name for name in listed.stdout.splitlines() if (ROOT / name).is_file() and not (ROOT / name).is_symlink()]


def _run(*command: str | Path, cwd: Path) -> str:
    env = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "PIP_"))}
    done = subprocess.run(command, cwd=cwd, env=env, capture_output=True, text=True, check=False, timeout=240)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The project's tracked files in a folder of their own."""
    folder = tmp_path_factory.mktemp("source")
    for name in _tracked():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, folder / name)
    return folder


def _built(source: Path, kind: str, out: Path) -> Path:
    """The wheel that the build backend makes, by its hook (PEP 517, PEP 660): no network, no isolation."""
    hook = f"import sys, setuptools.build_meta as backend; backend.build_{kind}(sys.argv[1])"
    _run(sys.executable, "-c", hook, out, cwd=source)
    (built,) = out.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def wheel(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel."""
    return _built(source, "wheel", tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module", params=["wheel", "editable"])
def python(request: pytest.FixtureRequest, source: Path, wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The interpreter of a fresh environment in which the wheel, or the project for editing, is installed."""
    folder = tmp_path_factory.mktemp(request.param)
    installed = wheel if request.param == "wheel" else _built(source, "editable", folder)
    python = folder / "env" / "bin" / "python"
    _run(sys.executable, "-m", "venv", "--without-pip", folder / "env", cwd=folder)
    _run(sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-deps", installed, cwd=folder)
    (packages,) = (folder / "env").glob("lib/python*/site-packages")
    # Paths only: the .pth files in those folders, this project's own editable install among them, are not read.
    behind = [path for path in sys.path if "site-packages" in path]
    (packages / "libraries.pth").write_text("\n".join(behind) + "\n")
    return python


def test_the_wheel_installs_one_name(wheel: Path) -> None:
    top = {name.split("/")[0] for name in zipfile.ZipFile(wheel).namelist()}
    assert top == {"tidetray", f"tidetray-{VERSION}.dist-info"}


def test_the_wheel_holds_every_module_and_every_file_that_is_read(wheel: Path) -> None:
    """Only the notes for contributors (a folder's README.md) may stay behind."""
    held = set(zipfile.ZipFile(wheel).namelist())
    expected = set()
    for name in _tracked():
        folder = next((folder for folder in FOLDERS if name.startswith(f"{folder}/")), None)
        if folder and Path(name).name != "README.md":
            expected.add(FOLDERS[folder] + name.removeprefix(folder))
    assert {"tidetray/py.typed", "tidetray/firmware_notes/node/main.py", "tidetray/ui/fonts/LICENSE.txt"} <= expected
    assert not expected - held
    assert not {name for name in held - expected if ".dist-info/" not in name and Path(name).name != "README.md"}


def test_the_command_runs_by_its_name_and_as_a_module(python: Path, tmp_path: Path) -> None:
    said = f"tidetray, version {VERSION}\n"
    assert _run(python, "-m", "tidetray", "--version", cwd=tmp_path) == said
    assert _run(python.parent / "tidetray", "--version", cwd=tmp_path) == said
    assert "  report " in _run(python, "-m", "tidetray", "--help", cwd=tmp_path)


def test_nothing_else_can_be_imported(python: Path, tmp_path: Path) -> None:
    """A folder or project called `ui` beside a notebook neither hides tidetray's nor is hidden by it."""
    look = (
        "import importlib.util as u, tidetray.ingest, tidetray.analysis, tidetray.ui, tidetray.firmware_notes;"
        "print(tidetray.__version__, *[n for n in ('ingest', 'analysis', 'ui', 'firmware_notes') if u.find_spec(n)])"
    )
    assert _run(python, "-c", look, cwd=tmp_path).split() == [VERSION]
