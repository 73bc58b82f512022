"""Layouts do no I/O and own no clock."""

import ast
from pathlib import Path

import pytest

MODULES = sorted((Path(__file__).parents[3] / "collector" / "layouts").glob("*.py"))
REACHES_OUT = {
    "asyncio",
    "socket",
    "sqlalchemy",
    "time",
    "threading",
    "subprocess",
    "os",
    "random",
    "logging",
}


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.name)
def test_layouts_import_nothing_that_reaches_out(module: Path) -> None:
    """No event loop, socket, database or clock; the one file that is read goes through toml_file."""
    imported = set()
    calls = set()
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            imported |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add((node.module or "").split(".")[0])
        elif isinstance(node, ast.Call):
            calls.add(ast.unparse(node.func))
    assert not imported & REACHES_OUT
    assert "open" not in calls
    assert not {call.split(".")[-1] for call in calls} & {"read_text", "read_bytes", "now", "utcnow", "today"}
