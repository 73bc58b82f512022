"""No code of the product can name a call that changes a controller.

The lists of what could be called are made from the libraries' own client classes, so that a new version's new
writing call is on them by itself.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import paho.mqtt.client
import pytest
from pymodbus.client import AsyncModbusTcpClient
from snap7.async_client import AsyncClient, AsyncISOTCPConnection
from snap7.s7protocol import S7Protocol

from collector.sources.modbus import ModbusSource
from collector.sources.mqtt import MqttSource
from collector.sources.s7 import S7Source

ROOT = Path(__file__).parents[3]
CLIENTS: dict[str, tuple[type, ...]] = {
    "modbus.py": (AsyncModbusTcpClient,),
    "s7.py": (AsyncClient, AsyncISOTCPConnection, S7Protocol),
    "mqtt.py": (aiomqtt.Client, paho.mqtt.client.Client),
}
"""Source -> the client classes of its library."""

ALLOWED_CALLS = {
    "modbus.py": {"connect", "close", "read_holding_registers", "read_input_registers"},
    "s7.py": {"connect", "disconnect", "db_read", "parse_response"},
    "mqtt.py": {
        *("subscribe",),  # aiomqtt
        *("ack", "manual_ack_set", "is_connected", "disconnect", "loop_write", "socket"),  # paho
    },
}
"""Source -> all that it may name of its client's methods."""

ALLOWED_IMPORTS = {
    "modbus.py": {
        "pymodbus.client.AsyncModbusTcpClient",
        "pymodbus.exceptions.ModbusException",
        "pymodbus.pdu.ExceptionResponse",
    },
    "s7.py": {
        "snap7.async_client.AsyncClient",
        "snap7.async_client.AsyncISOTCPConnection",
        "snap7.error.S7Error",
        "snap7.error.S7TimeoutError",
        "snap7.error.get_protocol_error_message",
        "snap7.s7protocol.S7Function",
        "snap7.s7protocol.S7PDUType",
        "snap7.s7protocol.S7Protocol",
        "snap7.s7protocol.get_return_code_description",
    },
    "mqtt.py": {"aiomqtt", "aiomqtt.exceptions.MqttConnectError", "paho.mqtt.reasoncodes.ReasonCode"},
}
LIBRARIES = {"pymodbus", "snap7", "aiomqtt", "paho"}

BELOW_THE_CLIENT = {
    "write",
    "writelines",
    "send",
    "sendall",
    "sendto",
    "send_data",
    "pdu_send",
    "low_level_send",
}
"""Ways around a client's own methods: the transport, the transaction layer."""
BY_NAME_AT_RUN_TIME = {"getattr", "setattr", "eval", "exec", "__import__", "import_module", "attrgetter"}

CHANGING_WORDS = re.compile("write|plc_|upload|download|fill|force|copy_ram|password|clear")
CHANGING = {
    name
    for client in (AsyncModbusTcpClient, AsyncClient, S7Protocol)
    for name in dir(client)
    if "_" in name.strip("_") and CHANGING_WORDS.search(name)
}
"""Names of calls that can mean nothing else, anywhere."""


def names_in(tree: ast.AST) -> Iterator[str]:
    """Every attribute and variable that is named, and every text that is exactly one name."""
    for node in ast.walk(tree):
        match node:
            case ast.Attribute(attr=name) | ast.Name(id=name) | ast.Constant(value=str(name)):
                yield name
            case ast.FunctionDef(name=name) | ast.AsyncFunctionDef(name=name):
                yield name


def imports_in(tree: ast.AST) -> Iterator[str]:
    """Everything that is imported, with its module in front."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def forbidden_in_source(text: str, source: str) -> set[str]:
    """What a source file names or imports beyond what it may."""
    tree = ast.parse(text)
    public = {
        name
        for client in CLIENTS[source]
        for name in dir(client)
        if not name.startswith("_") and callable(getattr(client, name))
    }
    named = set(names_in(tree))
    imported = {each for each in imports_in(tree) if each.split(".")[0] in LIBRARIES}
    return (
        (named & public - ALLOWED_CALLS[source])
        | (named & (BELOW_THE_CLIENT | BY_NAME_AT_RUN_TIME))
        | (imported - ALLOWED_IMPORTS[source])
    )


def changing_in(text: str) -> set[str]:
    """Writing calls of any client library that a text names, be it in a comment."""
    return CHANGING & set(re.findall(r"\w+", text))


@pytest.mark.parametrize("source", ALLOWED_CALLS)
def test_a_source_names_nothing_of_its_client_but_what_it_may(source: str) -> None:
    """Of all that the client libraries offer, only the calls on a short list are named."""
    text = (ROOT / "collector" / "sources" / source).read_text(encoding="utf-8")
    assert forbidden_in_source(text, source) == set()


@pytest.mark.parametrize("package", ["collector", "api"])
def test_no_module_of_the_product_names_a_writing_call(package: str) -> None:
    """Not even in a comment; and the packages are really looked at."""
    modules = sorted((ROOT / package).rglob("*.py"))
    assert modules
    found = {path: changing_in(path.read_text(encoding="utf-8")) for path in modules}
    assert {path: names for path, names in found.items() if names} == {}


@pytest.mark.parametrize(
    ("source", "offers"),
    [(ModbusSource, {"read"}), (S7Source, {"read"}), (MqttSource, {"batches", "acknowledge"})],
)
def test_a_source_offers_reading_and_nothing_else(source: type, offers: set[str]) -> None:
    """Whoever holds a source has nothing to change a controller with, and no way to the client behind it."""
    assert {name for name in dir(source) if not name.startswith("_")} == offers


def test_the_lists_know_the_writing_calls() -> None:
    """The lists are made from the libraries; these well-known calls must be on them."""
    assert {"write_register", "write_registers", "write_coil", "mask_write_register"} <= CHANGING
    assert {"db_write", "write_area", "plc_stop", "plc_hot_start", "db_fill", "full_upload"} <= CHANGING


@pytest.mark.parametrize(
    ("source", "line", "found"),
    [
        ("modbus.py", "await self._client.write_register(1, 2)", "write_register"),
        ("modbus.py", "await self._client.readwrite_registers(1)", "readwrite_registers"),
        ("modbus.py", "await self._client.execute(False, request)", "execute"),
        ("modbus.py", "self._client.ctx.transport.write(b'')", "write"),
        ("modbus.py", "getattr(self._client, 'write' + '_coil')(1)", "getattr"),
        ("modbus.py", "from pymodbus.pdu.register_message import WriteSingleRegisterRequest as R",
         "pymodbus.pdu.register_message.WriteSingleRegisterRequest"),
        ("s7.py", "await self._client.db_write(1, 0, b'')", "db_write"),
        ("s7.py", "await self._client.plc_stop()", "plc_stop"),
        ("s7.py", "await self._client.delete('DB', 1)", "delete"),
        ("s7.py", "self._protocol.build_write_request(1)", "build_write_request"),
        ("s7.py", "from snap7.client import Client", "snap7.client.Client"),
        ("mqtt.py", "await self._client.publish('a', b'')", "publish"),
        ("mqtt.py", "self._paho.publish('a', b'')", "publish"),
    ],
)  # fmt: skip
def test_a_writing_call_in_a_source_would_be_found(source: str, line: str, found: str) -> None:
    """The check fails where it should."""
    assert found in forbidden_in_source(line, source)


@pytest.mark.parametrize("line", ["client.write_registers(0, [1])", "# then plc_stop", "name = 'db_write'"])
def test_a_writing_call_anywhere_would_be_found(line: str) -> None:
    """The check fails where it should."""
    assert changing_in(line)
