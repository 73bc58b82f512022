"""Files that people write, in TOML: read, checked against a model, and every mistake named with its line.

`tomllib` gives values but no lines. `_Scanner` walks the text a second time, only for structure (headers,
keys, inline tables, array elements), after `tomllib` has vouched for the syntax; so it need not judge, only
keep count.
"""

import json
import re
import tomllib
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, InitErrorDetails, PydanticCustomError

from collector.errors import ConfigError, Mistake

KeyPath = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)


_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_LAST_PART = re.compile(r'(?:\[\d+\]|\.?(?:[A-Za-z0-9_-]+|"(?:\\.|[^"\\])*"))$')


@dataclass(frozen=True, slots=True)
class TomlFile:
    """A TOML file with the line of each key."""

    path: Path
    data: dict[str, Any]
    lines: Mapping[str, int]
    """Dotted key, such as `status.fields[3].type` -> 1-based line."""

    def line_of(self, key: str) -> int | None:
        """Line of the key, or of the nearest thing around it; None for the whole file."""
        while key and key not in self.lines:
            key = _LAST_PART.sub("", key, count=1)
        return self.lines.get(key)

    def mistake(self, key: str, says: str) -> Mistake:
        return Mistake(str(self.path), self.line_of(key), key, says)


def dotted(key: KeyPath) -> str:
    """`("controllers", 2, "port")` as `controllers[2].port`; a part that TOML would quote is quoted."""
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{_spelled(part)}" for part in key)
    return text.removeprefix(".")


def _spelled(part: str) -> str:
    return part if _BARE_KEY.fullmatch(part) else json.dumps(part)


def read_toml(path: Path) -> TomlFile:
    """Read and parse one file. A byte order mark in front (Windows editors write one) is passed over.

    Raises: ConfigError: it can't be read, is not UTF-8, or is not TOML.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
        data = tomllib.loads(text)
        lines = {dotted(key): line for key, line in _Scanner(text).scan().items()}
        return TomlFile(path, data, lines)
    except OSError as error:
        raise _unusable(path, None, f"can't be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise _unusable(path, line, "is not UTF-8 text; save it in that encoding") from error
    except RecursionError as error:
        raise _unusable(path, None, "is nested too deeply") from error
    except ValueError as error:  # TOMLDecodeError, and what its number parsers let through
        raise _unusable(path, _line_in(str(error), text), f"is not valid TOML: {error}") from error


def _unusable(path: Path, line: int | None, says: str) -> ConfigError:
    return ConfigError([Mistake(str(path), line, "", says)])


def _line_in(message: str, text: str) -> int | None:
    found = re.search(r"at line (\d+)", message)
    if found:
        return int(found[1])
    return text.count("\n") + 1 if "end of document" in message else None


# ---- lines -----------------------------------------------------------------------------------------------

_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'  # up to two quotation marks may stand right before the closing three
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\])*"'
    r"|'[^']*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}\n#]+")


class _Scanner:
    """Walks valid TOML and notes where each key and each array element begins."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line_ends = [found.start() for found in re.finditer("\n", text)]
        self._lines: dict[KeyPath, int] = {}
        self._tables_in: dict[KeyPath, int] = {}  # array of tables -> tables so far

    def scan(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self._skip_blank()
        while self._at < len(self._text):
            if self._next("[["):
                table = self._array_header()
            elif self._next("["):
                table = self._table_header()
            else:
                self._pair(table)
            self._skip_blank()
        return self._lines

    def _table_header(self) -> KeyPath:
        line = self._line()
        path = self._note((), self._key(), line)
        self._take("]")
        return path

    def _array_header(self) -> KeyPath:
        line = self._line()
        path = self._note((), self._key(), line, last_is_array=True)
        self._take("]]")
        self._tables_in[path] = self._tables_in.get(path, 0) + 1
        path = (*path, self._tables_in[path] - 1)
        self._lines[path] = line
        return path

    def _note(self, path: KeyPath, parts: list[str], line: int, last_is_array: bool = False) -> KeyPath:
        """Note each step of a dotted key; a step into an array of tables means its last table."""
        for number, part in enumerate(parts, start=1):
            path = (*path, part)
            self._lines.setdefault(path, line)
            if path in self._tables_in and not (last_is_array and number == len(parts)):
                path = (*path, self._tables_in[path] - 1)
        return path

    def _pair(self, table: KeyPath) -> None:
        line = self._line()
        path = self._note(table, self._key(), line)
        self._take("=")
        self._skip_blank()
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        if self._next("["):
            number = 0
            while not self._closes("]"):
                self._lines[(*path, number)] = self._line()
                self._value((*path, number))
                number += 1
        elif self._next("{"):
            while not self._closes("}"):
                self._pair(path)
        else:
            found = _STRING.match(self._text, self._at) or _SCALAR.match(self._text, self._at)
            self._at = found.end() if found else self._at + 1

    def _key(self) -> list[str]:
        parts = []
        while True:
            self._skip_blank()
            bare = _BARE_KEY.match(self._text, self._at)
            quoted = _STRING.match(self._text, self._at)
            if bare:
                parts.append(bare[0])
            elif quoted:
                parts.append(tomllib.loads(f"key = {quoted[0]}")["key"])
            found = bare or quoted
            self._at = found.end() if found else self._at + 1
            self._skip_blank()
            if not self._next("."):
                return parts

    def _closes(self, mark: str) -> bool:
        """Whether the array or inline table ends here; passes over commas."""
        self._skip_blank()
        while self._next(","):
            self._skip_blank()
        return self._at >= len(self._text) or self._next(mark)

    def _next(self, mark: str) -> bool:
        """Step over the mark if it stands here."""
        here = self._text.startswith(mark, self._at)
        self._at += len(mark) if here else 0
        return here

    def _take(self, mark: str) -> None:
        self._skip_blank()
        self._next(mark)

    def _skip_blank(self) -> None:
        found = _BLANK.match(self._text, self._at)
        self._at = found.end() if found else self._at

    def _line(self) -> int:
        return bisect_right(self._line_ends, self._at) + 1


# ---- validation ------------------------------------------------------------------------------------------


def validate(model: type[Model], toml: TomlFile) -> Model:
    """The file's content as the model; a TOML array arrives as a tuple (models here are frozen and strict).

    Raises: ConfigError: with every mistake that the model finds, in the order of the file.
    """
    try:
        return model.model_validate(_with_tuples(toml.data))
    except ValidationError as error:
        raise ConfigError(_mistakes(model, toml, error.errors(include_url=False))) from error


def refuse(model: type[BaseModel], mistakes: Iterable[tuple[KeyPath, str]]) -> None:
    """For a model's own validators: refuse with any number of mistakes, each at its key below the model.

    Raises: ValidationError: unless there are none.
    """
    details = [
        InitErrorDetails(type=PydanticCustomError("mistake", "{says}", {"says": says}), loc=key, input=None)
        for key, says in mistakes
    ]
    if details:
        raise ValidationError.from_exception_data(model.__name__, details)


def _with_tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _with_tuples(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return tuple(_with_tuples(inner) for inner in value)
    return value


def _mistakes(model: type[BaseModel], toml: TomlFile, errors: list[ErrorDetails]) -> list[Mistake]:
    says: dict[KeyPath, list[str]] = {}
    places = [error["loc"] for error in errors]
    for error in errors:
        loc = error["loc"]
        if error["type"] == "too_short" and any(each != loc == each[: len(loc)] for each in places):
            continue  # an entry that has a mistake of its own is not counted
        sentences = says.setdefault(_key_of(error, toml.data), [])
        sentence = _sentence(model, error)
        if sentence not in sentences:  # one per member of a union
            sentences.append(sentence)
    mistakes = [toml.mistake(dotted(key), ", or ".join(sentences)) for key, sentences in says.items()]
    return sorted(mistakes, key=lambda mistake: mistake.line or 0)


def _key_of(error: ErrorDetails, data: Any) -> KeyPath:
    """The place of an error as a path into the file: pydantic mixes in names of union members."""
    key: KeyPath = ()
    for part in error["loc"]:
        if _holds(data, part):
            data = data[part]
        elif error["type"] not in ("missing", "mistake") or part != error["loc"][-1]:
            continue
        key = (*key, part)
    if error["type"].startswith("union_tag"):
        key = (*key, error["ctx"]["discriminator"].strip("'"))
    return key


def _holds(data: Any, part: str | int) -> bool:
    if isinstance(part, int):
        return isinstance(data, list) and part < len(data)
    return isinstance(data, dict) and part in data


_NEEDS = {
    "missing": "is missing",
    "union_tag_not_found": "is missing",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "float_type": "must be a number",
    "finite_number": "must be a finite number",
    "string_type": "must be text in quotation marks",
    "bool_type": "must be true or false",
    "tuple_type": "must be a list in square brackets",
    "list_type": "must be a list in square brackets",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "model_attributes_type": "must be a table",
    "time_type": "must be a time of day, such as 06:00:00",
    "literal_error": "is {input!r}; it must be {expected}",
    "union_tag_invalid": "is {tag!r}; it must be one of {expected_tags}",
    "greater_than": "is {input}; it must be more than {gt}",
    "greater_than_equal": "is {input}; it must be {ge} or more",
    "less_than": "is {input}; it must be less than {lt}",
    "less_than_equal": "is {input}; it must be {le} or less",
    "string_too_short": "must have {min_length} characters or more",
    "string_too_long": "must have {max_length} characters or fewer",
    "too_short": "must have {min_length} entries or more",
    "string_pattern_mismatch": "must match the pattern {pattern}",
}
"""Kind of error -> what the key's owner has to know."""


def _sentence(model: type[BaseModel], error: ErrorDetails) -> str:
    if error["type"] == "extra_forbidden":
        return _unknown_key(str(error["loc"][-1]), _keys_at(model, error["loc"][:-1]))
    if error["type"] in _NEEDS:
        return _NEEDS[error["type"]].format(input=error["input"], **error.get("ctx", {}))
    return error["msg"].removeprefix("Value error, ").removeprefix("Assertion failed, ")


def _unknown_key(key: str, allowed: list[str]) -> str:
    close = get_close_matches(key, allowed, n=1)
    hint = f"did you mean `{close[0]}`? " if close else ""
    return f"is no key that is known here; {hint}allowed are {', '.join(allowed)}"


def _keys_at(form: Any, place: KeyPath) -> list[str]:
    """Keys that the models at a place of the form know."""
    forms = list(_plain(form))
    for part in place:
        forms = [inner for outer in forms for inner in _inside(outer, part)]
    return sorted({key for model in forms if _is_model(model) for key in model.model_fields})


def _plain(form: Any) -> Iterator[Any]:
    """A type without the wrappings `Annotated`, `Union` and root model."""
    if get_origin(form) is Annotated:
        yield from _plain(get_args(form)[0])
    elif get_origin(form) in (Union, UnionType):
        for member in get_args(form):
            yield from _plain(member)
    elif _is_model(form) and "root" in form.model_fields:
        yield from _plain(form.model_fields["root"].annotation)
    else:
        yield form


def _inside(form: Any, part: str | int) -> Iterator[Any]:
    if not _is_model(form):
        if get_origin(form) in (tuple, list, dict, Mapping):
            arguments = [inner for inner in get_args(form) if inner is not Ellipsis]
            yield from _plain(arguments[-1])
    elif part in form.model_fields:
        yield from _plain(form.model_fields[str(part)].annotation)
    elif any(part in _literals(field.annotation) for field in form.model_fields.values()):
        yield form  # the part is the tag that chose this member of a union


def _literals(form: Any) -> tuple[Any, ...]:
    return get_args(form) if get_origin(form) is Literal else ()


def _is_model(form: Any) -> bool:
    return isinstance(form, type) and issubclass(form, BaseModel)
