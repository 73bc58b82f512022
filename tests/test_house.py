"""The house: who may import whom, and which parts do no I/O."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LAYOUTS = ["fields", "units", "values", "decoder", "csv_rows", "log_values"]
ANALYSIS = [f"analysis/{path.stem}" for path in sorted((ROOT / "collector" / "analysis").glob("*.py"))]
ALONE = [
    "ledger",
    "clock",
    "backoff",
    "model",
    "rfc3339",
    "shifts",
    "completeness",
    "canonical_json",
    "statements",
]
PURE = [*ALONE, *(f"layouts/{name}" for name in LAYOUTS), *ANALYSIS]
NOT_PURE = {"asyncio", "socket", "sqlalchemy", "time", "threading", "os", "pathlib", "logging", "random"}


def imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


@pytest.mark.parametrize("name", PURE)
def test_pure_parts_know_no_socket_no_clock_and_no_database(name: str) -> None:
    """A year of wraps and outages must run in a second of test."""
    used = {each.split(".")[0] for each in imports(ROOT / "collector" / f"{name}.py")}
    assert used.isdisjoint(NOT_PURE)


@pytest.mark.parametrize("package", ["collector", "simulators"])
def test_nothing_imports_the_api(package: str) -> None:
    """The store is the only thing that collector and API share."""
    for path in modules(package):
        assert not {each for each in imports(path) if each.split(".")[0] == "api"}, path


@pytest.mark.parametrize("package", ["collector", "api"])
def test_nothing_outside_imports_the_simulators(package: str) -> None:
    """The product does not need them."""
    for path in modules(package):
        assert not {each for each in imports(path) if each.split(".")[0] == "simulators"}, path


def test_the_api_knows_only_the_store_the_site_and_the_words() -> None:
    """It can't reach a controller: no source, no poller, no writer."""
    allowed = {
        "store",
        "config",
        "listening",
        "errors",
        "model",
        "rfc3339",
        "processes",
        "analysis",
        "shifts",
        "completeness",
        "pushing",
        "mqtt_closing",
    }
    for path in modules("api"):
        for each in imports(path):
            package, *rest = each.split(".")
            if package == "collector" and rest:
                assert rest[0] in allowed, f"{path} imports {each}"
                assert rest[:2] != ["store", "writer"], f"{path} imports the writer"


@pytest.mark.parametrize("library", ["pymodbus", "snap7", "aiomqtt", "paho"])
def test_a_client_library_never_leaves_its_source(library: str) -> None:
    """The client objects could write; only the file that wraps them may hold one. Beside the source of MQTT
    there is the publisher: it has a connection of its own, and publishes below the site's prefix alone."""
    holders = {
        path.relative_to(ROOT).as_posix()
        for package in ("collector", "api")
        for path in modules(package)
        if library in {each.split(".")[0] for each in imports(path)}
    }
    home = {"pymodbus": "modbus", "snap7": "s7", "aiomqtt": "mqtt", "paho": "mqtt"}[library]
    publisher = {"api/push/broker.py"} if home == "mqtt" else set()
    assert holders <= {f"collector/sources/{home}.py"} | publisher


@pytest.mark.parametrize("module", ["collector.daemon", "api.app"])
def test_nothing_waits_for_the_statistics_at_start(module: str) -> None:
    """After a kill a collector has to be back before its controllers forget."""
    asks = f"import {module}, sys; print(*sys.modules)"
    ended = subprocess.run([sys.executable, "-c", asks], capture_output=True, text=True, check=True)
    assert not {"scipy.stats", "scipy.sparse", "statsmodels", "pandas", "numba"} & set(ended.stdout.split())
