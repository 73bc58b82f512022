"""The site file: what plant IT writes. Validated whole at start, with every mistake listed."""

from collections.abc import Collection, Iterator, Mapping
from datetime import date, time
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, Field, PrivateAttr, model_validator

from collector.equipment import AnalysisPart, BandPart, ToolModelPart
from collector.errors import ConfigError, LayoutError, Mistake
from collector.layouts.schema import Layout, MqttLayout, Strict, load_layout
from collector.listening import ApiPart, Port, unusable_tls
from collector.model import ControllerIdentity
from collector.pushing import PublishPart, WebhookPart, meets_controllers, unusable_receivers
from collector.shifts import OUTSIDE, WEEKDAYS, Shift, ShiftPlan, Weekday, conflicts
from collector.store.engine import StoreAddress
from collector.toml_file import TomlFile, read_toml, validate

EXAMPLE_LAYOUTS = Path(__file__).parent / "layouts" / "examples"

Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$")]
"""Goes into addresses and file names: letters, digits, - and _."""
Seconds = Annotated[float, Field(gt=0, le=3600, strict=False)]


def known_zone(name: str) -> str:
    if name not in available_timezones():
        raise ValueError(f"{name!r} is no IANA time zone; write one such as Europe/Berlin or America/Detroit")
    return name


def clock_time(text: str) -> str:
    try:
        parsed = time.fromisoformat(text)
    except ValueError:
        parsed = None
    if parsed is None or parsed.tzinfo is not None or len(text) != len("06:00"):
        raise ValueError(f"{text!r} is no time of day; write it as 06:00")
    return text


def not_outside(name: str) -> str:
    if name.startswith(OUTSIDE):
        raise ValueError(f"must not begin with {OUTSIDE}: so the time is named that is in no shift")
    return name


class SitePart(Strict):
    """[site]: what the plant calls itself and where it is."""

    name: str = "site"
    zone: Annotated[str, AfterValidator(known_zone)]
    """IANA time zone of the plant: its shifts and days are in this zone."""


ClockTime = Annotated[str, AfterValidator(clock_time)]


class ShiftPart(Strict):
    """[[shifts]]: see `collector.shifts`; the first of a plan begins the plant day."""

    name: Annotated[Name, AfterValidator(not_outside)]
    begins: ClockTime
    """By the wall clock."""
    ends: ClockTime
    """On the following date where it is not after `begins`; the same: 24 hours."""
    weekdays: Annotated[tuple[Weekday, ...], Field(min_length=1)] = WEEKDAYS
    """Plant days."""
    lines: Annotated[tuple[str, ...], Field(min_length=1)] | None = None
    """None: all lines."""
    valid_from: date | None = None
    """First plant day of the plan that the shift is part of; that plan replaces all of the one before.
    None: it was always so."""

    @property
    def shift(self) -> Shift:
        begins, ends = time.fromisoformat(self.begins), time.fromisoformat(self.ends)
        return Shift(self.name, begins, ends, frozenset(self.weekdays))

    def is_of(self, line: str | None) -> bool:
        """None: of the site."""
        return self.lines is None or line in self.lines


class StorePart(Strict):
    """[store]: a folder for the two SQLite files, or the URL of a PostgreSQL database."""

    folder: str | None = None
    """Relative to the site file."""
    url: str | None = None

    @model_validator(mode="after")
    def one_of_both(self) -> "StorePart":
        if (self.folder is None) == (self.url is None):
            raise ValueError("give either folder (SQLite) or url (PostgreSQL)")
        return self


class ControllerPart(Strict):
    """What all [[controllers]] have."""

    name: Name
    line: str
    station: str
    layout: str
    """A layout file, relative to the site file, or `example:` and the name of one that comes along."""
    host: str
    """Of the controller; for MQTT, of the broker."""
    log_folder: str | None = None
    """Where people put this controller's CSV logs, relative to the site file; each controller has its own."""
    controller_serial: str | None = None
    """The controller's own identity, where its layout shows one: another one that answers is refused. Without
    it, the book learns the identity, and refuses a controller that it knows from another place."""
    poll_interval_s: Seconds = 1.0
    connect_timeout_s: Seconds = 3.0


class ModbusController(ControllerPart):
    protocol: Literal["modbus"]
    port: Port = 502
    unit_id: Annotated[int, Field(ge=0, le=255)] = 255
    echoes_transaction_id: bool = True
    """False for a server that answers every request with transaction id 0."""


class S7Controller(ControllerPart):
    protocol: Literal["s7"]
    port: Port = 102
    rack: Annotated[int, Field(ge=0, le=7)] = 0
    slot: Annotated[int, Field(ge=0, le=31)] = 1


class MqttController(ControllerPart):
    protocol: Literal["mqtt"]
    port: Port = 1883
    address: Annotated[str, Field(min_length=1, pattern=r"^[^/+#\x00]+$")]
    """What stands for `{controller}` in the layout's topics."""
    client_id: str | None = None
    """Fixed name of our session at the broker; two clients of one name push each other out.
    None: `clampbook-` and the controller's name."""
    username: str | None = None
    password_file: str | None = None
    """A file that holds the password and nothing else, relative to the site file."""


Controller = Annotated[ModbusController | S7Controller | MqttController, Field(discriminator="protocol")]


class StatementsPart(Strict):
    """[statements]"""

    grace_min: Annotated[float, Field(strict=False, ge=0, le=7 * 24 * 60)] = 60.0
    """After its end, a shift is closed even if a controller was not read through to it."""


class Site(Strict):
    """The whole site file."""

    site: SitePart
    store: StorePart
    api: ApiPart = ApiPart()
    controllers: Annotated[tuple[Controller, ...], Field(min_length=1)]
    shifts: tuple[ShiftPart, ...] = ()
    bands: tuple[BandPart, ...] = ()
    tool_models: tuple[ToolModelPart, ...] = ()
    analysis: AnalysisPart = AnalysisPart()
    statements: StatementsPart = StatementsPart()
    webhooks: tuple[WebhookPart, ...] = ()
    publish: PublishPart | None = None
    _path: Path = PrivateAttr(default=Path("site.toml"))

    @classmethod
    def of(cls, content: str, path: Path) -> "Site":
        """A site as its `model_dump_json` says it, for another process that works for the same site."""
        site = cls.model_validate_json(content)
        site._path = path
        return site

    @property
    def path(self) -> Path:
        return self._path

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.site.zone)

    @property
    def lines(self) -> list[str]:
        """In the order of the site file."""
        return list(dict.fromkeys(controller.line for controller in self.controllers))

    def plan(self, line: str | None = None) -> ShiftPlan:
        """When a line works; None: the site, by the shifts that are of all lines."""
        return ShiftPlan.of(
            self.zone, [(each.valid_from, each.shift) for each in self.shifts if each.is_of(line)]
        )

    @property
    def store_address(self) -> StoreAddress:
        if self.store.folder is None:
            return StoreAddress(folder=None, url=self.store.url)
        return StoreAddress(folder=self._path.parent / self.store.folder, url=None)

    @property
    def exports_folder(self) -> Path:
        """Where the files of exports lie."""
        beside = self._path.parent
        if self.api.exports_folder is not None:
            return beside / self.api.exports_folder
        return (beside if self.store.folder is None else beside / self.store.folder) / "exports"

    @property
    def tls_files(self) -> tuple[Path, Path] | None:
        """Certificate and key of the API, where it does TLS itself."""
        return self.api.tls_files(self._path.parent)

    def line_of(self, controller: str) -> str | None:
        """The line that a controller stands on; None: the site file does not name it."""
        return next((each.line for each in self.controllers if each.name == controller), None)

    def tool_model(self, maker: str, model: str) -> ToolModelPart | None:
        return next((each for each in self.tool_models if (each.maker, each.model) == (maker, model)), None)

    def layout_path(self, controller: ControllerPart) -> Path:
        if controller.layout.startswith("example:"):
            return EXAMPLE_LAYOUTS / f"{controller.layout.removeprefix('example:')}.toml"
        return self._path.parent / controller.layout

    def log_folder(self, controller: ControllerPart) -> Path | None:
        return None if controller.log_folder is None else self._path.parent / controller.log_folder

    def password(self, controller: MqttController) -> str | None:
        if controller.password_file is None:
            return None
        return (self._path.parent / controller.password_file).read_text(encoding="utf-8").strip()


def load_site(path: Path) -> tuple[Site, dict[str, Layout]]:
    """The site, and the layout of each controller by the controller's name.

    Raises: ConfigError: with every mistake of the site file and of all its layouts.
    """
    toml = read_toml(path)
    site = validate(Site, toml)
    site._path = path
    layouts: dict[str, Layout] = {}
    mistakes = [
        *doubled_names(site, toml),
        *doubled_equipment(site, toml),
        *wrong_shifts(site, toml),
        *unreadable_passwords(site, toml),
        *unusable_folders(site, toml),
        *(toml.mistake(f"api.{key}", says) for key, says in unusable_tls(site.api, path.parent)),
        *(
            toml.mistake(key, says)
            for key, says in unusable_receivers(site.webhooks, site.publish, path.parent)
        ),
    ]
    for number, controller in enumerate(site.controllers):
        key = f"controllers[{number}].layout"
        if not site.layout_path(controller).is_file():
            mistakes.append(toml.mistake(key, f"there is no layout file {site.layout_path(controller)}"))
            continue
        try:
            layout = load_layout(site.layout_path(controller))
        except LayoutError as error:
            mistakes += [each for each in error.mistakes if each not in mistakes]
            continue
        if layout.protocol != controller.protocol:
            says = (
                f"layout {layout.name} is for {layout.protocol}, this controller speaks {controller.protocol}"
            )
            mistakes.append(toml.mistake(key, says))
        if controller.controller_serial is not None and layout.status.find("controller_serial") is None:
            says = f"layout {layout.name} shows no controller_serial, so it can't be checked"
            mistakes.append(toml.mistake(f"controllers[{number}].controller_serial", says))
        if controller.log_folder is not None and layout.log is None:
            says = f"layout {layout.name} has no [log] section, so nobody knows how to read such a log"
            mistakes.append(toml.mistake(f"controllers[{number}].log_folder", says))
        layouts[controller.name] = layout
    mistakes += publishing_among_controllers(site, layouts, toml)
    if mistakes:
        raise ConfigError(mistakes)
    return site, layouts


def doubled_names(site: Site, toml: TomlFile) -> Iterator[Mistake]:
    seen: set[str] = set()
    for number, controller in enumerate(site.controllers):
        if controller.name in seen:
            yield toml.mistake(
                f"controllers[{number}].name",
                f"{controller.name!r} is the name of another controller already",
            )
        seen.add(controller.name)


def doubled_equipment(site: Site, toml: TomlFile) -> Iterator[Mistake]:
    seen: set[tuple[str, ...]] = set()
    named: list[tuple[str, tuple[str, ...]]] = [
        (f"bands[{number}].name", ("band", each.name)) for number, each in enumerate(site.bands)
    ]
    named += [
        (f"tool_models[{number}].model", ("tool model", each.maker, each.model))
        for number, each in enumerate(site.tool_models)
    ]
    for key, name in named:
        if name in seen:
            yield toml.mistake(key, f"{' '.join(name)} is there already")
        seen.add(name)


def wrong_shifts(site: Site, toml: TomlFile) -> Iterator[Mistake]:
    for number, part in enumerate(site.shifts):
        for line in part.lines or ():
            if line not in site.lines:
                says = f"no controller is on line {line!r}; the lines are {', '.join(site.lines)}"
                yield toml.mistake(f"shifts[{number}].lines", says)
    told: set[tuple[int, str]] = set()
    for name in (None, *site.lines):
        for day in {part.valid_from for part in site.shifts}:
            numbers = [n for n, part in enumerate(site.shifts) if part.is_of(name) and part.valid_from == day]
            for place, says in conflicts([site.shifts[number].shift for number in numbers]):
                if (numbers[place], says) not in told:
                    told.add((numbers[place], says))
                    yield toml.mistake(f"shifts[{numbers[place]}].begins", says)


def unreadable_passwords(site: Site, toml: TomlFile) -> Iterator[Mistake]:
    for number, controller in enumerate(site.controllers):
        if not isinstance(controller, MqttController):
            continue
        try:
            site.password(controller)
        except OSError as error:
            key = f"controllers[{number}].password_file"
            yield toml.mistake(key, f"can't read {controller.password_file!r}: {error.strerror}")


def unusable_folders(site: Site, toml: TomlFile) -> Iterator[Mistake]:
    seen: dict[Path, str] = {}
    for number, controller in enumerate(site.controllers):
        folder = site.log_folder(controller)
        if folder is None:
            continue
        key = f"controllers[{number}].log_folder"
        if not folder.is_dir():
            yield toml.mistake(key, f"there is no folder {folder}; make it, or leave the key out")
        owner = seen.setdefault(folder.resolve(), controller.name)
        if owner != controller.name:
            yield toml.mistake(key, f"is the folder of {owner} too; a log must be of one controller")


def publishing_among_controllers(
    site: Site, layouts: Mapping[str, Layout], toml: TomlFile
) -> Iterator[Mistake]:
    if site.publish is None:
        return
    topics: dict[str, Collection[str]] = {}
    client_ids: dict[str, str] = {}
    for controller in site.controllers:
        layout = layouts.get(controller.name)
        if isinstance(controller, MqttController) and isinstance(layout, MqttLayout):
            topics[controller.name] = layout.topics(controller.address).values()
            client_ids[controller.name] = client_id(controller)
    for key, says in meets_controllers(site.publish, topics, client_ids):
        yield toml.mistake(key, says)


def client_id(controller: MqttController) -> str:
    """Of the session in which it is read."""
    return controller.client_id or f"clampbook-{controller.name}"


def identity(controller: Controller, layout: Layout) -> ControllerIdentity:
    """The controller as the book knows it."""
    where = f"{controller.host}:{controller.port}"
    if isinstance(controller, MqttController):
        where = f"{where} {controller.address}"
    return ControllerIdentity(
        name=controller.name,
        line=controller.line,
        station=controller.station,
        protocol=controller.protocol,
        layout=layout.name,
        address=where,
    )
