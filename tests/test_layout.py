"""The shape of the project: what may import what, what may stand at the top, how long a file may be."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).parent.parent
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "ingest",
    "analysis",
    "ui",
    "firmware_notes",
    "tests",
    "compose.yaml",
}
MAY_IMPORT = {"ingest": {"ingest"}, "analysis": {"analysis", "ingest"}, "ui": {"ui", "analysis", "ingest"}}
DOERS_OF_IO = {"trial_data.py"}
IO_MODULES = {
    "tidetray.ingest.store.recording",
    "tidetray.ingest.notebook.notebook",
    "tidetray.ingest.store.queries",
    "tidetray.ingest.recorder.recorder",
    "sqlite3",
    "pathlib",
    "os",
    "time",
}


def _tracked() -> list[str]:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return listed.stdout.splitlines()


def _imports(path: Path) -> set[str]:
    """Names imported anywhere in a file but under `if TYPE_CHECKING`."""
    tree = ast.parse(path.read_text())
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    names: set[str] = set()
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def _modules_in_order(package: str) -> list[str]:
    """The modules of a package in the order of the table in DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    table = text[text.index("| module |") :].split("\n\n")[0]
    return re.findall(rf"`{package}/(\w+)\.py`", table)


def test_imports_go_one_way_between_packages() -> None:
    for package, allowed in MAY_IMPORT.items():
        for path in (ROOT / package).rglob("*.py"):
            ours = {name.split(".")[0] for name in _imports(path)} & set(MAY_IMPORT)
            assert ours <= allowed, f"{path.relative_to(ROOT)} imports {ours - allowed}"


def test_inside_a_package_imports_go_up_the_table() -> None:
    for package in ("ingest", "analysis"):
        order = _modules_in_order(package)
        present = {path.stem for path in (ROOT / package).glob("*.py")} - {"__init__"}
        assert set(order) == present, "the table of modules in DEVELOPERS.md and the files differ"
        for place, module in enumerate(order):
            imported = {
                name.split(".")[1]
                for name in _imports(ROOT / package / f"{module}.py")
                if name.startswith(f"{package}.")
            }
            later = imported & set(order[place + 1 :])
            assert not later, f"{package}/{module}.py imports {later}, which come after it in DEVELOPERS.md"


def test_analysis_does_no_io_but_in_one_place() -> None:
    for path in (ROOT / "analysis").glob("*.py"):
        if path.name not in DOERS_OF_IO:
            assert not _imports(path) & IO_MODULES, path.name


def test_the_top_level_is_fixed() -> None:
    top = {name.split("/")[0] for name in _tracked()}
    assert {name for name in top if not name.startswith(".")} <= TOP


def test_files_can_be_read_in_one_sitting() -> None:
    lines = {name: len((ROOT / name).read_text().splitlines()) for name in _tracked() if name.endswith(".py")}
    assert not {name: n for name, n in lines.items() if n > 450}
