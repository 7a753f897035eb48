"""A module of the node's program run by this Python, as far as it is plain Python: what a node would do, without one.

Its annotations are left unread, as on the board.
"""

from __future__ import annotations
import __future__

from pathlib import Path
from types import ModuleType

NODE = Path(__file__).parents[1] / "firmware_notes" / "node"


def node_module(name: str) -> ModuleType:
    """`firmware_notes/node/<name>.py`."""
    source = NODE / f"{name}.py"
    module = ModuleType(name)
    flag = __future__.annotations.compiler_flag
    exec(compile(source.read_text(encoding="utf-8"), str(source), "exec", flags=flag), module.__dict__)
    return module
