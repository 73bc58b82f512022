"""The examples in the OpenAPI document are answers as the document says."""

import json
from typing import Any, cast

import pytest

from api.schemas import features, push, settings, setups, statements, tolerance
from api.schemas.common import Answer

WITH_EXAMPLES: list[type[Answer]] = [
    features.CycleFeatures,
    settings.SettingChange,
    settings.RankedChange,
    settings.ChangesBefore,
    setups.Misfit,
    setups.Setup,
    statements.StatementPage,
    statements.StatementStatus,
    tolerance.ToolTolerance,
    tolerance.CycleTolerance,
    push.Receiver,
    push.Delivery,
]


@pytest.mark.parametrize("model", WITH_EXAMPLES, ids=lambda model: model.__name__)
def test_an_example_is_as_the_document_says(model: type[Answer]) -> None:
    """No member more, none less, none of another type."""
    (example,) = cast(dict[str, Any], model.model_config["json_schema_extra"])["examples"]
    model.model_validate_json(json.dumps(example), strict=True)
