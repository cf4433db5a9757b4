"""The table of settings: name, type, unit, default and what it is for.

One table feeds reading, the commented file that ``init`` writes, the documentation and their test.
Settings become one frozen object at the entry; nothing below reads the environment or a file.
"""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, PositiveFloat, field_validator

from ingest.records.merges import PixelSettings
from ingest.records.names import token
from ingest.records.roles import MEANS


class Section(BaseModel):
    """Frozen, and no unknown keys: a typing mistake is told, not ignored."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)


def _zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError("it must be an IANA time zone, such as Europe/Lisbon or Pacific/Auckland") from None
    return value


def _code(value: str) -> str:
    if not value or token(value) != value:
        raise ValueError("it may hold letters, digits, - and _ only, at most 64")
    return value


def _clock(value: str) -> str:
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", value, re.ASCII):
        raise ValueError("it must be a time of the day such as 06:00")
    return value


def _role(value: str) -> str:
    if not re.fullmatch(r"[a-z][a-z0-9_]{1,31}", value):
        raise ValueError("a role is named by 2 to 32 small letters, digits and _, a letter first")
    return value


Zone = Annotated[str, AfterValidator(_zone)]
Code = Annotated[str, AfterValidator(_code)]
Role = Annotated[str, AfterValidator(_role)]
Clock = Annotated[str, AfterValidator(_clock)]


class Show(Section):
    """The production and its habits of writing."""

    code: Code = Field(description="Short code of the show; the first part of every name we make.")
    timezone: Zone = Field(description="Where the unit shoots: zone of the setup log and of the cart's papers.")
    day_starts: Clock = Field("06:00", description="When the shoot day rolls over, local time.")
    date_order: Literal["ask", "day-first", "month-first"] = Field(
        "ask", description="How to read 01/04/26 in the log; 'ask' makes it a question in the audit."
    )
    units: Literal["ask", "metric", "imperial"] = Field(
        "ask", description="How to read a bare length such as 173; 'ask' makes it a question in the audit."
    )
    zones: dict[str, Zone] = Field(
        {}, description="Days on which the unit shoots in another zone: {\"2026-04-15\" = \"Atlantic/Azores\"}."
    )
    latitude_deg: float | None = Field(None, ge=-90, le=90, description="Where the unit shoots, north positive.")
    longitude_deg: float | None = Field(None, ge=-180, le=180, description="Where the unit shoots, east positive.")
    setup_log: str = Field("setup_log.csv", description="The log a person keeps; relative to this file.")
    clock_notes: str = Field("clock_notes.csv", description="What each body showed at a true time.")
    measurements: str = Field("measurements.csv", description="Measured heights, distances and boxes.")
    expected_cards: str = Field("expected_cards.csv", description="Cards due each day; the day is open until all came.")


    @field_validator("zones")
    @classmethod
    def _days(cls, value: dict[str, str]) -> dict[str, str]:
        for day in value:
            try:
                date.fromisoformat(day)
            except ValueError:
                raise ValueError(f"{day!r} is no day; YYYY-MM-DD") from None
        return value

    def zone_of(self, day: str) -> str:
        """The zone in which a shoot day's log is written."""
        return self.zones.get(day, self.timezone)


class Watch(Section):
    """Where cards appear."""

    places: tuple[str, ...] = Field(
        (), description="Folders under which cards are mounted or dropped; each folder inside one is a card."
    )
    network_places: tuple[str, ...] = Field((), description="The same on network disks: looked at, never listened to.")
    settle_s: float = Field(5.0, ge=0, le=3600, description="A drop is left alone until it was quiet this long (s).")
    rescan_s: float = Field(5.0, ge=0.2, le=3600, description="How often to look without being woken (s).")


class Destination(Section):
    """A folder on a disk that gets a copy of everything."""

    path: str = Field(description="The folder; made known by `init` or `destination add`.")
    required: bool = Field(True, description="Whether the copy policy waits for it.")


class Body(Section):
    """A camera that the unit uses."""

    nickname: str = Field("", description="What the unit calls it.")
    make: str = Field("", description="As its headers say.")
    model: str = Field("", description="As its headers say.")
    serial: str = Field("", description="As its headers say; two bodies of one model need it.")
    clock_offset_s: float | None = Field(None, description="True local time minus what the body shows (s).")
    frames: Literal["lat-long", "dual-fisheye", "fisheye", "mirror-ball", "flat"] | None = Field(
        None, description="What its stills are; without it: flat, unless the picture says otherwise."
    )
    lens: dict[str, Any] | None = Field(None, description="Lens numbers for the panorama.")


class TakingCamera(Section):
    """A camera that takes the pictures of the show, by the letter the log names."""

    letter: str = Field(min_length=1, max_length=8, description="Its letter in the log's camera column.")
    sensor_mm: tuple[PositiveFloat, PositiveFloat] | None = Field(
        None, description="Active area of the sensor mode in use, width and height (mm); a sensor column wins."
    )


DigestName = Literal["xxh3_128", "xxh3_64", "xxh64", "md5", "sha1", "sha256", "blake3"]


class Copying(Section):
    """How cards are copied."""

    digests: tuple[DigestName, ...] = Field(
        ("xxh3_128",), description="Digests taken in the one pass over the card; xxh3_128 is always among them."
    )
    read_twice: Literal["stills", "all", "none"] = Field(
        "stills", description="Read the card a second time, from the device, after all first copies."
    )
    demand_proof: bool = Field(
        False, description="Count a copy only if the read-back provably came from the device."
    )
    one_disk: bool = Field(False, description="Destinations may share one disk; every figure then says so.")

    @field_validator("digests")
    @classmethod
    def _always_xxh128(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        return value if "xxh3_128" in value else ("xxh3_128", *value)


class Merging(Section):
    """How brackets become radiance."""

    colour_space: Literal["rec709", "acescg", "aces2065-1"] = Field("rec709", description="Primaries of the picture.")
    reference_exposure_s: float = Field(1 / 64, gt=0, description="Pixel 1.0 saturates at this exposure time (s),")
    reference_f_number: float = Field(2**2.5, gt=0, description="at this f-number,")
    reference_iso: float = Field(100.0, gt=0, description="and this sensitivity.")
    chart_colour: bool = Field(
        False, description="Apply the colour matrix of a body's confirmed chart still; a new version of its probes."
    )
    memory_mb: int = Field(3072, ge=256, description="Most memory a worker may take (MiB).")
    time_limit_s: float = Field(900.0, ge=10, description="Longest a merge may take (s).")
    workers: int = Field(
        0, ge=0, le=64,
        description="Most merges at once; 0: as cores and memory allow. While a card is read a core stays free.",
    )

    @property
    def pixels(self) -> PixelSettings:
        """Those of these settings that change a picture."""
        return PixelSettings(**{f.name: getattr(self, f.name) for f in fields(PixelSettings)})


class Filing(Section):
    """Names and places of what we make."""

    convention: Literal["setup-tree", "open-tree"] = Field("setup-tree", description="The ready-made tree to follow.")
    probe_name: str = Field(
        "{show}_{shot}_{setup}_{probe}_v{version:03d}", description="Name of a merged picture, by tokens."
    )
    roles: dict[Role, str] = Field({}, description="Further roles of clips and stills, each with what it means.")

    @field_validator("roles")
    @classmethod
    def _new_roles(cls, roles: dict[str, str]) -> dict[str, str]:
        taken = sorted(set(roles) & set(MEANS))
        if taken:
            raise ValueError(f"{', '.join(taken)}: there is such a role already; give yours another name")
        blank = sorted(k for k, v in roles.items() if not v.strip())
        if blank:
            raise ValueError(f"{', '.join(blank)}: say what it means")
        return roles


class Due(Section):
    """Which missing items become findings; `nightloader setups` shows all of them anyway."""

    probe: bool = Field(True, description="A light probe per setup.")
    clean_plate: bool = Field(True, description="A clean plate per setup.")
    dirty_plate: bool = Field(True, description="A dirty plate per setup.")
    chart: bool = Field(True, description="A colour chart per setup.")
    measured: bool = Field(True, description="Measurements per setup.")
    rules: tuple[dict[str, Any], ...] = Field(
        (), description="Changes to the due rules and new ones: item, scope, deadline, needs, why, tick, on."
    )
    look: bool = Field(
        True, description="Look for charts and balls in stills and clips, and propose what they are for."
    )
    probe_age_min: float = Field(30.0, gt=0, description="A probe older than this is not this daylight (minutes).")


    @property
    def switches(self) -> dict[str, bool]:
        """Item -> whether its absence is a finding, for items that have a switch of their own."""
        return {"probe": self.probe, "clean_plate": self.clean_plate, "dirty_plate": self.dirty_plate,
                "chart": self.chart, "measured": self.measured}


class Notify(Section):
    """Whom to tell."""

    command: tuple[str, ...] = Field((), description="Program and arguments; the notice goes to it as JSON on stdin.")
    quiet_hours: tuple[Clock, Clock] | None = Field(
        None, description='No bundled notices between these hours, such as ["22:00", "06:00"].')  # fmt: skip


class Security(Section):
    """What papers and pages may say."""

    host: str = Field("data-cart", min_length=1, max_length=64,
                      description="Name of this machine in papers: an alias, never asked of the system.")
    previews: bool = Field(True, description="Make preview pictures and put them into reports and pages.")
    previews_at: tuple[str, ...] = Field(
        (), description="Destinations (their paths) that get previews; none named: all of them.")
    people: dict[str, str] = Field(
        default_factory=dict, description="What papers call people instead of their names: name = alias.")

    def alias(self, name: str) -> str:
        """A person's name as papers write it."""
        known = {k.strip().casefold(): v for k, v in self.people.items()}
        return known.get(name.strip().casefold(), name)


class Page(Section):
    """The cart page, served by `watch` while it runs."""

    on: bool = Field(True, description="Whether `watch` serves it.")
    address: str = Field(
        "127.0.0.1", min_length=1, max_length=64,
        description="This machine only; 0.0.0.0 for phones on its network, which then pair with a code.",
    )
    port: int = Field(8642, ge=0, le=65535, description="Where it listens; 0 takes any free one.")
    names: tuple[str, ...] = Field((), description="Names by which others reach this machine, beside its addresses.")


class Settings(Section):
    """All settings of one show, whole and valid."""

    show: Show
    watch: Watch = Watch()
    destinations: tuple[Destination, ...] = Field(description="Two or more, of which at least two required.")
    bodies: tuple[Body, ...] = ()
    cameras: tuple[TakingCamera, ...] = ()
    copying: Copying = Copying()
    merging: Merging = Merging()
    filing: Filing = Filing()
    due: Due = Due()
    notify: Notify = Notify()
    security: Security = Security()
    page: Page = Page()
    home: Path = Field(Path(), exclude=True, description="Folder of the settings file; set by the reader.")

    def beside(self, name: str) -> Path:
        """A path of the settings, relative ones counted from the settings file."""
        return self.home / Path(name).expanduser()

    @property
    def ledger_path(self) -> Path:
        return self.home / "ledger.sqlite"
