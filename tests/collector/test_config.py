"""The site file: every mistake is told with file, line and key."""

from datetime import date
from pathlib import Path

import pytest

from collector.config import MqttController, identity, load_site
from collector.errors import ConfigError

GOOD = """\
[site]
zone = "Europe/Berlin"

[store]
folder = "state"

[api]
port = 8471

[[controllers]]
name = "L1-01"
line = "L1"
station = "10"
protocol = "modbus"
layout = "example:ring-modbus"
host = "192.0.2.1"

[[controllers]]
name = "L1-02"
line = "L1"
station = "20"
protocol = "mqtt"
layout = "example:messages-mqtt"
host = "192.0.2.2"
address = "cell-20"
password_file = "broker-password"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "broker-password").write_text("secret word\n")
    return tmp_path


def mistakes(folder: Path, text: str) -> list[tuple[int | None, str, str]]:
    path = folder / "site.toml"
    path.write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_site(path)
    return [(each.line, each.key, each.says) for each in caught.value.mistakes]


WITH_LOG = GOOD.replace('host = "192.0.2.1"', 'host = "192.0.2.1"\nlog_folder = "sticks/L1-01"')


def test_a_log_folder_is_relative_to_the_site_file(folder: Path) -> None:
    """And a controller without one has none."""
    (folder / "sticks" / "L1-01").mkdir(parents=True)
    (folder / "site.toml").write_text(WITH_LOG)
    site, _ = load_site(folder / "site.toml")
    assert [site.log_folder(each) for each in site.controllers] == [folder / "sticks" / "L1-01", None]


def test_a_log_folder_must_be_there(folder: Path) -> None:
    """Else a stick's files would be put where nobody looks."""
    (mistake,) = mistakes(folder, WITH_LOG)
    assert mistake[:2] == (17, "controllers[0].log_folder")
    assert "there is no folder" in mistake[2]


def test_a_log_folder_needs_a_layout_that_describes_the_log(folder: Path) -> None:
    """A layout without [log] can't read what comes."""
    (folder / "sticks" / "L1-01").mkdir(parents=True)
    (mistake,) = mistakes(folder, WITH_LOG.replace("modbus", "s7"))
    assert mistake[1] == "controllers[0].log_folder"
    assert "ring-s7 has no [log] section" in mistake[2]


def test_a_log_folder_is_of_one_controller(folder: Path) -> None:
    """Else one controller's cycles would be booked under the other's name."""
    (folder / "sticks" / "L1-01").mkdir(parents=True)
    second = WITH_LOG[WITH_LOG.index("[[controllers]]") : WITH_LOG.rindex("[[controllers]]")].replace(
        'name = "L1-01"', 'name = "L1-03"'
    )
    (mistake,) = mistakes(
        folder, WITH_LOG + "\n" + second.replace('"sticks/L1-01"', '"sticks/../sticks/L1-01"')
    )
    assert mistake[1] == "controllers[2].log_folder"
    assert "is the folder of L1-01 too" in mistake[2]


def changed(line: str, to: str) -> tuple[str, int]:
    """The good file with one line changed, and the number of that line."""
    assert GOOD.count(line + "\n") == 1, line
    return GOOD.replace(line + "\n", to + "\n"), GOOD[: GOOD.index(line + "\n")].count("\n") + 1


def test_a_good_site_is_read_whole(folder: Path) -> None:
    """Zone, store beside the file, controllers and layouts, a password from its file."""
    path = folder / "site.toml"
    path.write_text(GOOD)
    site, layouts = load_site(path)
    assert site.zone.key == "Europe/Berlin"
    assert site.store_address.folder == folder / "state"
    assert {name: layout.name for name, layout in layouts.items()} == {
        "L1-01": "ring-modbus",
        "L1-02": "messages-mqtt",
    }
    mqtt = site.controllers[1]
    assert isinstance(mqtt, MqttController)
    assert site.password(mqtt) == "secret word"
    assert identity(mqtt, layouts["L1-02"]).address == "192.0.2.2:1883 cell-20"


@pytest.mark.parametrize(
    ("line", "to", "key", "says"),
    [
        ('zone = "Europe/Berlin"', 'zone = "Europe/Berlyn"', "site.zone", "no IANA time zone"),
        ("port = 8471", "port = 84711", "api.port", "65535"),
        ("port = 8471", 'host = "0.0.0.0"', "api.host", "not a loopback address"),
        ("port = 8471", "prot = 8471", "api.prot", "port"),
        ('name = "L1-02"', 'name = "L1-01"', "controllers[1].name", "the name of another controller"),
        ('name = "L1-02"', 'name = "L1/02"', "controllers[1].name", ""),
        ('protocol = "modbus"', 'protocol = "serial"', "controllers[0].protocol", "modbus"),
        ('layout = "example:ring-modbus"', 'layout = "gone.toml"', "controllers[0].layout", "gone.toml"),
        (
            'layout = "example:ring-modbus"',
            'layout = "example:ring-s7"',
            "controllers[0].layout",
            "layout ring-s7 is for s7, this controller speaks modbus",
        ),
        (
            'password_file = "broker-password"',
            'password_file = "no-such"',
            "controllers[1].password_file",
            "can't read",
        ),
        ('address = "cell-20"', 'address = "cell/20"', "controllers[1].address", ""),
    ],
)
def test_a_mistake_is_told_with_its_line_and_key(
    folder: Path, line: str, to: str, key: str, says: str
) -> None:
    """One wrong line, one mistake, at that line."""
    text, number = changed(line, to)
    ((at, found, told),) = mistakes(folder, text)
    assert says in told
    assert (at, found) == (number, key)


def test_all_mistakes_are_told_at_once(folder: Path) -> None:
    """Nobody wants to mend one, start, and meet the next."""
    text = GOOD.replace("Europe/Berlin", "Nowhere").replace("8471", "0").replace('"modbus"', '"canbus"')
    assert {key for _, key, _ in mistakes(folder, text)} == {
        "site.zone",
        "api.port",
        "controllers[0].protocol",
    }


def test_a_mistake_in_a_layout_names_the_layout_file(folder: Path) -> None:
    """The layouts are read with the site; one that is wrong is told with its own file and line."""
    layout = folder / "mine.toml"
    layout.write_text('name = "mine"\nprotocol = "modbus"\nsequence_bits = 65\n')
    path = folder / "site.toml"
    path.write_text(GOOD.replace("example:ring-modbus", "mine.toml"))
    with pytest.raises(ConfigError) as caught:
        load_site(path)
    told = {(Path(each.file).name, each.line, each.key) for each in caught.value.mistakes}
    assert ("mine.toml", 3, "sequence_bits") in told


@pytest.mark.parametrize("store", ["", 'folder = "a"\nurl = "postgresql://b"'])
def test_a_store_is_a_folder_or_a_url(folder: Path, store: str) -> None:
    """Neither or both is a mistake that says so."""
    ((_, key, says),) = mistakes(folder, GOOD.replace('folder = "state"', store))
    assert key == "store"
    assert "either folder (SQLite) or url (PostgreSQL)" in says


def test_a_site_file_that_is_not_there_is_a_mistake(tmp_path: Path) -> None:
    """A sentence with the path, not a trace."""
    with pytest.raises(ConfigError, match=r"nowhere\.toml"):
        load_site(tmp_path / "nowhere.toml")


SHIFTS = """
[[shifts]]
name = "early"
begins = "06:20"
ends = "14:42"

[[shifts]]
name = "late"
begins = "14:42"
ends = "22:10"
weekdays = ["monday", "friday"]
lines = ["L1"]
valid_from = 2026-11-16
"""


def test_shifts_make_the_plan_of_each_line(folder: Path) -> None:
    """A plan that begins on a date replaces what the line had; the site has the shifts of all lines."""
    (folder / "site.toml").write_text(GOOD + SHIFTS)
    site, _ = load_site(folder / "site.toml")
    day = date(2026, 11, 16)
    assert [each.shift for each in site.plan("L1").of_day(day)] == ["late", "outside-1"]
    assert [each.shift for each in site.plan().of_day(day)] == ["early", "outside-1"]
    assert site.plan("L1").version_of(day).version == 2


@pytest.mark.parametrize(
    ("line", "to", "key", "says"),
    [
        ('begins = "06:20"', 'begins = "6 am"', "shifts[0].begins", "write it as 06:00"),
        ('ends = "22:10"', 'ends = "24:00"', "shifts[1].ends", "write it as 06:00"),
        ('"monday", "friday"', '"monday", "firday"', "shifts[1].weekdays[1]", "'saturday' or 'sunday'"),
        ('weekdays = ["monday", "friday"]', "weekdays = []", "shifts[1].weekdays", "1 entries or more"),
        ('lines = ["L1"]', 'lines = ["L2"]', "shifts[1].lines", "no controller is on line 'L2'"),
        ("valid_from = 2026-11-16", 'valid_from = "soon"', "shifts[1].valid_from", "date"),
        ('name = "late"', 'name = "outside-1"', "shifts[1].name", "must not begin with outside"),
        ("valid_from = 2026-11-16", "", "shifts[1].begins", ""),
    ],
)
def test_a_mistake_in_a_shift_is_told(folder: Path, line: str, to: str, key: str, says: str) -> None:
    """With its key, in a sentence."""
    text = SHIFTS.replace(line, to)
    if not says:
        text, says = text.replace('"14:42"\nends = "22:10"', '"14:41"\nends = "22:10"'), "overlaps early"
    ((_, found, told),) = mistakes(folder, GOOD + text)
    assert found == key
    assert says in told
