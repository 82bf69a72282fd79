"""What requests may carry: typed, bounded, nothing else allowed."""

from typing import Annotated, Any, ClassVar, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from logan.pipeline.notes import with_passengers

ShortText = Annotated[str, Field(max_length=300)]
LongText = Annotated[str, Field(max_length=20_000)]
LogId = Annotated[str, Field(pattern=r"^[0-9a-f]{16}$")]


class Body(BaseModel):
    """A request body; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid")


class NewBuild(Body):
    """Name of a build to make, and the units it is written and shown in: ``us``, ``metric``, ``us,C``."""

    name: Annotated[str, Field(min_length=1, max_length=63)]
    units: Annotated[str, Field(max_length=40)] = "us"


class SettingsChange(Body):
    """Fields of the form to change, or the whole text of build.toml.

    ``version`` is that of the settings as they were read: if they were changed since, nothing is saved.
    """

    fields: Annotated[dict[ShortText, ShortText], Field(max_length=200)] = Field(default_factory=dict)
    text: Annotated[str | None, Field(max_length=500_000)] = None
    version: Annotated[str | None, Field(max_length=64)] = None


Row = Annotated[dict[ShortText, Annotated[str, Field(max_length=5000)]], Field(max_length=100)]


class RowChanges(Body):
    """Rows to change: each as it was read and as it shall be, values as they are typed; null for none."""

    changes: Annotated[list[tuple[Row | None, Row | None]], Field(max_length=200)]


class ChannelChoice(Body):
    """One channel of the map."""

    channel: ShortText
    signal: Annotated[str, Field(min_length=1, max_length=300)]
    unit: Annotated[str, Field(max_length=40)] = ""
    sign: Literal[1, -1] = 1


class ChannelChoices(Body):
    """Channels of the map to change, and those to leave out; the others stay."""

    channels: Annotated[list[ChannelChoice], Field(max_length=300)] = Field(default_factory=list)
    left_out: Annotated[list[ShortText], Field(max_length=300)] = Field(default_factory=list)
    version: Annotated[str | None, Field(max_length=64)] = None


class DbcChoice(Body):
    """One DBC, and the buses it is for, with commas; empty for all."""

    file: ShortText
    bus: ShortText = ""


class DbcChoices(Body):
    """DBCs to use, each with its buses, and those to use no more; the others stay."""

    dbcs: Annotated[list[DbcChoice], Field(max_length=64)] = Field(default_factory=list)
    left_out: Annotated[list[ShortText], Field(max_length=64)] = Field(default_factory=list)
    version: Annotated[str | None, Field(max_length=64)] = None


class ImportChoices(Body):
    """How logs are imported, and what the driver notes on them: quantities such as "300 lb" and "50 °F"."""

    OPTIONS: ClassVar = ("is_one_drive", "is_replaced", "skips_text", "is_anyway", "is_energy_optional")

    is_one_drive: bool = False
    is_replaced: bool = False
    skips_text: bool = False
    is_anyway: bool = False
    is_energy_optional: bool = False
    payload: ShortText | None = None
    ambient: ShortText | None = None
    note: LongText = ""


class ImportRequest(ImportChoices):
    """Which sent logs to import, and how."""

    logs: Annotated[list[LogId], Field(min_length=1, max_length=200)]


class MaskRequest(Body):
    """A span to blank, with the reason."""

    span: Annotated[str, Field(min_length=2, max_length=60)]
    why: Annotated[str, Field(min_length=1, max_length=1000)]
    channels: Annotated[list[ShortText], Field(max_length=100)] = Field(default_factory=list)


_AS_IS: Final = ("wind_from_deg", "drag_factor", "rolling_factor")


class DriveNotes(Body):
    """What is noted on a drive; what is left out stays as it is.

    ``version`` is that of the notes as they were read: if others were noted since, nothing is.
    ``payload``, ``ambient``, ``wind`` and ``tire`` are quantities such as "300 lb", "50 °F", "10 mph" and "36 psi";
    blank, they are forgotten. ``passengers`` of 150 lb each stand on top of the payload.
    ``trims`` cut spans out, ``correct`` is such as "pack_current.offset=-0.7@750s..768s" (SI); both need ``why``.
    ``include_because`` lets the fit take the drive although its data speak against it.
    ``is_unmasked`` takes back every mask and correction by hand, ``take_back`` the one of that number.
    """

    version: Annotated[str | None, Field(max_length=64)] = None
    note: LongText | None = None
    change: ShortText | None = None
    tags: Annotated[list[ShortText] | None, Field(max_length=30)] = None
    payload: ShortText | None = None
    passengers: Annotated[int | None, Field(ge=0, le=20)] = None
    ambient: ShortText | None = None
    wind: ShortText | None = None
    tire: ShortText | None = None
    wind_from_deg: float | None = None
    drag_factor: float | None = None
    rolling_factor: float | None = None
    exclude_because: ShortText | None = None
    is_included: bool = False
    include_because: ShortText | None = None
    mask: MaskRequest | None = None
    trims: Annotated[list[Annotated[str, Field(max_length=60)]], Field(max_length=4)] = Field(default_factory=list)
    correct: ShortText | None = None
    why: Annotated[str, Field(max_length=1000)] = ""
    is_unmasked: bool = False
    take_back: Annotated[int | None, Field(ge=1, le=1000)] = None

    @property
    def changes(self) -> dict[str, Any]:
        """As ``logan.pipeline.notes.changed`` takes them."""
        whys = (self.mask.why if self.mask else "", self.exclude_because, self.include_because, self.why)
        return {
            "masks": () if self.mask is None else (self.mask.span,),
            "mask_channels": () if self.mask is None else tuple(self.mask.channels),
            "trims": tuple(self.trims),
            "hand": (self.correct,) if self.correct else (),
            "why": next((why for why in whys if why), ""),
            "is_excluded": bool(self.exclude_because),
            "is_included": self.is_included and self.mask is None,
            "tags": None if self.tags is None else tuple(self.tags),
            **{name: getattr(self, name) for name in ("is_unmasked", "note", "change", *_AS_IS)},
            "said": {name: getattr(self, name) for name in ("ambient", "wind", "tire")}
            | {"payload": with_passengers(self.payload, self.passengers)},
        }


class WhatIf(Body):
    """A question of the sliders; SI."""

    speed_m_per_s: Annotated[float, Field(ge=2, le=60)]
    ambient_temperature_degc: Annotated[float, Field(ge=-40, le=50)] = 20.0
    payload_kg: Annotated[float, Field(ge=-5000, le=5000)] = 0.0
    usable_energy_wh: Annotated[float | None, Field(ge=1000, le=500_000)] = None
    drag_area_factor: Annotated[float, Field(ge=0.05, le=10)] = 1.0


class ReportRequest(Body):
    """Which report to write."""

    kind: Literal["build", "drive", "certificate"] = "build"
    drive: Annotated[int | None, Field(ge=1, le=10_000_000)] = None


class WatchRequest(Body):
    """A folder on this machine to watch for new logs; empty stops watching."""

    folder: Annotated[str, Field(max_length=1000)]


class CommandRequest(Body):
    """Options of a command by name, as ``/api/v1/commands`` describes them."""

    options: Annotated[dict[ShortText, ShortText | bool | list[ShortText]], Field(max_length=40)] = Field(
        default_factory=dict
    )
    as_json: bool = False
