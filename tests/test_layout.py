"""The shape of the project: what may import what, what the top level holds, how many modules a folder holds."""

from __future__ import annotations

import ast
import re
import subprocess
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
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
PACKAGES = ("ingest", "analysis", "ui")
_INGEST = "core wire store notebook files cycles alarms settings influx recorder home nursery"
_ANALYSIS = "base stats conditions growth compare relations dose plan live record pictures questions"
FOLDERS = {"ingest": _INGEST.split(" "), "analysis": _ANALYSIS.split(" ")}
"""The folders of a package, each importing only those before it."""

MODULES_IN_A_FOLDER = 18
READS_RECORD = {"record", "questions"}
"""The folders of `analysis` that know the record on disk; everything else there works on frames."""

IO_MODULES = {"sqlite3", "pathlib", "os", "time", "tidetray.ingest.store", "tidetray.ingest.notebook.notebook"}


def _tracked() -> list[str]:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return listed.stdout.splitlines()


def _sources(*folders: str) -> Iterator[Path]:
    for folder in folders:
        yield from (ROOT / folder).rglob("*.py")


def _imports(path: Path) -> set[str]:
    """Names imported anywhere in a file, except under `if TYPE_CHECKING`."""
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


def _folder(name: str) -> tuple[str, str] | None:
    """('ingest', 'store') of 'tidetray.ingest.store.recording'; None for what is in no folder."""
    parts = name.split(".")
    return (parts[1], parts[2]) if len(parts) > 2 and parts[0] == "tidetray" and parts[1] in FOLDERS else None


def test_everything_is_imported_by_its_one_name() -> None:
    bare = re.compile(r"^\s*(from|import) (ingest|analysis|ui|firmware_notes)\b", re.MULTILINE)
    assert not [str(path) for path in _sources(*PACKAGES, "tests") if bare.search(path.read_text())]


def test_imports_go_one_way_between_packages() -> None:
    for place, package in enumerate(PACKAGES):
        later = {f"tidetray.{each}" for each in PACKAGES[place + 1 :]}
        for path in _sources(package):
            upwards = {name for name in _imports(path) if ".".join(name.split(".")[:2]) in later}
            assert not upwards, f"{path.relative_to(ROOT)} imports {upwards}"


@pytest.mark.parametrize("package", FOLDERS)
def test_a_folder_imports_only_folders_before_it(package: str) -> None:
    order = FOLDERS[package]
    present = {path.parent.name for path in (ROOT / package).glob("*/*.py")}
    assert present <= set(order), f"{package}: folders that have no place in the order: {present - set(order)}"
    wrong = []
    for path in _sources(package):
        own = path.relative_to(ROOT / package).parts[0]
        for name in _imports(path):
            other = _folder(name)
            if own in order and other and other[0] == package and other[1] in order[order.index(own) + 1 :]:
                wrong.append(f"{path.relative_to(ROOT)} imports {name}")
    assert not wrong


def test_no_modules_import_each_other_in_a_circle() -> None:
    modules = {
        "tidetray." + ".".join(path.relative_to(ROOT).with_suffix("").parts): path for path in _sources(*PACKAGES)
    }
    graph = {name: (_imports(path) & set(modules)) - {name} for name, path in modules.items()}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as circle:
        pytest.fail(f"modules import each other: {' -> '.join(circle.args[1])}")


def test_analysis_reads_the_record_in_its_own_folders_only() -> None:
    for path in _sources("analysis"):
        if path.relative_to(ROOT / "analysis").parts[0] in READS_RECORD or path.name == "__init__.py":
            continue
        found = {name for name in _imports(path) if any(name == io or name.startswith(io + ".") for io in IO_MODULES)}
        assert not found, f"{path.relative_to(ROOT)} imports {found}"


def test_the_top_level_is_fixed() -> None:
    top = {name.split("/")[0] for name in _tracked()}
    assert {name for name in top if not name.startswith(".")} <= TOP


def test_a_folder_holds_what_one_can_overlook() -> None:
    held: dict[Path, int] = {}
    for path in _sources(*PACKAGES):
        held[path.parent] = held.get(path.parent, 0) + (path.name != "__init__.py")
    assert not {str(folder.relative_to(ROOT)): n for folder, n in held.items() if n > MODULES_IN_A_FOLDER}


def test_every_folder_says_what_lives_in_it() -> None:
    for folder in {path.parent for path in _sources(*PACKAGES)}:
        about = folder / "__init__.py"
        assert about.exists(), folder
        assert ast.get_docstring(ast.parse(about.read_text())), folder


def test_pyproject_lists_every_folder_as_a_package() -> None:
    listed = set(re.findall(r'"(tidetray(?:\.\w+)*)",', (ROOT / "pyproject.toml").read_text()))
    folders = {
        "tidetray." + ".".join(path.parent.relative_to(ROOT).parts)
        for path in _sources(*PACKAGES, "firmware_notes")
        if path.name == "__init__.py" and path.parent != ROOT / "ui" / "tidetray"
    }
    assert folders | {"tidetray"} == listed
