"""Does each station's set-up fit the band that it works with? What the controllers show, against the bands
and tool models of the site file."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import Connection

from api.answers import answer
from api.cautions import CAUTIONS
from api.paging import Row, page
from api.resources.controllers import NEVER_READ, Name
from api.resources.cycles import named
from api.schemas import common
from api.schemas.setups import Setup
from collector.analysis import setup, tension
from collector.analysis.tension import Band, Wheel
from collector.config import Site
from collector.store.setups import SET, find_proven, find_setups

router = APIRouter(prefix="/v1", tags=["setups"])

LEAST_MM, MOST_MM = tension.LIMITS["length_mm"]
Length = Annotated[
    float,
    Query(ge=LEAST_MM, le=MOST_MM, description="Length of band of which the stretch is told, in mm."),
]

UNITS = {
    "set torque": "N·m",
    "tension speed": "mm/s",
    "punch pressure": "kPa",
    "supply pressure": "kPa",
    "band": None,
}
NOT_TOLD = "neither the controller's status nor its last cycle tells it"
NO_BAND = "the band in use is not told, or the site file has no such [[bands]]"
NO_TORQUE = "the set torque is not told, or it is none"
NO_TOOL = "no tool is mounted, or its serial number was not told"
NO_YIELD = "nobody has said what the band yields at: yield_mpa in the site file"
NOT_PROVEN = (
    "no other band of the site file was used here before, with enough good cycles in a row at one punch "
    "pressure on a tool of this model"
)
YIELDS = "above the band's least yield strength it stretches for good, by more than Hooke's law says"

Part = tuple[dict[str, Any], dict[str, str]]
"""Members of an answer, and why any of them is null."""


@router.get("/setups", response_model=common.Page[Setup])
def list_setups(request: Request, length_mm: Length = 1000.0) -> Response:
    """The set-up of each station of the site file, by controller, and what of it does not fit; they are on
    one page."""
    site: Site = request.app.state.site
    here = {each.name for each in site.controllers}
    with request.app.state.stores.book() as connection:
        stations = [each for each in find_setups(connection) if each["name"] in here]
        shown = [_setup(connection, each, site, length_mm) for each in stations]
    return page(request, shown, None)


@router.get("/controllers/{name}/setup", response_model=Setup)
def show_setup(request: Request, name: Name, length_mm: Length = 1000.0) -> Response:
    """The set-up of one station: torque, tension speed, punch pressure and supply air against what its band
    needs, the band tension that the torque gives, and what that does to the band."""
    with request.app.state.stores.book() as connection:
        (station,) = find_setups(connection, name)
        shown = _setup(connection, station, request.app.state.site, length_mm)
    return answer(shown)


def _setup(connection: Connection, station: Row, site: Site, length_mm: float) -> dict[str, Any]:
    said = station["set"]
    bands = {each.name: each.band for each in site.bands}
    band = bands.get(said["band"] or "")
    tool = station["tools"][0] if station["tools"] else None
    model = site.tool_model(tool["maker"], tool["model"]) if tool else None
    at_wheel_nm = said["set_torque_nm"]
    if at_wheel_nm is not None and model is not None:
        at_wheel_nm *= model.gear_ratio
    proven, no_proven = _proven(connection, station, tool, band, bands)
    misfits = setup.check_setup(
        setup.StationSetup(**said | {"set_torque_nm": at_wheel_nm}),
        bands,
        setup.Proven(bands[proven["band"]], proven["punch_pressure_kpa"]) if proven else None,
        site.analysis.least_supply_kpa,
    )
    parts = (
        _station(station, tool),
        _verdict(misfits),
        ({"wheel_torque_nm": at_wheel_nm}, {} if at_wheel_nm is not None else {"wheel_torque_nm": NOT_TOLD}),
        _torque(at_wheel_nm, band),
        _tension(said["set_torque_nm"], tool, model.wheel if model else None, band, length_mm),
        ({"proven": proven}, no_proven),
    )
    shown = {name: value for members, _ in parts for name, value in members.items()}
    return shown | {
        "least_supply_kpa": site.analysis.least_supply_kpa,
        "unknown": {name: why for _, reasons in parts for name, why in reasons.items()},
        "cautions": CAUTIONS,
    }


def _station(station: Row, tool: Row | None) -> Part:
    last = station["last_cycle"]
    unknown = {name: NOT_TOLD for name in SET if station["set"][name] is None}
    if tool is None:
        unknown["tool"] = NO_TOOL
    if station["read_at"] is None:
        unknown["read_at"] = NEVER_READ
    if last is None:
        unknown["last_cycle"] = "the book has no cycle of it"
    return {
        "controller": station["name"],
        **{name: station[name] for name in ("line", "station", "read_at", "told_by")},
        **station["set"],
        "tool": tool and named(tool),
        "last_cycle": last and {name: last[name] for name in ("id", "ended_at")},
    }, unknown


def _verdict(misfits: Iterable[setup.Misfit]) -> Part:
    shown = [asdict(each) | {"unit": UNITS[each.what]} for each in misfits]
    off = [each for each in shown if each["off_by"] is not None]
    unchecked = [each for each in shown if each["off_by"] is None]
    members = {"misfits": off, "unchecked": unchecked}
    if unchecked and not off:
        return members | {"fits": None}, {"fits": "not everything can be checked: see unchecked"}
    return members | {"fits": not off}, {}


def _torque(at_wheel_nm: float | None, band: Band | None) -> Part:
    if band is None or at_wheel_nm is None or at_wheel_nm <= 0:
        return {"torque": None}, {"torque": NO_BAND if band is None else NO_TORQUE}
    check = asdict(tension.check_torque(at_wheel_nm, band, setup.RIGHT_TORQUE))
    return {"torque": {name: check[name] for name in check if name != "set_torque_nm"}}, {}


def _tension(
    set_torque_nm: float | None,
    tool: Row | None,
    wheel: Wheel | None,
    band: Band | None,
    length_mm: float,
) -> Part:
    """Wheel, tension and stretch: each needs the one before it."""
    if wheel is None:
        why = NO_TOOL
        if tool is not None:
            which = f"maker {tool['maker']}, model {tool['model']}"
            why = f"the site file has no [[tool_models]] of {which} with a wheel_radius_mm"
        return dict.fromkeys(("wheel", "tension_n", "stretch")), dict.fromkeys(
            ("wheel", "tension_n", "stretch"), why
        )
    members: dict[str, Any] = {"wheel": asdict(wheel), "tension_n": None, "stretch": None}
    if set_torque_nm is None or set_torque_nm <= 0:
        return members, dict.fromkeys(("tension_n", "stretch"), NO_TORQUE)
    members["tension_n"] = tension_n = float(tension.tension_n(set_torque_nm, wheel))
    if band is None:
        return members, {"stretch": NO_BAND}
    members["stretch"] = stretch = asdict(tension.stretch(tension_n, length_mm, band))
    stretch["length_mm"] = length_mm
    if stretch["share_of_yield"] is None:
        return members, {"stretch.share_of_yield": NO_YIELD}
    if stretch["share_of_yield"] > 1:
        stretch |= {"strain": None, "elongation_mm": None}
        return members, dict.fromkeys(("stretch.strain", "stretch.elongation_mm"), YIELDS)
    return members, {}


def _proven(
    connection: Connection, station: Row, tool: Row | None, band: Band | None, bands: Mapping[str, Band]
) -> tuple[dict[str, Any] | None, dict[str, str]]:
    if tool is None or band is None:
        return None, {"proven": NO_TOOL if tool is None else NO_BAND}
    found = find_proven(connection, station, (tool["maker"], tool["model"]), bands)
    if found is None:
        return None, {"proven": NOT_PROVEN}
    ratio = setup.pressure_ratio(bands[found["band"]], band)
    needed_kpa = found["punch_pressure_kpa"] * ratio
    return found | {"pressure_ratio": ratio, "needed_pressure_kpa": needed_kpa}, {}
