"""The kinds of message as types: names, bounds, units and meanings of contract version 1.

The class of a kind is its one declaration: topics, schemas, AsyncAPI document, decoder, Parquet columns,
index, live board and export are derived from `KIND_TYPES`. Fields that version 1 does not name are accepted
and stay in the stored payload.
"""

from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from ingest.contract.times import TIME_PATTERN

MAX_PAYLOAD_BYTES = 4096
KEPT_OF_A_LONG_PAYLOAD_BYTES = 64 * 1024  # of what is refused in any case: enough to see what it was
ID_PATTERN = r"^[A-Za-z0-9._-]{1,40}$"
ID_WORDS = "1 to 40 letters A-Z a-z, digits or . _ - without spaces"
MOST_STANDING_ORDERS = 12
"""With identifiers of 40 characters so many still fit into one payload of 4 KiB. Our own rule."""
MOST_CYLINDERS = 4
WATER_VOLUME_L, RATED_BAR = (0.5, 20.0), (50.0, 450.0)
"""Of a cylinder on a wearer's back; common practice, no source. Others are received, and not believed: a
volume in ft³ or a rated pressure in psi would make the air last many times as long."""
# Numbers without a bound of their own are still finite: JSON can write 1e999, no reader can hold it.
LARGEST = 1.7976931348623157e308


def _said(meaning: str, unit: str = "", **more: Any) -> Meta:
    return Meta(description=meaning, extra={"unit": unit, **more})


# The decoder checks a speaker's id against the topic and times by `ingest.contract.times`: their patterns are
# for the published schema only, so they are in `extra` and not in msgspec's (slower) pattern.
_ID = {"pattern": ID_PATTERN, "words": ID_WORDS}
_TIME = {"pattern": TIME_PATTERN, "format": "date-time", "words": "an RFC 3339 time with its UTC offset"}

SpeakerSet = Annotated[str, _said("The set that sends; as in the topic.", **_ID)]
SpeakerDesk = Annotated[str, _said("The desk that sends; as in the topic.", **_ID)]
Boot = Annotated[
    int, Meta(ge=0, le=2**53 - 1), _said("Changes at every power-up: a counter or a random number.")
]
Seq = Annotated[int, Meta(ge=0, le=2**53 - 1), _said("Counts up by one over all kinds since that power-up.")]
Time = Annotated[str, _said("The sender's own clock; it can be wrong and is kept as sent.", **_TIME)]
Identifier = Annotated[str, Meta(pattern=ID_PATTERN.replace("$", r"\Z"), extra=_ID)]
Alarm = Literal[
    "no_motion_prealarm", "no_motion", "distress", "low_air", "heat", "battery", "evacuate", "fault"
]
OrderName = Literal["evacuate", "withdraw"]
Text120 = Annotated[str, Meta(max_length=120)]
Text200 = Annotated[str, Meta(max_length=200)]
NotNegative = Annotated[float, Meta(ge=0)]


class Spoken(Struct, frozen=True, kw_only=True, omit_defaults=True, gc=False, tag_field="kind"):
    """What every message has (`link` alone may lack boot, seq and time)."""

    boot: Boot
    seq: Seq
    time: Time
    uptime_s: Annotated[float | None, _said("Time since power-up, from a clock that never jumps.", "s")] = (
        None
    )


class FromSet(Spoken, frozen=True, kw_only=True):
    """A message from a breathing-apparatus set, or from the gateway that speaks for it."""

    set_id: SpeakerSet


class FromDesk(Spoken, frozen=True, kw_only=True):
    """A message from the command desk."""

    desk_id: SpeakerDesk


class Pressure(FromSet, frozen=True, kw_only=True, tag="pressure"):
    """Cylinder pressure as the set measured it."""

    pressure_bar: Annotated[float, Meta(ge=0, le=500), _said("Cylinder pressure, gauge.", "bar")]
    gas_temperature_c: Annotated[float | None, _said("Temperature of the gas in the cylinder.", "°C")] = None
    shown_low_air_min: Annotated[
        float | None, _said("Minutes to the low-air warning as the set showed them to the wearer.", "min")
    ] = None
    shown_empty_min: Annotated[
        float | None, _said("Minutes to an empty cylinder as the set showed them to the wearer.", "min")
    ] = None
    breaths_per_min: Annotated[
        NotNegative | None, _said("Breaths a minute as the set counted them.", "1/min")
    ] = None


class Motion(FromSet, frozen=True, kw_only=True, tag="motion"):
    """How much the wearer moved: `motion_m_s2`, `still_s` or both."""

    motion_m_s2: Annotated[
        NotNegative | None, _said("RMS acceleration over the reporting interval, gravity removed.", "m/s²")
    ] = None
    still_s: Annotated[float | None, _said("Since the set last moved.", "s")] = None


class Temperature(FromSet, frozen=True, kw_only=True, tag="temperature"):
    """What the set's own heat sensor reads: not the air's temperature, and never what a body felt."""

    temperature_c: Annotated[
        float, Meta(ge=-60, le=1200), _said("Reading of the set's own heat sensor.", "°C")
    ]
    mask_temperature_c: Annotated[float | None, _said("Temperature inside the mask.", "°C")] = None
    radiant_temperature_c: Annotated[float | None, _said("Reading of a radiant heat sensor.", "°C")] = None


class AlarmMessage(FromSet, frozen=True, kw_only=True, tag="alarm"):
    """An alarm of the set changes its state."""

    alarm: Annotated[Alarm, _said("Which alarm.")]
    state: Annotated[Literal["raised", "acknowledged", "cleared"], _said("Its new state.")]
    detail: Annotated[Text200 | None, _said("Free text.")] = None


class Power(FromSet, frozen=True, kw_only=True, tag="power"):
    """The set was switched on or off, or refused to start because its charge was too low."""

    state: Annotated[Literal["on", "off", "refused"], _said("`refused`: not enough charge to start.")]
    battery_fraction: Annotated[float, Meta(ge=0, le=1), _said("Charge left.", "1")] | None = None
    battery_type: Annotated[Literal["primary", "rechargeable"] | None, _said("Kind of battery.")] = None
    lasts_another_wear: Annotated[bool | None, _said("Whether the set expects to last another wear.")] = None


class Cylinders(Struct, frozen=True, kw_only=True, gc=False):
    """The cylinders of a set: one kind, one to four of them."""

    count: Annotated[int, Meta(ge=1, le=MOST_CYLINDERS), _said("How many cylinders.", "1")]
    water_volume_l: Annotated[float, _said("Water volume of each.", "l")]
    rated_bar: Annotated[float, _said("Rated pressure, gauge.", "bar")]


class Setup(FromSet, frozen=True, kw_only=True, tag="setup"):
    """How the set is configured; retained."""

    cylinders: Annotated[Cylinders, _said("The cylinders that the set calculates with.")]
    choices: (
        Annotated[list[Cylinders], Meta(max_length=8), _said("The cylinders held in the set to choose from.")]
        | None
    ) = None
    chosen: Annotated[int, Meta(ge=0, le=7), _said("Index into `choices`, from 0.")] | None = None
    low_air_bar: Annotated[
        float | None, _said("Pressure at which the set warns of low air, gauge.", "bar")
    ] = None
    no_motion_prealarm_s: Annotated[
        float | None, _said("Time without motion until the first stage.", "s")
    ] = None
    no_motion_alarm_s: Annotated[float | None, _said("Time without motion until the alarm.", "s")] = None
    heat_start_c: Annotated[
        float | None, _said("Sensor temperature from which the set counts heat.", "°C")
    ] = None


class Link(FromSet, frozen=True, kw_only=True, tag="link"):
    """The gateway's radio link to the set; retained, and `down` is the gateway's last will."""

    boot: Boot | None = None  # type: ignore[assignment]  # a broker publishes a last will long after it was written
    seq: Seq | None = None  # type: ignore[assignment]
    time: Time | None = None  # type: ignore[assignment]
    state: Annotated[Literal["up", "down"], _said("Whether the set is heard.")]
    rssi_dbm: Annotated[float | None, _said("Strength of the received signal.", "dBm")] = None


class Incident(FromDesk, frozen=True, kw_only=True, tag="incident"):
    """An incident is opened or closed at the desk."""

    incident_id: Annotated[Identifier, _said("The incident.")]
    action: Annotated[Literal["open", "close"], _said("What happened to the incident.")]
    name: Annotated[Text120 | None, _said("What it is called.")] = None
    place: Annotated[Text120 | None, _said("Where it is.")] = None
    type: Annotated[Text120 | None, _said("What it is: building fire, and so on.")] = None


class Corrected(Struct, frozen=True, kw_only=True, gc=False):
    """The identity of a message whose place another takes."""

    desk_id: Annotated[Identifier, _said("The desk that sent it.")]
    boot: Annotated[Boot, _said("Its power-up.")]
    seq: Annotated[Seq, _said("Its number.")]


class Tally(FromDesk, frozen=True, kw_only=True, tag="tally"):
    """A wearer goes in or comes out: ties a set to its wearer and incident."""

    incident_id: Annotated[Identifier, _said("The incident.")]
    action: Annotated[Literal["in", "out"], _said("In or out.")]
    set_id: Annotated[Identifier, _said("The set that the wearer wears.")]
    wearer_id: Annotated[Identifier, _said("The wearer, by number or code.")]
    team: Annotated[Identifier | None, _said("The wearer's team.")] = None
    task: Annotated[Text120 | None, _said("What the wearer is sent to do.")] = None
    corrects: Annotated[
        Corrected | None,
        _said("The earlier tally that this one replaces, from its time on; both stay in the record."),
    ] = None


class Note(FromDesk, frozen=True, kw_only=True, tag="note"):
    """Something written down at the desk."""

    incident_id: Annotated[Identifier, _said("The incident.")]
    text: Annotated[str, Meta(max_length=2000), _said("What was written.")]
    set_id: Annotated[Identifier | None, _said("The set it is about.")] = None
    at: Annotated[Time | None, _said("The moment it is about when that is not `time`.")] = None
    certainty: Annotated[Literal["recorded", "estimated"] | None, _said("How certain `at` is.")] = None


class Seen(FromDesk, frozen=True, kw_only=True, tag="seen"):
    """The desk has seen this alarm."""

    set_id: Annotated[Identifier, _said("The set whose alarm it is.")]
    alarm: Annotated[Alarm, _said("The alarm that was seen.")]


class StandingOrder(Struct, frozen=True, kw_only=True, omit_defaults=True, gc=False):
    """An order that a desk gave and has not lifted."""

    incident_id: Annotated[Identifier, _said("The incident.")]
    order: Annotated[OrderName, _said("What was ordered.")]
    team: Annotated[Identifier | None, _said("The team it is for.")] = None
    set_id: Annotated[Identifier | None, _said("The set it is for.")] = None
    since: Annotated[Time, _said("When it was given.")]


class Order(FromDesk, frozen=True, kw_only=True, tag="order"):
    """The desk gives an order to a set, a team or everybody in an incident, or lifts it; retained."""

    incident_id: Annotated[Identifier, _said("The incident.")]
    order: Annotated[OrderName, _said("What is ordered.")]
    state: Annotated[Literal["given", "lifted"], _said("Whether it is given or lifted.")]
    team: Annotated[Identifier | None, _said("The team it is for; without team and set, everybody.")] = None
    set_id: Annotated[Identifier | None, _said("The set it is for; without team and set, everybody.")] = None
    text: Annotated[Text200 | None, _said("Free text.")] = None
    standing: (
        Annotated[
            list[StandingOrder],
            Meta(max_length=MOST_STANDING_ORDERS),
            _said("Every order of this desk that is in force after this message, this one included."),
        ]
        | None
    ) = None


class RollCall(FromDesk, frozen=True, kw_only=True, tag="roll_call"):
    """Everybody is called by name: opened, answered or missing, and closed."""

    incident_id: Annotated[Identifier, _said("The incident.")]
    roll_id: Annotated[Identifier, _said("This roll call.")]
    state: Annotated[
        Literal["called", "answered", "missing", "closed"],
        _said("`answered` and `missing` name a wearer or a team."),
    ]
    wearer_id: Annotated[Identifier | None, _said("The wearer who answered or is missing.")] = None
    team: Annotated[Identifier | None, _said("The team that answered or is missing.")] = None


class Gauge(FromDesk, frozen=True, kw_only=True, tag="gauge"):
    """A pressure that the wearer read from the gauge and said by voice."""

    incident_id: Annotated[Identifier, _said("The incident.")]
    set_id: Annotated[Identifier, _said("The set whose gauge it is.")]
    pressure_bar: Annotated[float, Meta(ge=0, le=500), _said("Cylinder pressure, gauge.", "bar")]
    at: Annotated[Time | None, _said("When it was read, when that is not `time`.")] = None
    corrects: Annotated[
        Corrected | None,
        _said("The earlier gauge that this one replaces, at its moment unless `at` says another."),
    ] = None


class Standby(FromDesk, frozen=True, kw_only=True, tag="standby"):
    """The emergency team is ready, committed or stood down."""

    incident_id: Annotated[Identifier, _said("The incident.")]
    team: Annotated[Identifier, _said("The emergency team.")]
    state: Annotated[Literal["ready", "committed", "stood_down"], _said("Its new state.")]
    text: Annotated[Text120 | None, _said("Free text.")] = None


class Resolved(FromDesk, frozen=True, kw_only=True, tag="resolved"):
    """A person closes an alarm or an entry and says how it was settled."""

    incident_id: Annotated[Identifier, _said("The incident.")]
    set_id: Annotated[Identifier, _said("The set whose alarm or entry it is.")]
    alarm: Annotated[Alarm | None, _said("The alarm; without it, the entry.")] = None
    wearer_id: Annotated[
        Identifier | None,
        _said("Whose alarm or entry it is, where several wearers were in with the set."),
    ] = None
    text: Annotated[str, Meta(min_length=1, max_length=200), _said("How it was settled.")]
    corrects: Annotated[
        Corrected | None,
        _said("The earlier `resolved` that this one replaces, or withdraws if set and alarm are the same."),
    ] = None


Message = (
    Pressure
    | Motion
    | Temperature
    | AlarmMessage
    | Power
    | Setup
    | Link
    | Incident
    | Tally
    | Note
    | Seen
    | Order
    | RollCall
    | Gauge
    | Standby
    | Resolved
)
KIND_TYPES: dict[str, type[Message]] = {}
"""Every kind of the contract by its name, those of sets first."""
KINDS: tuple[str, ...] = ()
SET_KINDS: tuple[str, ...] = ()
DESK_KINDS: tuple[str, ...] = ()


def declare(*kind_types: type[Any]) -> None:
    """Add kinds to the contract; everything else is derived from them when it is imported, so do it before.

    `kind_types`: subclasses of `FromSet` or `FromDesk` with the kind as their tag.
    """
    global KINDS, SET_KINDS, DESK_KINDS
    for kind_type in kind_types:
        KIND_TYPES[str(kind_type.__struct_config__.tag)] = kind_type
    SET_KINDS = tuple(kind for kind, known in KIND_TYPES.items() if issubclass(known, FromSet))
    DESK_KINDS = tuple(kind for kind, known in KIND_TYPES.items() if issubclass(known, FromDesk))
    KINDS = (*SET_KINDS, *DESK_KINDS)


declare(*Message.__args__)
RETAINED_KINDS = ("setup", "link", "order")
"""Published as retained messages: a broker hands the last one of a topic to whoever connects later."""
