"""[[webhooks]] and [publish]: each mistake is told with its key, before anything is sent anywhere."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config import load_site
from collector.errors import ConfigError
from collector.pushing import PublishPart, meets_controllers

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
SITE = """\
[site]
zone = "Europe/Berlin"

[store]
folder = "state"

[[controllers]]
name = "L1-02"
line = "L1"
station = "20"
protocol = "mqtt"
layout = "example:messages-mqtt"
host = "192.0.2.2"
address = "cell-20"
"""
WEBHOOK = """
[[webhooks]]
name = "mes"
url = "https://mes.plant.example/clamps"
secret_file = "mes-secret"
"""
PUBLISH = """
[publish]
host = "192.0.2.2"
"""


@pytest.fixture
def load(tmp_path: Path) -> Callable[[str], list[tuple[str, str]]]:
    """Site file -> key and words of each mistake."""
    (tmp_path / "mes-secret").write_text(SECRET)
    (tmp_path / "short").write_text("whsec_c2hvcnQ=")
    (tmp_path / "empty").write_text("\n")

    def mistakes(text: str) -> list[tuple[str, str]]:
        path = tmp_path / "site.toml"
        path.write_text(SITE + text)
        try:
            load_site(path)
        except ConfigError as error:
            return [(each.key, each.says) for each in error.mistakes]
        return []

    return mistakes


Load = Callable[[str], list[tuple[str, str]]]


def test_a_site_that_tells_others(load: Load) -> None:
    """Two webhooks with kinds, and a broker."""
    other = WEBHOOK.replace('"mes"', '"andon"').replace("https://mes.plant.example", "http://127.0.0.1:8080")
    kinds = 'kinds = ["fault.raised", "statement.closed"]\n'
    assert load(WEBHOOK + kinds + other + PUBLISH) == []


@pytest.mark.parametrize(
    ("change", "key", "says"),
    [
        (('"mes"', '"broker"'), "webhooks[0].name", "must not be 'broker'"),
        (("https:", "ftp:"), "webhooks[0].url", "no address to send to"),
        (("mes.plant.example", ""), "webhooks[0].url", "no address to send to"),
        (("https://", "https://user:word@"), "webhooks[0].url", "no user name"),
        (("https:", "http:"), "webhooks[0].url", "would cross the network as plain text"),
        (('"mes-secret"', '"nowhere"'), "webhooks[0].secret_file", "can't read 'nowhere'"),
        (('"mes-secret"', '"short"'), "webhooks[0].secret_file", "24 to 64"),
        (('"mes-secret"', '"empty"'), "webhooks[0].secret_file", "has no secret in it"),
        (('"mes-secret"', '"mes-secret"\nkinds = ["cycles"]'), "webhooks[0].kinds[0]", "it must be"),
        (('"mes-secret"', '"mes-secret"\nkinds = []'), "webhooks[0].kinds", "1 entries or more"),
        (('"mes-secret"', '"mes-secret"\nca_file = "mes-secret"'), "webhooks[0].ca_file", "can't use"),
    ],
)
def test_a_mistake_of_a_webhook(load: Load, change: tuple[str, str], key: str, says: str) -> None:
    """One sentence at its key."""
    ((at, said),) = load(WEBHOOK.replace(*change))
    assert at == key
    assert says in said


def test_a_mistake_never_shows_the_secret(load: Load) -> None:
    """It is in a file of its own so that a log can be shown."""
    ((_, said),) = load(WEBHOOK.replace("mes-secret", "short"))
    assert "c2hvcnQ" not in said


def test_http_to_elsewhere_has_to_be_said(load: Load) -> None:
    """Many receivers in a plant's own network speak nothing else."""
    assert load(WEBHOOK.replace("https:", "http:") + "unencrypted = true\n") == []


def test_a_name_is_there_once(load: Load) -> None:
    """How far each has got is kept under it."""
    assert [key for key, _ in load(WEBHOOK + WEBHOOK)] == ["webhooks[1].name"]


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ('topic_prefix = "clamps-told"', None),
        ('topic_prefix = "{status}"', "publish.topic_prefix"),
        ('topic_prefix = "{above}"', "publish.topic_prefix"),
        ('topic_prefix = "{status}/more"', "publish.topic_prefix"),
        ('topic_prefix = "a/+/b"', "publish.topic_prefix"),
        ('topic_prefix = "a//b"', "publish.topic_prefix"),
        ('topic_prefix = "a/"', "publish.topic_prefix"),
        ('topic_prefix = "$SYS/a"', "publish.topic_prefix"),
        ('client_id = "clampbook-L1-02"', "publish.client_id"),
        ('password_file = "nowhere"', "publish.password_file"),
        ('ca_file = "mes-secret"', "publish.ca_file"),
    ],
)
def test_what_is_published_is_never_among_what_a_controller_speaks(
    load: Load, tmp_path: Path, line: str, key: str | None
) -> None:
    """Controllers are only read: a prefix that meets their topics is refused, whatever the broker is."""
    load("")
    site, layouts = load_site(tmp_path / "site.toml")
    (controller,) = site.controllers
    status = layouts[controller.name].topics("cell-20")["status"]  # type: ignore[union-attr]
    line = line.replace("{status}", status).replace("{above}", status.split("/")[0])
    mistakes = load(PUBLISH + line + "\n")
    assert {at for at, _ in mistakes} == ({key} if key else set())


LEVEL = st.sampled_from(["plant", "L1", "status", "events", "x"])
TOPIC = st.lists(LEVEL, min_size=1, max_size=4).map("/".join)


@given(TOPIC, st.lists(TOPIC, min_size=1, max_size=3), st.lists(LEVEL, max_size=3))
def test_no_topic_below_an_accepted_prefix_is_a_controllers(
    prefix: str, topics: list[str], below: list[str]
) -> None:
    """Whatever would be published."""
    publish = PublishPart(host="broker", topic_prefix=prefix)
    if not list(meets_controllers(publish, {"L1-02": topics}, {"L1-02": "other"})):
        assert "/".join([prefix, *below]) not in topics
