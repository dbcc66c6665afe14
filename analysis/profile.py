"""The doctrine profile: the numbers by which wears are judged, from a TOML file, checked on load.

Local procedure decides. Every number says in `profiles/default.toml` where it comes from; a service
writes its own file, and needs to name only what differs.
"""

from __future__ import annotations

import functools
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from analysis.air.forecast import HARD_L_MIN, SHIPPED, EarlyWeights, IntervalEnds, LateWeights
from analysis.policies import (
    POLICIES,
    DoubleReturn,
    FixedMargin,
    ForecastMargin,
    Fraction,
    HalfOfUsable,
    Minutes,
    PressureBar,
    RateLMin,
)
from analysis.policies import PolicyName as Policy
from ingest.contract.errors import BadProfile
from ingest.toml_faults import document_of, explain

Seconds = Annotated[float, Meta(ge=0, le=86400)]
Text = Annotated[str, Meta(min_length=1, max_length=500)]
DoseLaw = Literal["iso13571_clothed", "sfpe_unclothed"]

DOSE_LAWS: tuple[DoseLaw, ...] = ("iso13571_clothed", "sfpe_unclothed")
EXPECTED = {
    "$.turn_back.policy": f"one of {', '.join(POLICIES)}",
    "$.heat.dose_law": f"one of {', '.join(DOSE_LAWS)}",
}


class ProfilePart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of every part of a profile: immutable, and an unknown key is an error."""


class TurnBack(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The turn-back policy in force, and the numbers of each (the review replays all)."""

    policy: Policy = "half_of_usable"
    way_in_min: Minutes = 8.0
    objective_word: Text = "objective reached"
    withdrawal_word: Text = "turning back"
    late_margin_s: Seconds = 60.0
    double_return: DoubleReturn = DoubleReturn()
    half_of_usable: HalfOfUsable = HalfOfUsable()
    fixed_margin: FixedMargin = FixedMargin()
    forecast: ForecastMargin = ForecastMargin()


class Air(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Air at the start, at the warning, and how fast it may go."""

    low_air_bar: PressureBar = 55.0
    warning_early_bar: PressureBar = 5.0
    warning_late_bar: PressureBar = 5.0
    ready_fraction: Fraction = 0.9
    planning_l_min: RateLMin = 40.0
    below_warning_s: Seconds = 60.0
    free_flow_l_min: RateLMin = 180.0
    free_flow_s: Seconds = 8.0
    leak_without_motion_l_min: RateLMin = 60.0
    leak_without_motion_s: Seconds = 60.0
    stuck_readings: Annotated[int, Meta(ge=2, le=10000)] = 5
    stuck_rate_part: Fraction = 0.4
    stuck_steps: Annotated[float, Meta(ge=1, le=100)] = 3.0
    changed_soon_s: Seconds = 120.0


class Forecast(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The interval of the forecast, and the rate of its scenario."""

    hard_l_min: RateLMin = HARD_L_MIN  # "If it stays hard" until three minutes of the wear have been seen
    # File of constants that `underair learn` wrote, beside the profile; "": those that ship. A loaded profile
    # has taken them over and names no file, so that it needs no other file.
    learnt: Annotated[str, Meta(max_length=500)] = ""
    version: Text = SHIPPED.name  # which constants are in force, for screens and reports
    # `early`, `late`: tuple of 8 and of 7 floats: see `analysis.air.forecast.IntervalEnds`
    early: EarlyWeights = SHIPPED.early
    late: LateWeights = SHIPPED.late

    def ends(self) -> IntervalEnds:
        """Return the interval's constants in force."""
        return IntervalEnds(name=self.version, early=self.early, late=self.late)


class MotionRules(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Motionless alarm, where a set does not say its own times."""

    no_motion_prealarm_s: Seconds = 20.0
    no_motion_alarm_s: Seconds = 30.0
    still_below_m_s2: Annotated[float, Meta(gt=0, le=50)] = 0.35


class Alarms(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How alarms are matched, answered and counted."""

    response_s: Seconds = 30.0
    match_s: Seconds = 30.0
    flood_count: Annotated[int, Meta(ge=1, le=1000)] = 10
    flood_window_min: Minutes = 10.0


class Heat(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Heat sensor, dose law and the two triggers."""

    sensor_lag_s: Annotated[float, Meta(gt=0, le=1200)] = 60.0
    heat_start_c: Annotated[float, Meta(ge=-60, le=1200)] = 120.0
    dose_law: DoseLaw = "iso13571_clothed"
    dose_limit: Annotated[float, Meta(gt=0, le=100)] = 0.3
    rise_k_min: Annotated[float, Meta(gt=0, le=10000)] = 100.0
    rise_over_k: Annotated[float, Meta(gt=0, le=1000)] = 40.0


class Battery(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Charge at the start of a wear."""

    low_fraction: Fraction = 0.2


class LinkRules(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Silence and clocks."""

    silence_caution_s: Seconds = 60.0
    silence_serious_s: Seconds = 180.0
    clock_wrong_s: Seconds = 30.0
    tally_late_s: Seconds = 120.0


class EntryRules(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """People inside: when somebody counts as not accounted for, and who must be ready outside."""

    # After so many seconds without a reading a wearer who was tallied in is not accounted for.
    never_heard_s: Seconds = 120.0
    relief_ready_min: Minutes = 5.0  # minutes that the next team needs before it can go in
    standby_team: bool = True  # the page says when wearers are inside and no emergency team is ready


class RestRule(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How long a wearer rests before the next wear; a threshold of 0 is not used."""

    on: bool = False  # whether the rule is applied; rules from memory are off until a service turns them on
    # `after_cylinders`, `after_work_min`, `after_hard_min`, `after_heat_dose`: the rest is due when any of
    # these is reached since the last rest of that length
    after_cylinders: Annotated[int, Meta(ge=0, le=20)] = 0
    after_work_min: Minutes = 0.0
    after_hard_min: Minutes = 0.0
    after_heat_dose: Annotated[float, Meta(ge=0, le=100)] = 0.0
    rest_min: Minutes  # shortest rest between two wears, minutes
    source: Text  # where the rule comes from; every finding shows it
    from_memory: bool = False  # the source was not read


_TEXT_OF_1584 = "NFPA 1584 (2003), from memory, not read"


class Rest(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Rest between wears (rehabilitation) and the next wear, over all incidents and drills."""

    two_cylinders: RestRule = RestRule(
        on=True, after_cylinders=2, rest_min=10.0, source="one city's procedure (secondary source)"
    )
    long_work: RestRule = RestRule(
        on=True, after_work_min=45.0, rest_min=10.0, source="one city's procedure (secondary source)"
    )
    hot_wear: RestRule = RestRule(on=True, after_heat_dose=0.3, rest_min=20.0, source="our own rule")
    one_cylinder_1584: RestRule = RestRule(
        after_cylinders=1, after_hard_min=20.0, rest_min=10.0, source=_TEXT_OF_1584, from_memory=True
    )
    two_cylinders_1584: RestRule = RestRule(
        after_cylinders=2, after_hard_min=40.0, rest_min=20.0, source=_TEXT_OF_1584, from_memory=True
    )


class Disclosure(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What may be published: how many people a group must have (`analysis.trends.cells`)."""

    fewest_people: Annotated[int, Meta(ge=5, le=1000)] = 10


class Training(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Each person's yearly minimum in drills and training; 0: none asked (`analysis.trends.planning`)."""

    hours_a_year: Annotated[float, Meta(ge=0, le=1000)] = 0.0
    wears_a_year: Annotated[int, Meta(ge=0, le=1000)] = 0


class Retention(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How long an archive knows who wore a set (`underair retain`)."""

    # Months after an incident's last message; 0: for ever.
    identity_months: Annotated[int, Meta(ge=0, le=1200)] = 0
    # Years that the exposure register keeps a wear (`dashboard.privacy.register`).
    register_years: Annotated[int, Meta(ge=1, le=100)] = 40


class Profile(ProfilePart, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A service's doctrine in numbers."""

    # Short name, shown in results and on screens.
    name: Annotated[str, Meta(pattern=r"^[A-Za-z0-9._-]{1,40}$")]
    title: Text  # one line for people
    decides: Text  # who decides: the sentence shown beside every judgement made with this profile
    sources: tuple[Text, ...] = ()  # where the numbers come from
    turn_back: TurnBack = TurnBack()
    air: Air = Air()
    forecast: Forecast = Forecast()
    motion: MotionRules = MotionRules()
    alarms: Alarms = Alarms()
    heat: Heat = Heat()
    battery: Battery = Battery()
    link: LinkRules = LinkRules()
    entry: EntryRules = EntryRules()
    rest: Rest = Rest()
    disclosure: Disclosure = Disclosure()
    training: Training = Training()
    retention: Retention = Retention()

    @staticmethod
    def default() -> Profile:
        """Return the shipped default profile."""
        return shipped_profile("default")


def parse_profile(text: str, origin: str) -> Profile:
    """Read a profile from TOML text.

    - `text`: the TOML document.
    - `origin`: file name, for the error's sentence.

    Raises `BadProfile` for TOML that cannot be read, an unknown key, a wrong type or a value out of range;
    the sentence names the field's path, the value and what was expected.
    """
    try:
        document = document_of(text)
    except ValueError as error:
        raise BadProfile(f"profile {origin} is not TOML: {error}") from None
    try:
        profile = msgspec.convert(document, Profile, strict=True)
    except msgspec.ValidationError as error:
        raise BadProfile(f"profile {origin}: {explain(str(error), document, EXPECTED)}") from None
    for name, first, then, wrong in (
        ("motion", "no_motion_prealarm_s", "no_motion_alarm_s", "before"),
        ("link", "silence_caution_s", "silence_serious_s", "shorter than"),
    ):
        first_s, then_s = (getattr(getattr(profile, name), field) for field in (first, then))
        if then_s < first_s:
            raise BadProfile(
                f"profile {origin}: {then} must not be {wrong} {first} ({first_s} s), got {then_s} s "
                f"(at $.{name}.{then})"
            )
    if not profile.forecast.ends().has_early_end():
        raise BadProfile(
            f"profile {origin}: an ordinary forecast (20 min said in minute 8, 45 L/min) must have an early "
            f"end before it, and all constants must be finite; got early = {[*profile.forecast.early]}, "
            f"late = {[*profile.forecast.late]}. Remove both to use the constants that ship (at $.forecast)"
        )
    return profile


def load_profile(path: Path | str | None) -> Profile:
    """Read a profile file, or a shipped one by its name (see `shipped_profiles`); without either the default.

    Raises `BadProfile` when it cannot be read or does not keep the rules.
    """
    if path is None:
        return Profile.default()
    if str(path) in shipped_profiles():
        return shipped_profile(str(path))
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        names = ", ".join(shipped_profiles())
        why = error.strerror if isinstance(error, OSError) else "it is not text in UTF-8"
        raise BadProfile(f"cannot read the profile {path}: {why}; shipped profiles are {names}") from None
    return _with_learnt(parse_profile(text, str(path)), Path(path))


def _with_learnt(profile: Profile, path: Path) -> Profile:
    """Take over the constants of the file that the profile names, so that the profile needs no other file."""
    if not profile.forecast.learnt:
        return profile
    from analysis.air.learning import read_learnt

    try:
        learnt = read_learnt(path.parent / profile.forecast.learnt)
    except ValueError as error:
        raise BadProfile(f"profile {path}: {error} (at $.forecast.learnt)") from None
    replaced = msgspec.structs.replace(
        profile.forecast, learnt="", version=learnt.version, early=learnt.early, late=learnt.late
    )
    return msgspec.structs.replace(profile, forecast=replaced)


def shipped_profiles() -> tuple[str, ...]:
    """Return the names of the profiles that come with underair, `default` first."""
    files = resources.files("analysis").joinpath("profiles").iterdir()
    names = sorted(entry.name.removesuffix(".toml") for entry in files if entry.name.endswith(".toml"))
    return ("default", *(name for name in names if name != "default"))


@functools.cache
def shipped_profile(name: str) -> Profile:
    """Return the shipped profile called `name`.

    Raises `BadProfile` when there is none, with the names of those there are.
    """
    if name not in shipped_profiles():
        raise BadProfile(f"no shipped profile {name!r}; there are {', '.join(shipped_profiles())}")
    text = resources.files("analysis").joinpath("profiles", f"{name}.toml").read_text(encoding="utf-8")
    return parse_profile(text, f"{name}.toml")
