"""What is published, for those who subscribe: an AsyncAPI 3.0 document, made of the models that the tests
hold the messages against."""

from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from api.push import broker, states
from api.push.events import CONTENT_TYPE, TYPE_PREFIX
from api.schemas.push import Connection, ControllerState, ToldEvent
from collector import __version__
from collector.pushing import PublishPart
from collector.store.feed import KINDS, Kind

VERSION = "3.0.0"
MODELS: tuple[type[BaseModel], ...] = (ToldEvent, ControllerState, Connection)
BINDING_VERSION = "0.2.0"


def publishing_document(publish: PublishPart | None) -> dict[str, Any]:
    """Without [publish] it has no server, and the topics that there would be."""
    prefix = PublishPart.model_fields["topic_prefix"].default if publish is None else publish.topic_prefix
    kinds = KINDS if publish is None else publish.kinds
    _, schemas = models_json_schema(
        [(model, "serialization") for model in MODELS], ref_template="#/components/schemas/{model}"
    )
    kept: dict[str, type[BaseModel]] = {"controllerState": ControllerState, "connection": Connection}
    return {
        "asyncapi": VERSION,
        "info": {
            "title": "clampbook",
            "version": __version__,
            "description": "At least once: whoever gets an id again has had the event. What controllers said "
            "and what people recorded each in order of commit, but for what the broker did not take at once.",
        },
        "defaultContentType": broker.JSON,
        "servers": {} if publish is None else {"broker": _server(publish)},
        "channels": {
            **{kind: _channel(f"{prefix}/{broker.topic_of(kind)}", kind) for kind in kinds},
            "controllerState": {
                **_channel(f"{prefix}/{states.topic_of('{controller}')}", "controllerState"),
                "parameters": {"controller": {"description": "Name of the controller in the site file."}},
            },
            "connection": _channel(f"{prefix}/{broker.CONNECTION}", "connection"),
        },
        "operations": {
            f"publish {channel}": {
                "action": "send",
                "channel": {"$ref": f"#/channels/{channel}"},
                "bindings": {
                    "mqtt": {"qos": 1, "retain": channel in kept, "bindingVersion": BINDING_VERSION}
                },
            }
            for channel in (*kinds, *kept)
        },
        "components": {
            "messages": {
                **{kind: _event(kind) for kind in kinds},
                **{name: _message(name, model, broker.JSON) for name, model in kept.items()},
            },
            "schemas": schemas["$defs"],
        },
    }


def _server(publish: PublishPart) -> dict[str, Any]:
    return {
        "host": f"{publish.host}:{publish.port}",
        "protocol": "secure-mqtt" if publish.tls else "mqtt",
        "protocolVersion": "5.0",
    }


def _channel(address: str, message: str) -> dict[str, Any]:
    return {"address": address, "messages": {message: {"$ref": f"#/components/messages/{message}"}}}


def _event(kind: Kind) -> dict[str, Any]:
    """One that says of which type it is."""
    told = _message(kind, ToldEvent, CONTENT_TYPE)
    is_of_type = {"type": "object", "properties": {"type": {"const": TYPE_PREFIX + kind}}}
    return told | {"payload": {"allOf": [told["payload"], is_of_type]}}


def _message(name: str, model: type[BaseModel], content_type: str) -> dict[str, Any]:
    return {
        "name": name,
        "contentType": content_type,
        "payload": {"$ref": f"#/components/schemas/{model.__name__}"},
        "bindings": {"mqtt": {"payloadFormatIndicator": broker.UTF_8, "bindingVersion": BINDING_VERSION}},
    }
