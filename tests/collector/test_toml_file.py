"""Files that people write: every key has its line, and every mistake is named with line, key and sentence."""

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from collector.errors import ConfigError, Mistake
from collector.toml_file import KeyPath, TomlFile, dotted, read_toml, refuse, validate


def written(folder: Path, text: str, name: str = "site.toml") -> Path:
    path = folder / name
    path.write_bytes(text.encode("utf-8"))
    return path


def mistakes(folder: Path, text: str, model: type[BaseModel] = BaseModel) -> list[Mistake]:
    """What is wrong with a text, as TOML or under a model."""
    with pytest.raises(ConfigError) as caught:
        validate(model, read_toml(written(folder, text)))
    return caught.value.mistakes


# ---- lines -----------------------------------------------------------------------------------------------

TEXT = """\
name = "x"   # [not.a.header]

[status]
start = 0
note = \"\"\"
[nor.is.this]
fields = 1
\"\"\"
fields = [
    { name = "a", type = "int" }, # }, {
    # { name = "gone" },
    { name = "b", values = { 0 = "no", 1 = "yes" }, none = [
        1,
        2] },
]

[[controllers]]
name = "one"
[controllers.link]
port = 1

[[controllers]]
name = "two"
[[controllers.tools]]
serial = "s"
[[controllers.tools]]
serial = "t"

[a.b."c.d"]
e.f = 1
"""
LINES = {
    "name": 1,
    "status": 3,
    "status.start": 4,
    "status.note": 5,
    "status.fields": 9,
    "status.fields[0]": 10,
    "status.fields[0].type": 10,
    "status.fields[1].values": 12,
    "status.fields[1].values.1": 12,
    "status.fields[1].none[0]": 13,
    "status.fields[1].none[1]": 14,
    "controllers": 17,
    "controllers[0]": 17,
    "controllers[0].name": 18,
    "controllers[0].link": 19,
    "controllers[0].link.port": 20,
    "controllers[1]": 22,
    "controllers[1].name": 23,
    "controllers[1].tools[0].serial": 25,
    "controllers[1].tools[1]": 26,
    "controllers[1].tools[1].serial": 27,
    "a": 29,
    'a.b."c.d"': 29,
    'a.b."c.d".e.f': 30,
}


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("front", ["", "\ufeff"])
def test_every_key_is_found_on_its_line(tmp_path: Path, ending: str, front: str) -> None:
    """Headers, dotted keys, inline tables in arrays of several lines; also as Windows editors
    write them.
    """
    toml = read_toml(written(tmp_path, front + TEXT.replace("\n", ending)))
    assert {key: toml.line_of(key) for key in LINES} == LINES


@pytest.mark.parametrize(
    ("key", "line"),
    [
        ("status.fields[1].at", 12),
        ("status.size", 3),
        ("status.fields[7].at", 9),
        ("controllers[1].link.port", 22),
        ('a.b."c.d"."x[1]"', 29),
        ("nowhere.at.all[3]", None),
    ],
)
def test_a_key_that_is_not_there_has_the_line_around_it(tmp_path: Path, key: str, line: int | None) -> None:
    """A missing key is reported where it would have to be added."""
    assert read_toml(written(tmp_path, TEXT)).line_of(key) == line


BARE_OR_NOT = st.sampled_from(
    ["a", "b-1", "2", "key", "a.b", "x#y", "[z]", 'q"', "it's", "é", "", "=", "\\", "tab\t"]
)
LITERALS = [
    "1",
    "-1_000",
    "0x1F",
    "1e5",
    "inf",
    "true",
    "1979-05-27 07:32:00",
    "07:32:00",
    "'# [a] = '",
    '"a ] } , # \\" = [["',
    '"""\n[x]\na = "1" # \\""""""',
    "'''\n]\n# it's''  '''''",
    '""',
    "''",
    '""""""',
    "[]",
    "{}",
    "[ 1, # ] }\n 2, ]",
]
TABLES: st.SearchStrategy[dict[str, Any]] = st.recursive(
    st.dictionaries(BARE_OR_NOT, st.sampled_from(LITERALS), max_size=3),
    lambda inner: st.dictionaries(
        BARE_OR_NOT, st.sampled_from(LITERALS) | inner | st.lists(inner, min_size=1, max_size=3), max_size=3
    ),
    max_leaves=8,
)


def spelled(key: str, random: Random) -> str:
    if re.fullmatch(r"[A-Za-z0-9_-]+", key) and random.random() < 0.8:
        return key
    return f"'{key}'" if "'" not in key and random.random() < 0.5 else json.dumps(key, ensure_ascii=False)


def inline(value: Any, random: Random) -> str:
    if isinstance(value, str):
        return value
    if isinstance(value, list):
        gap = random.choice(["", " ", "\n", " # ] {\n\n"])
        return f"[{gap}{f',{gap}'.join(inline(each, random) for each in value)}{gap}]"
    pairs = [f"{spelled(key, random)} = {inline(each, random)}" for key, each in value.items()]
    return "{ " + ", ".join(pairs) + " }"


def rendered(table: dict[str, Any], random: Random, header: str = "") -> Iterator[str]:
    """A table in any of the ways that TOML has for it: (spelled) pairs, then headers."""
    later = []
    for key, value in table.items():
        name = spelled(key, random)
        if isinstance(value, str) or random.random() < 0.4:
            yield f"{name} = {inline(value, random)}{random.choice(['', '  # = [x]'])}"
        else:
            later.append((f"{header}{random.choice(['.', ' . ']) if header else ''}{name}", value))
    for name, value in later:
        for each in value if isinstance(value, list) else [value]:
            yield random.choice(["", "# comment [a]"])
            yield f"[[ {name} ]]" if isinstance(value, list) else f"[{name}]"
            yield from rendered(each, random, name)


def paths(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield (*path, key)
        yield from paths(inner, (*path, key))


@settings(deadline=None)
@given(table=TABLES, random=st.randoms(use_true_random=False))
def test_the_scanner_finds_the_keys_that_tomllib_finds(
    tmp_path_factory: pytest.TempPathFactory, table: dict[str, Any], random: Random
) -> None:
    """Whatever a file looks like, all its keys have a line that shows them, and no others do."""
    text = "\n".join(rendered(table, random)) + random.choice(["", "\n"])
    toml = read_toml(written(tmp_path_factory.getbasetemp(), text))
    assert toml.data == tomllib.loads(text)
    assert set(toml.lines) == {dotted(path) for path in paths(toml.data)}
    lines = text.split("\n")
    for path in paths(toml.data):
        shown = lines[toml.lines[dotted(path)] - 1]
        if isinstance(path[-1], str):
            assert path[-1] in shown or json.dumps(path[-1], ensure_ascii=False)[1:-1] in shown


# ---- files that are no TOML ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("a = 1\nb = = 2\n", 2, "not valid TOML"),
        ("a = 1\n\na = 2\n", 3, "not valid TOML"),
        ('a = 1\nb = "x', 2, "not valid TOML"),
        ("a = [1,\n\n", 3, "not valid TOML"),
        ("a = " + "9" * 5000, None, "not valid TOML"),
        ("a = " + "[" * 100_000, None, "nested too deeply"),
    ],
)
def test_a_syntax_error_has_its_line(tmp_path: Path, text: str, line: int | None, says: str) -> None:
    """The one mistake is that of the parser, at the parser's line."""
    found = mistakes(tmp_path, text)
    assert [(each.line, each.key) for each in found] == [(line, "")]
    assert says in found[0].says


def test_a_file_in_another_encoding_is_refused(tmp_path: Path) -> None:
    """The line of the first bad byte is named."""
    path = tmp_path / "site.toml"
    path.write_bytes(b'a = 1\nb = "M\xfcller"\n')
    with pytest.raises(ConfigError, match=r"site.toml:2: is not UTF-8"):
        read_toml(path)


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """Missing files and folders are told as such."""
    for path in (tmp_path / "nowhere.toml", tmp_path):
        with pytest.raises(ConfigError, match="can't be read"):
            read_toml(path)


# ---- validation ------------------------------------------------------------------------------------------


class Form(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Link(Form):
    kind: Literal["link"]
    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 502


class Broker(Form):
    kind: Literal["broker"]
    topic: str

    @field_validator("topic")
    @classmethod
    def no_wildcard(cls, topic: str) -> str:
        if "#" in topic:
            raise ValueError("must have no wildcard")
        return topic


class Span(Form):
    least: float
    most: float

    @model_validator(mode="after")
    def in_order(self) -> "Span":
        refuse(Span, [(("least",), "is above most")] if self.least > self.most else [])
        return self


class SiteForm(Form):
    name: str
    ways: tuple[Annotated[Link | Broker, Field(discriminator="kind")], ...] = ()
    span: Span | None = None
    words: dict[str, str] = {}
    none: tuple[int | str, ...] = ()


@pytest.mark.parametrize(
    ("text", "line", "key", "says"),
    [
        ("# nothing\n", None, "name", "is missing"),
        ("name = 5", 1, "name", "must be text in quotation marks"),
        (
            'name = "x"\nnames = 1',
            2,
            "names",
            "is no key that is known here; did you mean `name`? allowed are name,",
        ),
        ('name = "x"\nspan = 3', 2, "span", "must be a table"),
        ('name = "x"\nspan = { least = 1 }', 2, "span.most", "is missing"),
        ('name = "x"\n[span]\nmost = "a"\nleast = 1', 3, "span.most", "must be a number"),
        ('name = "x"\n[span]\nmost = 1\nleast = 2', 4, "span.least", "is above most"),
        ('name = "x"\nwords = { a = "b", c = 1 }', 2, "words.c", "must be text in quotation marks"),
        (
            'name = "x"\nnone = [\n1,\n2.5]',
            4,
            "none[1]",
            "must be a whole number, or must be text in quotation marks",
        ),
        ('name = "x"\nways = 1', 2, "ways", "must be a list in square brackets"),
        ('name = "x"\nways = [\n{ host = "h" }]', 3, "ways[0].kind", "is missing"),
        (
            'name = "x"\n[[ways]]\nkind = "tape"',
            3,
            "ways[0].kind",
            "is 'tape'; it must be one of 'link', 'broker'",
        ),
        ('name = "x"\n[[ways]]\nkind = "link"', 2, "ways[0].host", "is missing"),
        (
            'name = "x"\n[[ways]]\nkind = "link"\nhost = "h"\nport = 70000',
            5,
            "ways[0].port",
            "is 70000; it must be 65535 or less",
        ),
        (
            'name = "x"\n[[ways]]\nkind = "link"\nhost = "h"\nprot = 1',
            5,
            "ways[0].prot",
            "is no key that is known here; did you mean `port`? allowed are host, kind, port",
        ),
        ('name = "x"\n[[ways]]\nkind = "broker"\ntopic = "a/#"', 4, "ways[0].topic", "must have no wildcard"),
    ],
)
def test_a_mistake_has_line_key_and_sentence(
    tmp_path: Path, text: str, line: int | None, key: str, says: str
) -> None:
    """Each kind of mistake is told in a sentence that a person can act on."""
    found = mistakes(tmp_path, text, SiteForm)
    assert [(each.line, each.key) for each in found] == [(line, key)]
    assert found[0].says.startswith(says)


def test_all_mistakes_are_listed_in_the_order_of_the_file(tmp_path: Path) -> None:
    """A person corrects the file once."""
    text = 'nam = "x"\n[[ways]]\nkind = "link"\nport = 0\n[span]\nleast = 2\nmost = 1\n'
    found = mistakes(tmp_path, text, SiteForm)
    assert [(each.line, each.key) for each in found] == [
        (None, "name"),
        (1, "nam"),
        (2, "ways[0].host"),
        (4, "ways[0].port"),
        (6, "span.least"),
    ]
    assert str(found[3]) == f"{tmp_path / 'site.toml'}:4: ways[0].port: is 0; it must be 1 or more"


def test_a_good_file_becomes_its_model(tmp_path: Path) -> None:
    """Arrays arrive as tuples, so the model is frozen through and through."""
    text = 'name = "x"\nnone = [1, "a"]\n[[ways]]\nkind = "link"\nhost = "h"\n'
    site = validate(SiteForm, read_toml(written(tmp_path, text)))
    assert site == SiteForm(name="x", none=(1, "a"), ways=(Link(kind="link", host="h"),))


def test_nothing_to_refuse_is_no_refusal() -> None:
    """A model's own checks may find nothing."""
    refuse(Span, [])
    with pytest.raises(ValidationError, match="is above most"):
        Span(least=2.0, most=1.0)


def test_a_mistake_of_ones_own_gets_the_line_of_its_key(tmp_path: Path) -> None:
    """What only the caller can know is reported like everything else."""
    toml: TomlFile = read_toml(written(tmp_path, TEXT))
    mistake = toml.mistake("controllers[1].name", "is taken")
    assert mistake == Mistake(str(tmp_path / "site.toml"), 23, "controllers[1].name", "is taken")
